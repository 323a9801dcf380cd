"""The analysis finds the truths that the generator planted in the demo's data."""

from __future__ import annotations

import itertools

import pytest
from demo_generator import CONDITIONS, DROPPED_OUT, ENROLLED, MISKEYED_ITEM, SAME_ANSWER, WITHDRAWN, WRONG_ORDER

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
    assert headline.startswith("No difference in effort between the conditions was shown")
    assert "this does not show that they are equal" in headline


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
    assert "Every participant gave the same value in Still and Coach." in headline
    assert "Still against Ladle could never have reached the level" in headline


def test_participants_are_counted(demo):
    steps = {row["step"]: row["n"] for row in demo.rows("participants")}
    assert steps["declared"] == len(ENROLLED) - 1
    assert steps["withdrawn"] == 1
    assert steps["pilots"] == 2
    assert steps["interviewed"] == 14


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
    found = [row for row in demo.rows("findings") if row["kind"] == kind]
    assert [about in row["found"] for row in found] == [True]


def test_the_withdrawn_participant_is_nowhere(demo):
    for path in sorted(demo.folder.rglob("*")):
        if path.is_file():
            assert WITHDRAWN not in path.read_text(encoding="utf-8"), path


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
