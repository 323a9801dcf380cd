"""The demo's files are what the generator makes, and the planted truths can be seen in them.

Everything here reads the files with pandas and tests with scipy; nothing of the analysis is used,
so that a later test can hold the analysis against what is found here.
"""

from __future__ import annotations

import itertools
import tomllib
from datetime import datetime
from pathlib import Path

import demo_generator as demo
import numpy as np
import pandas as pd
import pytest
from scipy import stats

FOLDER = Path(__file__).parent.parent / "demo_responses"
LEVEL = 0.05
CONDITIONS = ["still", "slosh", "ladle", "coach"]
PAIRS = list(itertools.combinations(CONDITIONS, 2))
FILES = demo.files()
DECLARED = tomllib.loads((FOLDER / "study.toml").read_text(encoding="utf-8"))
SCALES = {
    "weight_realism": (["real1", "real2", "real3", "real4", "real5", "real6"], ["real3", "real6"], 4),
    "effectiveness": (["train1", "train2", "train3", "train4", "train5"], ["train3"], 4),
    "effort": (["effort1", "effort2", "effort3", "effort4"], [], 3),
    "comfort": (["comfort1"], [], 1),
}
"""Items, those worded the other way round, and answers needed."""


def read(name: str, *, pilots: bool = False) -> pd.DataFrame:
    table = pd.read_csv(FOLDER / name, dtype=str, keep_default_na=False)
    return table if pilots else table[~table["participant"].isin(DECLARED["participants"]["pilots"])]


def forms(*weeks: int) -> pd.DataFrame:
    """The forms after each version as (participant and version) x item, numbers, NaN where skipped."""
    table = pd.concat([read(f"responses/after_version_week{week}.csv") for week in weeks or (1, 2)])
    return table.set_index(["participant", "version"]).replace("", np.nan).astype(float)


def scores(scale: str) -> pd.DataFrame:
    """Mean scores as they stand in the files, (participants, conditions), complete cases."""
    items, reverse, needed = SCALES[scale]
    scored = forms()[items]
    scored[reverse] = 8 - scored[reverse]
    mean = scored.mean(axis=1).where(scored.notna().sum(axis=1) >= needed)
    return mean.unstack()[CONDITIONS].dropna()


def difference(values: pd.DataFrame, first: str, second: str) -> pd.Series:
    """First minus second, rounded so that equal means tie."""
    return (values[first] - values[second]).round(6)


def signed_rank_p(differences: pd.Series) -> float:
    return float(stats.wilcoxon(differences, zero_method="pratt", method="approx").pvalue) if differences.any() else 1.0


def holm(p_values: list[float]) -> list[float]:
    adjusted, largest = [1.0] * len(p_values), 0.0
    for step, place in enumerate(np.argsort(p_values)):
        largest = max(largest, min(1.0, p_values[place] * (len(p_values) - step)))
        adjusted[place] = largest
    return adjusted


def pair_ps(values: pd.DataFrame) -> dict[frozenset[str], float]:
    """Holm-adjusted p of each pair."""
    adjusted = holm([signed_rank_p(difference(values, *pair)) for pair in PAIRS])
    return {frozenset(pair): p for pair, p in zip(PAIRS, adjusted, strict=True)}


def friedman_p(values: pd.DataFrame) -> float:
    return float(stats.friedmanchisquare(*values.to_numpy().T).pvalue)


def omnibus_ps() -> dict[str, float]:
    """Holm-adjusted p of the three primary measures."""
    primary = DECLARED["plan"]["primary"]
    return dict(zip(primary, holm([friedman_p(scores(scale)) for scale in primary]), strict=True))


def effect(differences: pd.Series) -> float:
    """Mean difference in standard deviations of the differences."""
    return float(differences.mean() / differences.std())


def trial_means(column: str) -> pd.DataFrame:
    """Mean per participant and version, without the drop-out and the excluded participant."""
    trials = read("responses/trials.csv").set_index(["participant", "condition"])
    values = trials[["filling", "certainty", "guess", "seconds"]].astype(float)
    values["error"] = (values["guess"] - values["filling"]).abs()
    means = values[column].groupby(level=[0, 1]).mean().unstack()[CONDITIONS].dropna()
    return means.drop(index=demo.TRACKING_LOST[0])


