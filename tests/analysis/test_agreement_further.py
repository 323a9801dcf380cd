"""What goes beyond coefficients: versions, consensus, stance, spans, drift, further units, and what to settle first."""

from __future__ import annotations

import csv
from collections import defaultdict
from itertools import product
from math import isnan

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import cohen_kappa_score
from study_folders import study_in
from typer.testing import CliRunner

from workbench.analysis.agreement import RoundAgreement, agreement
from workbench.analysis.disagreements import masi_distance, typical_words
from workbench.cli import app
from workbench.codebook.model import Code, Codebook, Codebooks
from workbench.coding.codings import CODING_COLUMNS
from workbench.report.agreement_sentences import against_threshold, paper_sentences, paradox_sentence
from workbench.report.tables.agreement import agreement_made

pytestmark = pytest.mark.xdist_group("test_agreement_further")
"""What the whole module shares is made once."""

ROUNDS = [
    {"id": "pilot", "kind": "pilot"},
    {"id": "rely", "kind": "reliability"},
    {"id": "agreed", "kind": "consensus"},
]


def row(unit, rater, code="", *, who="A01", round="rely", version="1", about="", stance="", start="", end=""):
    return who, who, unit, start, end, rater, round, version, code, about, stance


def rows_of(*rows) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(CODING_COLUMNS)).astype("str")


def found_in(folder, rows, *, raters=("R1", "R2"), **more) -> list[RoundAgreement]:
    folder.mkdir(exist_ok=True)
    study = study_in(folder, interviews={"mode": "codebook", "raters": list(raters), "rounds": ROUNDS})
    return agreement(study, rows, **{"resamples": 0, **more})


# ----------------------------------------------------------------------------------------- versions


def test_a_code_that_one_rater_could_not_use_is_no_disagreement(tmp_path):
    rows = rows_of(
        row("u1", "R1", "H"), row("u1", "R2", "H"),
        row("u2", "R1", "H"), row("u2", "R2", "NEW", version="2"),
        row("u3", "R1", version="2"), row("u3", "R2", "NEW", version="2"),
    )  # fmt: skip
    books = Codebooks((Codebook("1", (Code("H"),)), Codebook("2", (Code("H"), Code("NEW")))))
    (found,) = found_in(tmp_path, rows, codebooks=books)
    new = next(one for one in found.codes if one.code == "NEW")
    assert (new.n_units, new.n_unusable, new.n_applied) == (1, 2, 1)
    assert new.percent.value == 0.0
    assert "did not have the code" in new.reason
    heavy = next(one for one in found.codes if one.code == "H")
    assert (heavy.n_units, heavy.n_unusable) == (3, 0)


def test_a_code_of_the_codebook_that_nobody_applied_is_named(tmp_path):
    rows = rows_of(row("u1", "R1", "H"), row("u1", "R2", "H"), row("u2", "R1"), row("u2", "R2"))
    books = Codebooks((Codebook("1", (Code("H"), Code("IDLE"))),))
    idle = found_in(tmp_path, rows, codebooks=books)[0].codes[1]
    assert (idle.code, idle.n_units, idle.n_applied) == ("IDLE", 2, 0)
    assert isnan(idle.kappa.value)
    assert "nobody applied it" in idle.reason


def test_a_code_that_one_rater_never_applied_is_named(tmp_path):
    rows = rows_of(row("u1", "R1", "H"), row("u1", "R2", "S"), row("u2", "R1", "S"), row("u2", "R2", "S"))
    heavy = found_in(tmp_path, rows)[0].codes[0]
    assert heavy.reason == "never applied by R2"
    assert heavy.kappa.value == 0.0


def test_changes_of_the_codebook_stand_between_rounds(tmp_path):
    rows = rows_of(
        row("u1", "R1", "OLD", round="pilot"), row("u1", "R2", "OLD", round="pilot"),
        row("u2", "R1", "A", version="2"), row("u2", "R2", "B", version="2"),
    )  # fmt: skip
    books = Codebooks(
        (Codebook("1", (Code("OLD"),)), Codebook("2", (Code("A", split_from="OLD"), Code("B", split_from="OLD"))))
    )
    found = found_in(tmp_path, rows, codebooks=books)
    assert [(one.kind, one.before, one.after) for one in found[1].changes] == [("split", ("OLD",), ("A", "B"))]
    study = study_in(tmp_path, interviews={"mode": "codebook", "raters": ["R1", "R2"], "rounds": ROUNDS})
    by_round = next(table for table in agreement_made(study, found) if table.name == "agreement_by_round")
    assert [(one["code"], one["change"]) for one in by_round.rows] == [
        ("A", "split from OLD"),
        ("B", "split from OLD"),
        ("OLD", "split into A and B"),
    ]
    untold = next(t for t in agreement_made(study, found_in(tmp_path, rows)) if t.name == "agreement_by_round")
    assert [one["change"] for one in untold.rows] == ["in version 2 only", "in version 2 only", "in version 1 only"]


