"""Consensus: on closed rounds only, with outcome and reason; and it is what counts."""

from __future__ import annotations

import pytest
from coding_projects import FIRST

from workbench.coding.codings import codings_that_count
from workbench.coding.consensus import differences, record_consensus
from workbench.coding.decisions import Applied, codings_frame, rate_unit
from workbench.errors import UsageError


def agree(project, unit, *applied, round="agreed", discussed="rely", outcome="slip", why="misread", by="R1"):
    return record_consensus(
        project.journal,
        project.study,
        round,
        unit,
        applied,
        discussed=discussed,
        outcome=outcome,
        why=why,
        by=by,
        codebook=FIRST,
    )


@pytest.fixture
def rated(project):
    """Three units rated by both: alike, not alike, and one by R1 alone; the round is closed."""
    alike, unlike, alone = project.units[:3]
    rate_unit(project.one, "rely", alike, [Applied("HEFT"), Applied("SWAY")], codebook=FIRST)
    rate_unit(project.other, "rely", alike, [Applied("SWAY"), Applied("HEFT")], codebook=FIRST)
    rate_unit(project.one, "rely", unlike, [Applied("HEFT")], codebook=FIRST)
    rate_unit(project.other, "rely", unlike, [], codebook=FIRST)
    rate_unit(project.one, "rely", alone, [Applied("PLAY")], codebook=FIRST)
    project.close()
    return project


def test_units_that_were_not_rated_alike_are_found(rated):
    unlike = rated.units[1]
    (found,) = differences(rated.nobody, rated.study, "rely")
    assert (found.unit, found.transcript, found.codes, found.agreed) == (
        unlike.id,
        "A01",
        {"R1": ("HEFT",), "R2": ()},
        False,
    )
    agree(rated, unlike, Applied("HEFT"))
    assert differences(rated.one, rated.study, "rely")[0].agreed


def test_what_was_agreed_on_counts_and_the_codings_made_apart_stay(rated):
    unlike = rated.units[1]
    before = codings_frame(rated.nobody)
    agree(rated, unlike, Applied("SWAY", ("still",), "against"), Applied("PLAY"), by="R2")
    table = codings_frame(rated.nobody)
    assert table.iloc[: len(before)].equals(before)
    counted = codings_that_count(table, rated.interviews)
    mine = counted[counted["unit"] == unlike.id]
    assert mine[["rater", "round", "code", "about", "stance"]].to_numpy().tolist() == [
        ["consensus", "agreed", "SWAY", "still", "against"],
        ["consensus", "agreed", "PLAY", "", ""],
    ]
    assert set(counted.loc[counted["unit"] != unlike.id, "rater"]) == {"R1"}


def test_a_later_consensus_takes_the_place_of_an_earlier_one(rated):
    unlike = rated.units[1]
    agree(rated, unlike, Applied("SWAY"))
    agree(rated, unlike, outcome="real ambiguity", why="it says both")
    table = codings_frame(rated.nobody)
    assert table.loc[table["round"] == "agreed", "code"].tolist() == [""]
    assert [entry.content["outcome"] for entry in rated.journal.history(kind="consensus")] == [
        "slip",
        "real ambiguity",
    ]


def test_nothing_is_agreed_on_while_the_round_is_open(project):
    rate_unit(project.one, "rely", project.units[0], [Applied("HEFT")], codebook=FIRST)
    with pytest.raises(UsageError, match="R1, R2 has not submitted"):
        agree(project, project.units[0], Applied("HEFT"))
    with pytest.raises(UsageError, match="is open"):
        differences(project.one, project.study, "rely")
    assert project.journal.history(kind="consensus") == []


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"round": "main"}, "no consensus round"),
        ({"discussed": "agreed"}, "consensus round itself"),
        ({"outcome": "whatever"}, "codebook change, slip, real ambiguity"),
        ({"why": " "}, "reason"),
    ],
)
def test_a_consensus_says_round_outcome_and_reason(rated, changed, told):
    with pytest.raises(UsageError, match=told):
        agree(rated, rated.units[1], Applied("HEFT"), **changed)


def test_an_unknown_code_cannot_be_agreed_on(rated):
    with pytest.raises(UsageError, match="HEAVY"):
        agree(rated, rated.units[1], Applied("HEAVY"))