def code_sets(table: pd.DataFrame, rater: str) -> dict[str, set[str]]:
    """Codes by unit, in the order of coding."""
    rows = table[table["rater"] == rater]
    return {unit: set(codes) - {""} for unit, codes in rows.groupby("unit", sort=False)["code"]}


def kappa(table: pd.DataFrame, code: str) -> float:
    first, second = ({unit: code in codes for unit, codes in code_sets(table, rater).items()} for rater in ("R1", "R2"))
    a, b = np.array(list(first.values())), np.array([second[unit] for unit in first])
    expected = a.mean() * b.mean() + (1 - a.mean()) * (1 - b.mean())
    return float(((a == b).mean() - expected) / (1 - expected))


def current_codings() -> pd.DataFrame:
    """Codes that count under version 2: consensus, and R1 for the rest."""
    return pd.concat([read("codings/consensus.csv"), read("codings/main.csv")])


def people(code: str, about: str, stance: str) -> set[str]:
    rows = current_codings()
    return set(rows[(rows["code"] == code) & (rows["about"] == about) & (rows["stance"] == stance)]["participant"])


# The files


@pytest.mark.parametrize("name", sorted(FILES))
def test_file_is_what_the_generator_makes(name: str) -> None:
    assert (FOLDER / name).read_bytes() == FILES[name].encode()