# ---------------------------------------------------------------------------------------- consensus


def test_how_the_consensus_was_reached(tmp_path):
    given = {"u1": ("H", "H"), "u2": ("H", "S"), "u3": ("H", "S"), "u4": ("", "S"), "u5": ("H", "")}
    agreed = {"u1": "H", "u2": "H", "u3": "S", "u4": "H"}
    rows = [
        row(unit, rater, code) for unit, codes in given.items() for rater, code in zip(("R1", "R2"), codes, strict=True)
    ]
    rows += [row(unit, "consensus", code, round="agreed") for unit, code in agreed.items()]
    (found,) = found_in(tmp_path, rows_of(*rows))
    resolved = found.resolution
    assert (resolved.n_settled, resolved.n_as_all, resolved.n_as, resolved.n_other) == (4, 1, {"R1": 1, "R2": 1}, 1)
    assert resolved.share_same == pytest.approx(4 / 5)
    assert found.same_sets.value == pytest.approx(1 / 5)
    told = " ".join(paper_sentences([found]))
    assert "Before consensus they gave the same codes to 20 % of these units" in told
    assert "After consensus 80 % of the units" in told


# ------------------------------------------------------------------------------ condition and stance


def test_condition_and_stance_where_both_applied_the_code(tmp_path):
    pairs = [
        ("u1", ("still", "for"), ("still", "for")),
        ("u2", ("still+slosh", "mixed"), ("slosh", "against")),
        ("u3", ("slosh", "for"), ("slosh", "mixed")),
        ("u4", ("", ""), ("", "")),
        ("u5", ("still", "against"), None),
    ]
    rows = []
    for unit, *given in pairs:
        for rater, one in zip(("R1", "R2"), given, strict=True):
            rows.append(row(unit, rater, "H", about=one[0], stance=one[1]) if one else row(unit, rater))
    everything, heavy = found_in(tmp_path, rows_of(*rows))[0].about
    assert (everything.code, heavy.code) == ("", "H")
    # conditions: {still}{still}, {still,slosh}{slosh}, {slosh}{slosh}, {}{}: three of four the same
    assert (heavy.n_about, heavy.about_same.value) == (4, 0.75)
    # observed: MASI of {still,slosh} and {slosh} is 1 - 1/2 x 2/3 = 2/3; expected over all 28 pairs of the eight sets
    sets = [{"still"}, {"still"}, {"still", "slosh"}, {"slosh"}, {"slosh"}, {"slosh"}, set(), set()]
    chance = [masi_distance(frozenset(a), frozenset(b)) for i, a in enumerate(sets) for b in sets[:i]]
    assert heavy.about.value == pytest.approx(1 - (2 / 3 / 4) / (sum(chance) / 28))
    # stances about a condition both named: u1 still (for, for), u2 slosh (mixed, against), u3 slosh (for, mixed)
    assert (heavy.n_stance, heavy.stance_same.value) == (3, pytest.approx(1 / 3))
    theirs = cohen_kappa_score([1, 0, 1], [1, -1, 0], labels=[-1, 0, 1], weights="linear")
    assert heavy.stance_weighted.value == pytest.approx(theirs)


def test_two_stances_about_one_condition_are_mixed(tmp_path):
    rows = rows_of(
        row("u1", "R1", "H", about="still", stance="for"), row("u1", "R1", "H", about="still", stance="against"),
        row("u1", "R2", "H", about="still", stance="mixed"),
    )  # fmt: skip
    heavy = found_in(tmp_path, rows)[0].about[1]
    assert (heavy.n_stance, heavy.stance_same.value) == (1, 1.0)


def test_no_condition_and_no_stance_no_table(tmp_path):
    assert found_in(tmp_path, rows_of(row("u1", "R1", "H"), row("u1", "R2", "H")))[0].about == ()


