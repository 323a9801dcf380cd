"""The analysis finds the truths that the generator planted in the demo's data."""

from __future__ import annotations

import itertools
import shutil

import pytest
from demo_generator import (
    ASSIGNED,
    CONDITIONS,
    DROPPED_OUT,
    ENROLLED,
    FOLDER,
    MISKEYED_ITEM,
    SAME_ANSWER,
    SECONDS,
    SEQUENCES,
    VERSIONS_BEFORE_DROPPING_OUT,
    WITHDRAWN,
    WRONG_ORDER,
)
from written_files import parts_of

from workbench.results.chain import collect
from workbench.study import open_study, plan_changed

LABELS = {"still": "Still", "slosh": "Slosh", "ladle": "Ladle", "coach": "Coach"}


def pairs(demo, measure):
    return {(row["first"], row["second"]): row for row in demo.rows("pairs") if row["measure"] == measure}


def above(demo, measure, higher, lower):
    """Whether `higher` is shown above `lower` on a measure."""
    found = pairs(demo, measure)
    row = found.get((LABELS[higher], LABELS[lower])) or found[LABELS[lower], LABELS[higher]]
    sign = 1 if row["first"] == LABELS[higher] else -1
    return row["shown"] == "yes" and sign * row["hodges_lehmann"] > 0


@pytest.mark.parametrize("other", ["still", "ladle", "coach"])
def test_slosh_feels_most_real(demo, other):
    assert above(demo, "weight_realism", "slosh", other)


@pytest.mark.parametrize("other", ["still", "ladle", "coach"])
def test_slosh_is_least_comfortable(demo, other):
    assert above(demo, "comfort", other, "slosh")


@pytest.mark.parametrize("other", ["still", "slosh", "ladle"])
def test_coach_is_most_effective(demo, other):
    assert above(demo, "effectiveness", "coach", other)


def test_effort_shows_no_difference_and_is_not_called_equal(demo):
    assert not any(above(demo, "effort", a, b) for a, b in itertools.permutations(CONDITIONS, 2))
    (headline,) = (row["headline"] for row in demo.rows("headlines") if row["measure"] == "effort")
    assert headline.startswith("Effort: no difference between the conditions was shown")
    assert "this does not show that they are equal" in headline


def test_effort_is_not_shown_to_be_equal_either(demo):
    rows = demo.rows("equivalence")
    assert {(row["measure"], row["bound_low"], row["bound_high"]) for row in rows} == {("effort", -0.5, 0.5)}
    assert len(rows) == 6
    within = sum(row["shown"] == "yes" for row in rows)
    (headline,) = (row["headline"] for row in demo.rows("headlines") if row["measure"] == "effort")
    assert f"{within} of 6 pairs are shown to lie within the bounds of equivalence" in headline


def test_lifts_get_quicker_and_ratings_do_not_follow_position(demo):
    effects = {row["measure"]: row for row in demo.rows("order_effects")}
    seconds = sum(SECONDS.values()) / len(SECONDS)
    planted = seconds * (0.93**2 + 0.93**3 - 0.93**0 - 0.93**1) / 2
    assert effects["lift_seconds"]["hodges_lehmann_low"] < planted < effects["lift_seconds"]["hodges_lehmann_high"] < 0
    for measure in ("weight_realism", "effectiveness", "effort"):
        assert effects[measure]["hodges_lehmann_low"] <= 0 <= effects[measure]["hodges_lehmann_high"]
        assert effects[measure]["standing"] == "primary"


def test_balance_is_planned_by_the_squares_and_run_by_the_log(demo):
    people = [one for one in ENROLLED if one != WITHDRAWN]
    counts = {(row["kind"], row["place"], row["condition"]): row for row in demo.rows("order_balance")}
    assert len(counts) == 16 + 12
    for place, condition in itertools.product(range(4), CONDITIONS):
        planned = sum(SEQUENCES[f"S{ASSIGNED[one]}"][place] == condition for one in people)
        assert counts["in position", str(place + 1), LABELS[condition]]["planned"] == planned
    assert counts["straight after", "Still", "Coach"]["run"] == counts["straight after", "Still", "Coach"]["planned"]
    lost = sum(row["planned"] - row["run"] for row in counts.values() if row["kind"] == "in position")
    assert lost == len(CONDITIONS) - VERSIONS_BEFORE_DROPPING_OUT