def test_every_table_of_the_folder_is_generated() -> None:
    by_hand = {"codebook.csv"}
    there = {path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.csv")}
    assert {path for path in there if not path.startswith("transcripts/")} == set(FILES) | by_hand


@pytest.mark.parametrize(
    ("name", "rows"),
    [
        ("participants.csv", 2 + 23),
        ("session_log.csv", 2 * 4 + 22 * 4 + 2),
        ("responses/background.csv", 2 + 23),
        ("responses/discomfort.csv", 2 * (2 + 23)),
        ("responses/after_version_week1.csv", 2 * 4 + 11 * 4 + 2),
        ("responses/after_version_week2.csv", 11 * 4),
        ("responses/trials.csv", 42 * (2 * 4 + 22 * 4 + 2)),
        ("responses/ranking.csv", 2 + 22),
    ],
)
def test_row_counts(name: str, rows: int) -> None:
    assert len(read(name, pilots=True)) == rows


@pytest.mark.parametrize("name", sorted(FILES))
def test_everybody_named_is_enrolled(name: str) -> None:
    known = {f"A{number:02d}" for number in range(1, 25)} | {"P01", "P02"}
    assert set(read(name, pilots=True)["participant"]) <= known


def test_answers_are_in_range() -> None:
    answers = forms()
    assert answers.stack().dropna().isin(range(1, 8)).all()
    assert read("responses/discomfort.csv").filter(like="unease").isin(list("0123")).all(axis=None)


def test_background_answers_are_known() -> None:
    instrument = tomllib.loads((FOLDER / "instruments" / "background.toml").read_text(encoding="utf-8"))
    background = read("responses/background.csv")
    assert set(background["age_group"]) <= {choice["label"] for choice in instrument["responses"]["age"]["choices"]}
    assert background["kitchen_years"].astype(float).between(0, 50).all()


def test_trials_are_42_a_version_six_a_filling_and_in_range() -> None:
    trials = read("responses/trials.csv", pilots=True)
    per_filling = trials.groupby(["participant", "condition", "filling"]).size()
    assert (per_filling == 6).all()
    assert (trials.groupby(["participant", "condition"])["filling"].nunique() == 7).all()
    assert set(trials["more_than_half"]) == {"yes", "no"}
    assert trials["certainty"].isin(list("12345")).all()
    assert trials["guess"].astype(float).between(0, 100).all()
    assert (trials["seconds"].astype(float) > 0).all()


def test_pilots_have_rows_in_every_table_of_answers() -> None:
    names = [name for name in FILES if not name.startswith("codings/") and "week2" not in name]
    for name in names:
        assert {"P01", "P02"} <= set(read(name, pilots=True)["participant"]), name


def test_sessions_of_a_person_go_forward_in_time() -> None:
    log = read("session_log.csv")
    for _, rows in log.groupby("participant"):
        started = [datetime.fromisoformat(moment) for moment in rows["started"]]
        assert started == sorted(started)
        assert list(rows["position"]) == [str(position) for position in range(1, len(rows) + 1)]


def test_sequences_are_a_williams_square_with_six_apprentices_each_but_for_the_withdrawn() -> None:
    sequences = DECLARED["sequences"]
    assert {name: tuple(order) for name, order in sequences.items()} == demo.SEQUENCES
    followed = [pair for order in sequences.values() for pair in itertools.pairwise(order)]
    assert len(set(followed)) == len(followed) == 12
    assert all({order[place] for order in sequences.values()} == set(CONDITIONS) for place in range(4))
    assert sorted(read("participants.csv")["sequence"].value_counts()) == [5, 6, 6, 6]


# Who is out of the ordinary


def test_the_withdrawn_are_nowhere_but_counted() -> None:
    assert DECLARED["participants"]["withdrawn"] == 1
    for path in (path for path in FOLDER.rglob("*") if path.is_file()):
        assert demo.WITHDRAWN.encode() not in path.read_bytes(), path.name


def test_one_dropped_out_after_the_second_version() -> None:
    log = read("session_log.csv").groupby("participant").size()
    assert log[log < 4].to_dict() == {demo.DROPPED_OUT: 2}
    tried = set(read("session_log.csv").query("participant == @demo.DROPPED_OUT")["condition"])
    assert set(read("responses/trials.csv").query("participant == @demo.DROPPED_OUT")["condition"]) == tried
    assert set(forms().loc[demo.DROPPED_OUT].index) == tried
    assert demo.DROPPED_OUT not in set(read("responses/ranking.csv")["participant"])


def test_one_was_run_in_another_order_than_assigned() -> None:
    assigned = read("participants.csv").set_index("participant")["sequence"]
    run = read("session_log.csv").groupby("participant")["condition"].agg(list)
    differs = [one for one, order in run.items() if order != DECLARED["sequences"][assigned[one]][: len(order)]]
    assert differs == [demo.WRONG_ORDER]
    assert "A10" in DECLARED["plan"]["departures"][0]["why"]


def test_one_skips_items_and_so_has_no_score_of_realism_in_ladle() -> None:
    skipped = forms().isna()
    assert set(skipped[skipped.any(axis=1)].index.get_level_values(0)) == {"A15"}
    assert skipped[SCALES["weight_realism"][0]].sum(axis=1).max() == 3
    assert set(scores("effectiveness").index) - set(scores("weight_realism").index) == {"A15"}
    assert len(scores("weight_realism")) == 21
    assert len(scores("effectiveness")) == len(scores("effort")) == len(scores("comfort")) == 22


def test_one_gives_the_same_answer_throughout() -> None:
    points = forms().groupby(level=0).apply(lambda rows: len(set(rows.stack().dropna())))
    assert list(points[points == 1].index) == [demo.SAME_ANSWER]


@pytest.mark.parametrize(("week", "sign"), [(1, 1), (2, -1)])
def test_one_item_is_turned_round_in_the_second_file(week: int, sign: int) -> None:
    items, reverse, _ = SCALES["weight_realism"]
    answers = forms(week)[items].drop(index=demo.SAME_ANSWER, errors="ignore")
    answers[reverse] = 8 - answers[reverse]
    for item in items:
        with_rest = answers[item].corr(answers.drop(columns=item).mean(axis=1))
        if item == demo.MISKEYED_ITEM:
            assert sign * with_rest > 0.4
        else:
            assert with_rest > 0.2


def test_tracking_was_lost_in_one_version_of_one_person() -> None:
    trials = read("responses/trials.csv")
    error = (trials["guess"].astype(float) - trials["filling"].astype(float)).abs()
    by_cell = error.groupby([trials["participant"], trials["condition"]]).mean()
    assert by_cell.idxmax() == demo.TRACKING_LOST
    assert by_cell.max() > 1.25 * by_cell.drop(demo.TRACKING_LOST).max()
    excluded = DECLARED["exclusions"]
    assert [(one["participant"], one["condition"]) for one in excluded] == [demo.TRACKING_LOST]


# The story of the ratings


def test_slosh_feels_most_real() -> None:
    realism = scores("weight_realism")
    assert omnibus_ps()["weight_realism"] < LEVEL
    assert realism.mean().idxmax() == "slosh"
    adjusted = pair_ps(realism)
    assert all(adjusted[frozenset(("slosh", other))] < LEVEL for other in ("still", "ladle", "coach"))


def test_coach_is_thought_best_for_training() -> None:
    effectiveness = scores("effectiveness")
    assert omnibus_ps()["effectiveness"] < LEVEL
    assert effectiveness.mean().idxmax() == "coach"
    adjusted = pair_ps(effectiveness)
    assert all(adjusted[frozenset(("coach", other))] < LEVEL for other in ("still", "slosh", "ladle"))


@pytest.mark.parametrize(("scale", "best"), [("weight_realism", "slosh"), ("effectiveness", "coach")])
def test_effects_have_the_size_of_real_studies(scale: str, best: str) -> None:
    values = scores(scale)
    for other in set(CONDITIONS) - {best}:
        assert 0.4 < effect(difference(values, best, other)) < 1.0


def test_effort_shows_no_clear_difference() -> None:
    effort = scores("effort")
    assert omnibus_ps()["effort"] > LEVEL
    assert min(signed_rank_p(difference(effort, *pair)) for pair in PAIRS) > LEVEL


def test_effort_is_not_shown_to_be_equal_either() -> None:
    """For five of the six pairs a difference that matters is not ruled out."""
    effort, bounds = scores("effort"), DECLARED["plan"]["equivalence"]["effort"]
    ruled_out = []
    for pair in PAIRS:
        differences = difference(effort, *pair)
        above = stats.wilcoxon(differences - bounds["low"], zero_method="pratt", alternative="greater").pvalue
        below = stats.wilcoxon(differences - bounds["high"], zero_method="pratt", alternative="less").pvalue
        ruled_out += [pair] if max(above, below) < LEVEL else []
    assert ruled_out == [("slosh", "coach")]


def test_the_two_planned_contrasts_show() -> None:
    contrasts = {one["measures"][0]: one["weights"] for one in DECLARED["plan"]["contrasts"]}
    assert set(contrasts) == {"weight_realism", "effectiveness"}
    ps = [
        signed_rank_p(sum(weight * scores(scale)[condition] for condition, weight in weights.items()).round(6))
        for scale, weights in contrasts.items()
    ]
    assert max(holm(ps)) < LEVEL


def test_people_differ_and_their_ratings_hang_together() -> None:
    realism = scores("weight_realism")
    effectiveness = scores("effectiveness").loc[realism.index]
    centred = [values.sub(values.mean()).to_numpy().ravel() for values in (realism, effectiveness)]
    assert 0.15 < np.corrcoef(*centred)[0, 1] < 0.7
    assert min(realism.mean(axis=1).std(), effectiveness.mean(axis=1).std()) > 0.3


# Comfort


def test_slosh_is_least_comfortable() -> None:
    comfort = scores("comfort")
    assert friedman_p(comfort) < LEVEL
    assert comfort.mean().idxmin() == "slosh"
    adjusted = pair_ps(comfort)
    assert all(adjusted[frozenset(("slosh", other))] < LEVEL for other in ("still", "ladle", "coach"))


def test_comfort_runs_into_the_ceiling() -> None:
    comfort = scores("comfort")
    assert (comfort[["still", "ladle", "coach"]] == 7).mean().min() > 0.6
    assert comfort.max().max() == 7


def test_still_and_coach_tie_for_everybody() -> None:
    comfort = forms()["comfort1"].unstack()[["still", "coach"]].dropna()
    assert (comfort["still"] == comfort["coach"]).all()


def test_ladle_against_still_could_never_have_reached_the_level() -> None:
    nonzero = int((difference(scores("comfort"), "ladle", "still") != 0).sum())
    assert 1 <= nonzero <= 5
    assert 2 / 2**nonzero > LEVEL


def test_every_other_comparison_could_have_reached_the_level() -> None:
    for scale in SCALES:
        for pair in PAIRS:
            if scale == "comfort" and set(pair) <= {"still", "ladle", "coach"}:
                continue
            nonzero = int((difference(scores(scale), *pair) != 0).sum())
            assert 2 / 2**nonzero * len(PAIRS) < LEVEL, (scale, pair)


def test_unease_rises_and_rises_most_where_slosh_was_uncomfortable() -> None:
    answers = read("responses/discomfort.csv").set_index(["participant", "occasion"]).astype(int)
    unease = answers.sum(axis=1).unstack()
    rise = unease["after"] - unease["before"]
    lost = difference(scores("comfort"), "still", "slosh")
    assert stats.wilcoxon(rise).pvalue < LEVEL
    assert stats.spearmanr(rise[lost.index], lost).statistic > 0.4


# Trials


def test_guesses_are_best_with_the_voice() -> None:
    error = trial_means("error")
    assert error.mean().idxmin() == "coach"
    assert error.mean().idxmax() == "still"
    assert signed_rank_p(difference(error, "still", "coach")) < LEVEL
    assert signed_rank_p(difference(error, "slosh", "coach")) < LEVEL


def test_slosh_makes_people_as_sure_as_the_voice_does_but_no_better_than_still() -> None:
    certainty, error = trial_means("certainty"), trial_means("error")
    assert signed_rank_p(difference(certainty, "slosh", "still")) < LEVEL
    assert signed_rank_p(difference(certainty, "coach", "still")) < LEVEL
    assert abs(effect(difference(certainty, "slosh", "coach"))) < 0.25
    assert signed_rank_p(difference(error, "slosh", "still")) > LEVEL


def test_more_than_half_is_said_more_often_of_fuller_pots() -> None:
    trials = read("responses/trials.csv")
    share = (trials["more_than_half"] == "yes").groupby(trials["filling"].astype(int)).mean()
    assert share.is_monotonic_increasing
    assert share.iloc[0] < 0.15
    assert share.iloc[-1] > 0.85


def test_certainty_is_lowest_at_half_full() -> None:
    trials = read("responses/trials.csv")
    certainty = trials["certainty"].astype(float).groupby(trials["filling"].astype(int)).mean()
    assert certainty.idxmin() == 50


def test_stirring_takes_time() -> None:
    seconds = trial_means("seconds")
    assert seconds.mean().idxmax() == "ladle"


# Preference


def ranks() -> pd.DataFrame:
    table = read("responses/ranking.csv").set_index("participant")
    return table[[f"rank_{condition}" for condition in CONDITIONS]].astype(int).set_axis(CONDITIONS, axis=1)


def test_rankings_are_complete() -> None:
    assert all(sorted(row) == [1, 2, 3, 4] for row in ranks().to_numpy())


def test_preference_splits() -> None:
    first = (ranks() == 1).sum()
    assert first.sum() == 22
    assert first.max() < 11
    assert sorted(first)[-1] == sorted(first)[-2]
    assert stats.chisquare(first).pvalue > 0.3
    assert friedman_p(ranks()) > 0.3
    assert ((ranks() == 4).sum() >= 3).all()


def test_reasons_are_everybodys_own() -> None:
    reasons = read("responses/ranking.csv", pilots=True)["reason"]
    assert (reasons.str.strip() != "").all()
    assert reasons.str.casefold().is_unique
    assert reasons.str.split().str[:3].str.join(" ").str.casefold().is_unique


# Interviews


@pytest.mark.parametrize("name", ["pilot", "reliability", "consensus", "main"])
def test_codings_are_well_formed(name: str) -> None:
    codings = read(f"codings/{name}.csv")
    version = "1" if name == "pilot" else "2"
    known = {"", *demo.CODES} if version == "2" else {"", demo.SPLIT_CODE, *demo.CODES} - set(demo.SPLIT_INTO)
    assert set(codings["codebook_version"]) == {version}
    assert set(codings["round"]) == {name}
    assert set(codings["code"]) <= known
    assert set(codings["stance"]) <= {"", "for", "against", "mixed"}
    assert {one for about in codings["about"] for one in about.split("+")} <= {"", *CONDITIONS}
    assert not codings.duplicated(["unit", "rater", "code"]).any()
    assert (codings["unit"].str.split("-").str[0] == codings["participant"]).all()
    assert (codings["transcript"] == codings["participant"]).all()
    assert set(codings[["start", "end"]].to_numpy().ravel()) == {""}
    nothing = codings[codings["code"] == ""]
    assert len(nothing)
    assert set(nothing[["about", "stance"]].to_numpy().ravel()) == {""}
    assert not set(zip(nothing["unit"], nothing["rater"], strict=True)) & set(
        zip(codings[codings["code"] != ""]["unit"], codings[codings["code"] != ""]["rater"], strict=True)
    )


def test_every_code_is_used_and_has_words() -> None:
    assert set(current_codings()["code"]) - {""} == set(demo.CODES)
    assert set(DECLARED["interviews"]["code_labels"]) == {*demo.CODES, demo.SPLIT_CODE}
    assert 12 <= len(demo.CODES) <= 16


def test_fourteen_were_interviewed() -> None:
    assert set(current_codings()["participant"]) == set(DECLARED["interviews"]["interviewed"])
    assert len(DECLARED["interviews"]["interviewed"]) == 14


def test_the_pilot_round_is_on_three_transcripts_and_both_raters_coded_all_of_it() -> None:
    pilot = read("codings/pilot.csv")
    assert set(pilot["transcript"]) == {"A03", "A09", "A16"}
    assert code_sets(pilot, "R1").keys() == code_sets(pilot, "R2").keys()


def test_the_reliability_round_draws_from_the_other_eleven_and_both_raters_coded_all_of_it() -> None:
    reliability = read("codings/reliability.csv")
    units = code_sets(reliability, "R1").keys()
    assert units == code_sets(reliability, "R2").keys()
    assert len(units) == 11 * 12
    assert not set(reliability["transcript"]) & {"A03", "A09", "A16"}


def test_every_unit_counts_once_under_the_second_version() -> None:
    consensus, main = (set(read(f"codings/{name}.csv")["unit"]) for name in ("consensus", "main"))
    assert not consensus & main
    assert consensus == set(read("codings/reliability.csv")["unit"])
    assert set(read("codings/pilot.csv")["unit"]) <= main
    assert set(read("codings/main.csv")["rater"]) == {"R1"}
    for participant in DECLARED["interviews"]["interviewed"]:
        numbers = sorted(int(unit[4:]) for unit in consensus | main if unit.startswith(participant))
        assert numbers == list(range(2, 2 * len(numbers) + 1, 2))


def test_consensus_keeps_what_both_raters_agreed_on() -> None:
    reliability, agreed = read("codings/reliability.csv"), code_sets(read("codings/consensus.csv"), "consensus")
    first, second = code_sets(reliability, "R1"), code_sets(reliability, "R2")
    assert all(agreed[unit] == first[unit] for unit in first if first[unit] == second[unit])


def test_one_code_was_split_after_the_pilot_round() -> None:
    pilot = read("codings/pilot.csv")
    assert demo.SPLIT_CODE in set(pilot["code"])
    assert kappa(pilot, demo.SPLIT_CODE) < 0.5
    assert set(demo.SPLIT_INTO) <= set(read("codings/main.csv")["code"])


def test_two_codes_are_confused() -> None:
    reliability = read("codings/reliability.csv")
    kappas = {code: kappa(reliability, code) for code in demo.CODES if code != demo.RARE_CODE}
    heft, strain = demo.CONFUSED
    first, second = code_sets(reliability, "R1"), code_sets(reliability, "R2")
    swapped = sum({heft, strain} == first[unit] ^ second[unit] for unit in first)
    assert swapped >= 5
    assert max(kappas[heft], kappas[strain]) < np.median(list(kappas.values()))


def test_the_rare_code_has_high_agreement_and_low_kappa() -> None:
    reliability = read("codings/reliability.csv")
    first, second = code_sets(reliability, "R1"), code_sets(reliability, "R2")
    rated = [(demo.RARE_CODE in first[unit], demo.RARE_CODE in second[unit]) for unit in first]
    assert 1 <= sum(a for a, _ in rated) <= 3
    assert np.mean([a == b for a, b in rated]) > 0.95
    assert kappa(reliability, demo.RARE_CODE) < 0.4


def test_most_codes_agree_as_in_real_studies() -> None:
    reliability = read("codings/reliability.csv")
    kappas = [kappa(reliability, code) for code in demo.CODES if code not in (*demo.CONFUSED, demo.RARE_CODE)]
    assert 0.6 < np.median(kappas) < 0.9
    assert min(kappas) > 0.5


def test_the_second_rater_drifts() -> None:
    reliability = read("codings/reliability.csv")
    first, second = code_sets(reliability, "R1"), code_sets(reliability, "R2")
    same = [first[unit] == second[unit] for unit in first]
    half = len(same) // 2
    assert np.mean(same[:half]) - np.mean(same[half:]) > 0.12
    agreed = code_sets(read("codings/consensus.csv"), "consensus")
    missed = {
        rater: [len(agreed[unit] - codes[unit]) for unit in agreed] for rater, codes in (("R1", first), ("R2", second))
    }
    assert sum(missed["R2"][half:]) > 1.5 * sum(missed["R2"][:half])
    assert sum(missed["R1"][half:]) < sum(missed["R2"][half:]) / 2


def test_a_few_interviews_contradict_the_ratings() -> None:
    realism, effectiveness, comfort = scores("weight_realism"), scores("effectiveness"), scores("comfort")
    rows = current_codings()
    against = rows[rows["stance"] == "against"].groupby(["participant", "code", "about"]).size()
    assert realism.loc["A04"].idxmax() == "slosh"
    assert against["A04", "MISMATCH", "slosh"] >= 3
    assert effectiveness.loc["A19"].idxmax() == "coach"
    assert against["A19", "LEARN", "coach"] + against["A19", "GUIDANCE", "coach"] >= 4
    assert not {"A19"} & (people("LEARN", "coach", "for") | people("GUIDANCE", "coach", "for"))
    assert (comfort.loc["A12"] == 7).all()
    assert against["A12", "UNEASE", "slosh"] >= 3


def test_interviews_compare_versions_in_one_breath() -> None:
    assert current_codings()["about"].str.contains("+", regex=False).sum() >= 10


def test_the_written_verdicts_hold() -> None:
    constructs = {one["id"]: one for one in DECLARED["constructs"]}
    assert [one["id"] for one in DECLARED["constructs"] if "verdict" in one] == ["realism", "training"]
    assert "most people name the soup" in constructs["realism"]["reason"]
    assert len(people("SWAY", "slosh", "for")) > 7
    assert "most of those interviewed praise the voice" in constructs["training"]["reason"]
    assert len(people("GUIDANCE", "coach", "for")) > 7
    assert "Several of the same people" in constructs["training"]["reason"]
    assert len(people("GUIDANCE", "coach", "for") & people("TRUST", "coach", "against")) >= 3
    assert {code for one in constructs.values() for code in one["codes"]} <= set(demo.CODES)


def test_one_does_not_allow_quotes() -> None:
    permissions = DECLARED["participants"]["permissions"]
    assert [one for one, allowed in permissions.items() if not allowed["quotes"]] == ["A07"]
    assert "A07" in DECLARED["interviews"]["interviewed"]


def test_the_note_says_that_all_is_invented() -> None:
    assert "invented" in DECLARED["note"]