# -------------------------------------------------------------------------------------------- spans


def test_spans_are_laid_end_to_end_and_overlaps_joined(tmp_path):
    rows = rows_of(
        row("u1", "R1", "H", start="0", end="10"), row("u1", "R2", "H", start="2", end="10"),
        row("u2", "R1", "H", start="5", end="9"), row("u2", "R1", "H", start="8", end="12"),
        row("u2", "R2", "H", start="5", end="x"), row("u3", "R1"), row("u3", "R2", "H", start="0", end="4"),
    )  # fmt: skip
    texts = {"u1": "a" * 20, "u2": "b" * 20, "u3": "c" * 20}
    spans = found_in(tmp_path, rows, texts=texts)[0].spans
    assert (spans.n_units, spans.n_joined, spans.n_unreadable, spans.lengths_known) == (3, 1, 1, True)
    # R1 marks 0-10 and 25-32, R2 2-10 and 40-44: 8 places of both, 10 + 7 + 4 of either
    assert spans.result.overlap["H"] == pytest.approx(8 / 21)
    unknown = found_in(tmp_path, rows)[0].spans
    assert not unknown.lengths_known
    beyond = found_in(tmp_path, rows, texts=texts | {"u3": "cc"})[0].spans
    assert beyond.n_unreadable == 2


def test_no_places_no_spans(tmp_path):
    assert found_in(tmp_path, rows_of(row("u1", "R1", "H"), row("u1", "R2", "H")))[0].spans is None


# --------------------------------------------------------------------------------- what to settle first

CODES = tuple(f"C{number}" for number in range(1, 9))
PARTICIPANTS, UNITS = 24, 20


def planted(seed: int) -> pd.DataFrame:
    """R2 takes C1 for C2 and back, misses half of C5, and misses more of everything as coding goes on."""
    rng = np.random.default_rng(seed)
    n = PARTICIPANTS * UNITS
    true = rng.random((n, len(CODES))) < 0.12
    rows = []
    for place in range(n):
        who, unit = f"P{place // UNITS:02}", f"P{place // UNITS:02}-{place % UNITS:03}"
        for rater in ("R1", "R2"):
            given = set()
            for code in np.flatnonzero(true[place]):
                missed = 0.05 if rater == "R1" else 0.03 + 0.3 * place / n + 0.5 * (code == 4)
                swapped = code in (0, 1) and rng.random() < (0.4 if rater == "R2" else 0.0)
                if rng.random() >= missed:
                    given.add(CODES[1 - code if swapped else code])
            rows += [row(unit, rater, code, who=who) for code in sorted(given)] or [row(unit, rater, who=who)]
    return rows_of(*rows)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_was_planted_comes_first(tmp_path, seed):
    (found,) = found_in(tmp_path, planted(seed), resamples=300)
    first, second = found.disagreements.confusions[:2]
    assert (first.first, first.second) == ("C1", "C2")
    assert first.n > 4 * first.expected
    assert first.n - first.expected > 3 * (second.n - second.expected)
    costs = found.disagreements.sorts
    assert {(one.kind, one.codes) for one in costs[:2]} == {("label", ("C1", "C2")), ("omission", ("C5",))}
    assert next(one for one in costs if one.kind == "omission").raters == ("R1", "R2")
    drifting = max(found.drift.left_out, key=lambda trend: trend.change)
    assert drifting.rater == "R2"
    assert drifting.interval.low > 0
    steady = next(trend for trend in found.drift.left_out if trend.rater == "R1")
    assert abs(steady.change) < drifting.change
    assert found.drift.same_sets.change < 0


def test_the_planted_drift_is_found_in_its_size(tmp_path):
    """0.3 from the first to the last unit for six codes, 0.6 of that for the two that R2 swaps: 0.27, over three seeds."""
    found = [found_in(tmp_path / str(seed), planted(seed))[0].drift.left_out[1] for seed in (1, 2, 3)]
    assert [trend.rater for trend in found] == ["R2"] * 3
    assert np.mean([trend.change for trend in found]) == pytest.approx(0.27, abs=0.08)


