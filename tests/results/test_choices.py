"""Other choices of analysis: scored anew where needed, counted only where they change something."""

from __future__ import annotations

from dataclasses import replace

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.analysis.robustness import Conclusion
from workbench.errors import Finding
from workbench.results.chain import Evidence, collect, compared_of, comparison_of
from workbench.results.choices import (
    MEANS,
    MISSING,
    NO_EXCLUSIONS,
    complete_case_sensitivity,
)

FULL = [
    "A01 still 1 2 1 2",
    "A01 slosh 5 6 5 6",
    "A01 ladle 3 3 3 4",
    "A02 still 2 2 2 2",
    "A02 slosh 6 6 6 5",
    "A02 ladle 4 3 3 4",
    "A03 still 1 1 3 1",
    "A03 slosh 7 6 7 7",
    "A03 ladle 5 5 4 4",
    "A04 still 2 3 2 3",
    "A04 slosh 4 5 5 5",
    "A04 ladle 2 3 2 3",
]


def evidence(folder, *rows: str, **sections) -> Evidence:
    plan = {"primary": ["real"]} | sections.pop("plan", {})
    study_in(
        folder,
        instruments=[instrument("real", ["q1", "q2", "q3", "q4"], answers_needed=3)],
        questionnaires=[questionnaire("real", ["real"])],
        files={"real.csv": sheet("participant condition q1 q2 q3 q4", *rows)} | sections.pop("files", {}),
        conditions=("still", "slosh", "ladle"),
        participants=[f"A{number:02}" for number in range(1, 7)],
        plan=plan,
        **sections,
    )
    return collect(folder)


def under_choices(found: Evidence) -> list[Conclusion]:
    return compared_of(found).conclusions


def choices(found: Evidence) -> dict[str, dict[str, int]]:
    """n of each test by choice."""
    told: dict[str, dict[str, int]] = {}
    for one in under_choices(found):
        name = " ".join(one.question.pair) if one.question.pair else one.question.kind
        told.setdefault(one.choice, {})[name] = one.n
    return told


GAPS = [
    "A05 still 1 2 . 1",
    "A05 slosh 6 5 6 7",
    "A05 ladle 4 4 3 3",
    "A06 still 1 . . 2",
    "A06 slosh 5 5 6 6",
    "A06 ladle 2 4 4 4",
]


def test_scores_are_made_anew_under_other_missing_rules(tmp_path):
    found = choices(evidence(tmp_path, *FULL, *GAPS))
    assert set(found[""].values()) == {5}  # A06 has two of three answers needed in one condition
    assert set(found[MISSING["half"]].values()) == {6}
    assert set(found[MISSING["complete"]].values()) == {4}
    assert MISSING["instrument"] not in found


def test_choices_that_change_nothing_are_not_there(tmp_path):
    found = choices(evidence(tmp_path, *FULL))
    assert not set(MISSING.values()) & set(found)
    assert not any("without" in choice for choice in found)
    assert MEANS in found


def test_cases_change_pairs_and_not_the_omnibus_test(tmp_path):
    found = choices(evidence(tmp_path, *FULL, "A05 still 1 2 2 1", "A05 slosh 6 5 6 7"))
    assert found["all participants with those compared"] == {"still slosh": 5}
    other = choices(
        evidence(tmp_path / "b", *FULL, "A05 still 1 2 2 1", "A05 slosh 6 5 6 7", plan={"cases": "available"})
    )
    assert other["only participants with all conditions"] == {"still slosh": 4}


def test_exclusions_are_undone_where_they_concern_a_primary_measure(tmp_path):
    left_out = [{"participant": "A04", "condition": "ladle", "measures": ["real"], "reason": "lost tracking"}]
    found = choices(evidence(tmp_path, *FULL, exclusions=left_out))
    assert set(found[""].values()) == {3}
    assert set(found[NO_EXCLUSIONS].values()) == {4}