def test_conclusions_that_hang_on_a_choice_are_named(demo):
    rows = demo.rows("robustness")
    summary = {(row["measure"], row["test"]): row for row in demo.rows("robustness_summary")}
    assert {measure for measure, _ in summary} == {"weight_realism", "effectiveness", "effort"}
    planned = {(row["measure"], row["test"]): row for row in rows if row["choice"] == "as planned"}
    assert set(planned) == set(summary)
    for key, row in summary.items():
        others = [one for one in rows if (one["measure"], one["test"]) == key and one["choice"] != "as planned"]
        assert row["n_choices"] == len(others)
        assert row["same_decision"] == sum(one["shown"] == planned[key]["shown"] for one in others)
        assert row["share"] == sum(one["same"] for one in others) / len(others)
        assert row["largest_p"] == max(one["p_adjusted"] for one in (planned[key], *others))
    for row in demo.rows("pairs"):
        if row["measure"] in ("weight_realism", "effectiveness", "effort"):
            assert planned[row["measure"], row["pair"]]["p_adjusted"] == row["p_adjusted"]
            assert planned[row["measure"], row["pair"]]["shown"] == ("yes" if row["shown"] == "yes" else "no")
    without = {row["choice"]: row["n"] for row in rows if row["choice"].startswith("without")}
    assert set(without) == {
        "without those who gave the same answer throughout (n = 1)",
        "without those run in another order (n = 1)",
    }


def test_preference_splits(demo):
    first, agreed = demo.rows("preference_tests")
    assert first["p"] > 0.05
    assert agreed["w"] < 0.1


def test_one_pair_is_all_ties_and_one_could_never_have_reached_the_level(demo):
    comfort = pairs(demo, "comfort")
    assert comfort["Still", "Coach"]["n_nonzero"] == 0
    assert comfort["Still", "Coach"]["rank_biserial"] is None
    hopeless = comfort["Still", "Ladle"]
    assert 0 < hopeless["n_nonzero"] < 6
    assert hopeless["shown"] == "never"
    (headline,) = (row["headline"] for row in demo.rows("headlines") if row["measure"] == "comfort")
    assert "Each participant's values in Still and Coach are equal." in headline
    assert "Still against Ladle could never have reached the level" in headline


def test_participants_are_counted(demo):
    steps = {row["step"]: row for row in demo.rows("participants")}
    assert steps["declared"]["n"] == len(ENROLLED) - 1
    assert (steps["enrolled"]["n"], steps["enrolled"]["left"]) == (len(ENROLLED), "1 withdrew and were erased")
    assert steps["interviewed"]["n"] == 14


@pytest.mark.parametrize(
    ("kind", "about"),
    [
        ("incomplete participants", DROPPED_OUT),
        ("order as run", WRONG_ORDER),
        ("same answer throughout", SAME_ANSWER),
        ("likely wrong key", MISKEYED_ITEM),
    ],
)
def test_findings_name_what_was_planted(demo, kind, about):
    found = [row for row in demo.rows("findings") if (row["kind"], row["severity"]) == (kind, "attention")]
    assert [about in row["found"] for row in found] == [True]


def test_the_withdrawn_participant_is_nowhere(demo):
    for path in sorted(demo.folder.rglob("*")):
        if path.is_file():
            assert not any(WITHDRAWN.encode() in part for part in parts_of(path)), path


def test_the_confused_codes_are_where_agreement_is_lowest(demo):
    kappa = {row["code"]: row["kappa"] for row in demo.rows("agreement") if row["round"] == "reliability"}
    common = {code: value for code, value in kappa.items() if code != "SCALD"}
    assert sorted(common, key=common.__getitem__)[0] == "EFFORT_BODY"
    assert kappa["SCALD"] < 0.1
    scald = next(row for row in demo.rows("agreement") if row["round"] == "reliability" and row["code"] == "SCALD")
    assert scald["percent_agreement"] > 0.95
    assert scald["ac1"] > 0.9


def test_the_demo_says_it_in_ten_lines(demo):
    assert 8 <= len(demo.lines) <= 10
    assert "invented" in demo.lines[0]
    assert any("highest on average in Slosh" in line for line in demo.lines)
    assert any("not the same as equal" in line for line in demo.lines)


def test_the_wrong_key_can_be_put_right_in_study_toml(tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(FOLDER, folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    file = "responses/after_version_week2.csv"
    marker = 'id = "after_version"\n'
    assert text.count(marker) == 1
    right = f'turned_round = [{{ file = "{file}", item = "{MISKEYED_ITEM}", reason = "form checked" }}]\n'
    (folder / "study.toml").write_text(text.replace(marker, marker + right), encoding="utf-8")
    findings = collect(folder).findings
    assert not [one for one in findings if one.kind == "likely wrong key"]
    assert [one.file for one in findings if one.kind == "turned round"] == [file]


def test_where_p_and_the_interval_disagree_it_is_said(demo):
    for row in demo.rows("pairs"):
        holds_zero = row["hodges_lehmann_low"] <= 0 <= row["hodges_lehmann_high"]
        assert ("disagree about zero" in row["reason"]) == ((row["p"] <= 0.05) == holds_zero)
    assert any("disagree about zero" in row["reason"] for row in demo.rows("pairs"))


def test_the_demo_s_plan_is_the_one_that_was_frozen():
    study = open_study(FOLDER)
    assert study.plan.frozen is not None
    assert not plan_changed(study.plan)