def test_kinds_of_disagreement(tmp_path):
    given = {
        "u1": ("A", "A"),
        "u2": ("", "A"),  # R1 has A in the unit before
        "u3": ("B", "C"),  # one code for the other
        "u4": ("", ""),
        "u5": ("D", ""),  # nobody has D beside it
    }
    rows = [
        row(unit, rater, code) for unit, codes in given.items() for rater, code in zip(("R1", "R2"), codes, strict=True)
    ]
    (found,) = found_in(tmp_path, rows_of(*rows))
    assert {(one.kind, one.codes, one.raters) for one in found.disagreements.sorts} == {
        ("boundary", ("A",), ("R2", "R1")),
        ("label", ("B", "C"), ("R1", "R2")),
        ("omission", ("D",), ("R1", "R2")),
    }
    # each of the three units is at distance 1, and each sort takes all of its unit's away
    assert [one.cost for one in found.disagreements.sorts] == pytest.approx([1 / 3] * 3)
    gain = (1 - found.overall.value) / 3
    assert found.disagreements.sorts[0].alpha_gain == pytest.approx(gain)
    assert [hard.unit for hard in found.disagreements.hard] == [("A01", "u3")]
    assert found.disagreements.disputed == (("A01", "u2"), ("A01", "u3"), ("A01", "u5"))


def test_alpha_gain_is_what_settling_brings_when_expected_disagreement_is_held(tmp_path):
    (found,) = found_in(tmp_path, planted(5))
    sort = found.disagreements.sorts[0]
    sets = {}
    for (_, unit, rater), part in planted(5).groupby(["transcript", "unit", "rater"]):
        sets.setdefault(unit, {})[rater] = frozenset(code for code in part["code"] if code)
    settled = {unit for _, unit in sort.units}

    def observed(agreed: bool) -> float:
        def of(unit: str, rater: str) -> frozenset[str]:
            return sets[unit][rater] | (frozenset(sort.codes) if agreed and unit in settled else frozenset())

        return sum(masi_distance(of(unit, "R1"), of(unit, "R2")) for unit in sets) / len(sets)

    gain = (observed(False) - observed(True)) / found.overall.expected_disagreement
    assert sort.alpha_gain == pytest.approx(gain)


def test_confusions_expected_by_chance_step_by_step(tmp_path):
    given = {"u1": ("A", "B"), "u2": ("A", "B"), "u3": ("B", "A"), "u4": ("A", ""), "u5": ("AB", "A")}
    rows = [
        row(unit, rater, code)
        for unit, codes in given.items()
        for rater, several in zip(("R1", "R2"), codes, strict=True)
        for code in several or [""]
    ]
    (pair,) = found_in(tmp_path, rows_of(*rows))[0].disagreements.confusions
    assert (pair.n, pair.by_direction) == (3, {("R1", "R2"): 2, ("R2", "R1"): 1})
    # only R1 has A in u1 u2 u4, only R2 has B in u1 u2; only R1 has B in u3 u5, only R2 has A in u3
    assert pair.expected == pytest.approx(3 * 2 / 5 + 2 * 1 / 5)


def test_permuting_raters_changes_no_cost(tmp_path):
    rows = planted(4)
    one, other = (found_in(tmp_path, rows, raters=raters)[0] for raters in (("R1", "R2"), ("R2", "R1")))
    for name in ("cost", "alpha_gain"):
        assert [getattr(sort, name) for sort in one.disagreements.sorts] == pytest.approx(
            [getattr(sort, name) for sort in other.disagreements.sorts]
        )


def test_few_units_have_no_drift_and_few_participants_no_interval(tmp_path):
    few = [row(f"u{unit}", rater, "H") for unit in range(8) for rater in ("R1", "R2")]
    assert found_in(tmp_path, rows_of(*few))[0].drift is None
    more = [
        row(f"u{unit:02}", rater, "H" if unit % 3 else "", who=f"A0{1 + unit // 9}")
        for unit in range(27)
        for rater in ("R1", "R2")
    ]
    found = found_in(tmp_path, rows_of(*more), resamples=50)[0].drift
    assert found.n_units == (9, 9, 9)
    assert not found.same_sets.interval.defined
    assert "needs 5" in found.same_sets.interval.method