def test_exclusions_of_trials_are_undone_too(tmp_path):
    measures = [{"id": "seconds", "label": "Seconds", "column": "seconds", "summary": "mean"}]
    rows = [
        f"A{person:02} {where} {person + place * 2 + trial}"
        for person in range(1, 5)
        for place, where in enumerate(("still", "slosh", "ladle"))
        for trial in (0, 1)
    ]
    found = choices(
        evidence(
            tmp_path,
            *FULL,
            plan={"primary": ["seconds"]},
            trials=[{"id": "lifts", "files": ["trials.csv"], "measures": measures}],
            files={"trials.csv": sheet("participant condition seconds", *rows)},
            exclusions=[{"participant": "A01", "reason": "no consent"}],
        )
    )
    assert set(found[""].values()) == {3}
    assert set(found[NO_EXCLUSIONS].values()) == {4}


def test_flagged_participants_are_left_out_as_a_choice(tmp_path):
    whole = evidence(tmp_path, *FULL)
    flagged = replace(whole, findings=(Finding("attention", "order as run", "log.csv", "A02", "", ""),))
    found = choices(flagged)
    assert set(found["without those run in another order (n = 1)"].values()) == {3}


def test_families_over_several_measures_are_corrected_as_a_whole(tmp_path):
    families = [{"id": "all", "tests": "pairs", "measures": ["real", "seconds"]}]
    measures = [{"id": "seconds", "label": "Seconds", "column": "seconds", "summary": "mean"}]
    rows = [
        f"A{person:02} {where} {person + place * 2}"
        for person in range(1, 5)
        for place, where in enumerate(("still", "slosh", "ladle"))
    ]
    found = evidence(
        tmp_path,
        *FULL,
        plan={"families": families},
        trials=[{"id": "lifts", "files": ["trials.csv"], "measures": measures}],
        files={"trials.csv": sheet("participant condition seconds", *rows)},
    )
    told = under_choices(found)
    assert {one.question.measure for one in told} == {"real"}
    (pair,) = [one for one in told if one.choice == "asymptotic p" and one.question.pair == ("still", "slosh")]
    # four differences of one sign: z = 5 / sqrt(7.5), p = .0679. Those of seconds are all alike: z = 2, p = .0455, first in
    # Holm's order of six tests; three times .0679 is less than that.
    assert pair.test.p == pytest.approx(0.0679, abs=5e-4)
    assert pair.test.adjusted == pytest.approx(6 * 0.0455003, rel=1e-5)


@pytest.mark.parametrize("primary", [[], ["real"]])
def test_without_values_or_primary_measures_there_is_nothing(tmp_path, primary):
    found = evidence(tmp_path, *(FULL if not primary else FULL[:1]), plan={"primary": primary})
    assert under_choices(found) == []


def test_progress_and_stopping(tmp_path):
    found, seen = evidence(tmp_path, *FULL), []
    compared_of(found, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(done, seen[-1][1]) for done in range(1, seen[-1][1] + 1)]

    def stop(done, total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        compared_of(found, progress=stop)


def test_complete_cases_leave_out_scores_that_rest_on_gaps(tmp_path):
    rows = [*FULL[:-1], "A04 ladle 2 . 2 3", "A05 still 1 2 1 1", "A05 slosh . . 5 6", "A05 ladle 3 3 4 4"]
    found = evidence(tmp_path, *rows)
    (one,) = complete_case_sensitivity(found, comparison_of(found))
    # by hand: 15 sessions, of which A05 in slosh has two answers of four (three are needed) and A04 in ladle three
    assert (one.n, one.n_whole) == (14, 13)
    ladle = {description.condition: description.mean for description in one.whole.descriptions}["ladle"]
    assert ladle == pytest.approx((13 / 4 + 14 / 4 + 18 / 4 + 14 / 4) / 4)
    assert one.by_plan.omnibus is not None
    assert (one.by_plan.omnibus.result.n_used, one.whole.omnibus.result.n_used) == (4, 3)


def test_complete_cases_say_nothing_where_every_score_is_whole(tmp_path):
    found = evidence(tmp_path, *FULL)
    assert complete_case_sensitivity(found, comparison_of(found)) == []