def test_words_of_disputed_units():
    texts = {f"d{n}": "the pot felt heavy today" for n in range(6)} | {f"o{n}": "the pot looked fine" for n in range(6)}
    found = typical_words(texts, [f"d{n}" for n in range(6)], [f"o{n}" for n in range(6)])
    assert [word.word for word in found] == ["felt", "heavy", "today"]
    # 6 of 6 against 0 of 6, half a unit added to each cell: 2 x ln(6.5 / 0.5) over the root of 2 / 6.5 + 2 / 0.5
    expected = 2 * np.log(13) / np.sqrt(2 / 6.5 + 2 / 0.5)
    assert found[0].z == pytest.approx(expected)
    assert (found[0].n_disputed, found[0].n_others) == (6, 0)
    assert typical_words({}, ["d1"], ["o1"]) == []
    assert typical_words({"d1": "one", "o1": "two"}, ["d1"], ["o1"]) == []


def test_a_word_keeps_what_stands_behind_an_apostrophe_or_a_hyphen():
    disputed = {f"d{n}": "I shouldn't, you’ve half-lifted it" for n in range(4)}
    others = {f"o{n}": "I lifted it" for n in range(4)}
    found = typical_words(disputed | others, list(disputed), list(others))
    assert {word.word for word in found} == {"shouldn't", "you’ve", "half-lifted"}


# ---------------------------------------------------------------------------------------- the sample


def test_what_the_sample_can_show(tmp_path):
    (found,) = found_in(tmp_path, planted(1), half_width=0.08)
    plan = found.sample
    assert (plan.kappa, plan.half_width, plan.units_per_participant) == (0.8, 0.08, UNITS)
    assert plan.design_effect == pytest.approx(1 + (UNITS - 1) * plan.likeness)
    heavy = plan.codes[0]
    assert heavy.n_units == PARTICIPANTS * UNITS
    assert heavy.expected_half_width < 0.12
    assert heavy.more == max(heavy.needed - heavy.n_units, 0)
    wide = found_in(tmp_path, planted(1), half_width=0.3)[0].sample
    assert all((one.more, one.more_targeted) == (0, 0) for one in wide.codes)


def test_a_pilot_plans_no_sample(tmp_path):
    rows = rows_of(row("u1", "R1", "H", round="pilot"), row("u1", "R2", "H", round="pilot"))
    assert found_in(tmp_path, rows)[0].sample is None


def test_the_same_seed_gives_the_same_plan(tmp_path):
    one, other = (found_in(tmp_path, planted(1))[0].sample for _ in range(2))
    assert [code.needed for code in one.codes] == [code.needed for code in other.codes]


# ---------------------------------------------------------------------------------------- sentences


def test_what_an_interval_says_of_a_threshold(tmp_path):
    (found,) = found_in(tmp_path, planted(2), resamples=200)
    code = found.codes[5]
    low, high = code.kappa.bootstrap_interval.low, code.kappa.bootstrap_interval.high
    assert code.n_applied >= 10
    assert against_threshold(low, code) == "reaches"
    assert against_threshold((low + high) / 2, code) == "cannot tell"
    assert against_threshold(high + 0.01, code) == "excludes"
    assert against_threshold(None, code) is None
    rare = [
        row(f"u{unit}", rater, "H" if unit < 3 else "", who=f"A0{1 + unit % 3}")
        for unit in range(30)
        for rater in ("R1", "R2")
    ]
    (few,) = found_in(tmp_path, rows_of(*rare), resamples=50)
    assert (few.codes[0].kappa.value, few.codes[0].n_applied) == (1.0, 3)
    assert against_threshold(0.6, few.codes[0]) == "cannot tell"


def test_the_paradox_is_told_in_the_studys_own_numbers(tmp_path):
    given = [("H", "")] + [("", "H")] + [("S", "S")] * 10 + [("", "")] * 10
    rows = [
        row(f"u{unit:02}", rater, code)
        for unit, codes in enumerate(given)
        for rater, code in zip(("R1", "R2"), codes, strict=True)
    ]
    (found,) = found_in(tmp_path, rows_of(*rows))
    told = paradox_sentence(found)
    assert "on H (R1 5 %, R2 5 %) raters agree on 91 % of units (on 0 % where it was applied), kappa is −.05" in told


def test_no_verdict_stands_in_any_table(tmp_path):
    study = study_in(tmp_path, interviews={"mode": "codebook", "raters": ["R1", "R2"], "rounds": ROUNDS})
    made = agreement_made(study, found_in(tmp_path, planted(1)))
    told = " ".join([note for table in made for note in table.notes] + [table.title for table in made]).lower()
    for verdict in (
        "almost perfect",
        "substantial",
        "moderate",
        "acceptable",
        "good",
        "poor",
        "excellent",
        "unreliable",
    ):
        assert verdict not in told


def test_words_are_shown_only_of_units_whose_words_are_given(tmp_path):
    rows = rows_of(
        row("u1", "R1", "H"), row("u1", "R2", "S"),
        row("u2", "R1", "H", who="A02"), row("u2", "R2", "S", who="A02"),
    )  # fmt: skip
    study = study_in(
        tmp_path, participants=["A01", "A02"], interviews={"mode": "codebook", "raters": ["R1", "R2"], "rounds": ROUNDS}
    )
    made = agreement_made(study, agreement(study, rows, resamples=0), {"u1": "It was heavy."})
    hard = next(table for table in made if table.name == "agreement_hard_units")
    assert [one["words"] for one in hard.rows] == ["It was heavy.", "(not quoted)"]


def test_a_half_width_that_cannot_be_is_wrong_use(demo):
    found = CliRunner().invoke(app, ["agreement", str(demo.folder), "--half-width", "2"])
    assert found.exit_code == 2
    assert "half_width" in found.stderr


# --------------------------------------------------------------------------------------- the demo


def test_every_figure_of_the_demo_by_hand_from_its_files(demo):
    """Percent, specific agreement, kappa, AC1 and alpha of each code, from the CSV with plain arithmetic."""
    given = defaultdict(lambda: defaultdict(set))
    with (demo.folder / "codings" / "reliability.csv").open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            given[line["unit"]][line["rater"]] |= {line["code"]} - {""}
    n = len(given)
    shown = {one["code"]: one for one in demo.rows("agreement") if one["round"] == "reliability"}
    codes = set().union(*(codes for raters in given.values() for codes in raters.values()))
    assert set(shown) == codes
    assert len(codes) == 14
    for code in codes:
        cells = dict.fromkeys(product((True, False), repeat=2), 0)
        for raters in given.values():
            cells[code in raters["R1"], code in raters["R2"]] += 1
        a, b, c, d = cells[True, True], cells[True, False], cells[False, True], cells[False, False]
        first, second, both = (a + b) / n, (a + c) / n, (2 * a + b + c) / (2 * n)
        agree = (a + d) / n
        chance = first * second + (1 - first) * (1 - second)
        expected = {
            "n_units": n,
            "n_applied": a + b + c,
            "prevalence_R1": first,
            "prevalence_R2": second,
            "percent_agreement": agree,
            "positive": 2 * a / (2 * a + b + c),
            "negative": 2 * d / (2 * d + b + c),
            "kappa": (agree - chance) / (1 - chance),
            "ac1": (agree - 2 * both * (1 - both)) / (1 - 2 * both * (1 - both)),
            "alpha": 1 - (2 * n - 1) * (b + c) / ((2 * a + b + c) * (2 * d + b + c)),
        }
        assert {name: shown[code][name] for name in expected} == pytest.approx(expected), code


def test_the_story_of_the_demo(demo):
    confused = demo.rows("agreement_confusions")
    first = {one["round"]: (one["first"], one["second"]) for one in reversed(confused)}
    assert first == {"reliability": ("EFFORT_BODY", "HEFT"), "pilot": ("EFFORT", "HEFT")}
    by_round = {one["code"]: one for one in demo.rows("agreement_by_round")}
    assert by_round["EFFORT"]["change"] == "split into EFFORT_BODY and EFFORT_MIND"
    assert (
        min((one["kappa_pilot"], code) for code, one in by_round.items() if one["kappa_pilot"] is not None)[1]
        == "EFFORT"
    )
    drift = {one["what"]: one for one in demo.rows("agreement_drift")}
    assert drift["Left out by R2, of what others applied"]["change_low"] > 0
    assert drift["Left out by R1, of what others applied"]["change_low"] < 0
    sample = {one["code"]: one for one in demo.rows("agreement_sample")}
    assert max(sample.values(), key=lambda one: one["needed"])["code"] == "SCALD"
    (rely,) = [one for one in demo.rows("agreement_rounds") if one["round"] == "reliability"]
    assert (rely["n_double"], rely["n_settled"], rely["same_after"]) == (132, 132, 1.0)
    (main,) = [one for one in demo.rows("agreement_rounds") if one["round"] == "main"]
    assert "Only R1 coded here" in main["reason"]
    assert demo.rows("agreement_disagreements")[0]["codes"] == "EFFORT_BODY / HEFT"
