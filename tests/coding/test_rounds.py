"""Rounds: how they begin, are drawn, submitted and reopened."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from coding_projects import FIRST, Unit, some_units
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench.coding.decisions import Applied, apply_code, mark_rated, take_back
from workbench.coding.rounds import (
    begin_round,
    draw_round,
    draw_sample,
    reopen_round,
    round_states,
    submit_round,
    unused_in_pilots,
)
from workbench.errors import ArgumentError, UsageError


def state(project, round="rely"):
    return round_states(project.journal, project.study)[round]


def submit(project, rater, round="rely", **further):
    return submit_round(project.journal, project.study, round, rater=rater, **further)


# drawing


def test_each_participant_gives_in_proportion():
    units = some_units(A=20, B=10, C=10)
    sample = draw_sample(units, 8, rng=np.random.default_rng(1))
    assert Counter(unit.participant for unit in sample) == {"A": 4, "B": 2, "C": 2}
    assert [units.index(one) for one in sample] == sorted(units.index(one) for one in sample)


def test_everybody_gives_at_least_one_where_there_are_enough():
    units = some_units(A=97, B=1, C=1, D=1)
    assert Counter(one.participant for one in draw_sample(units, 4, rng=np.random.default_rng(1))) == dict.fromkeys(
        "ABCD", 1
    )
    assert len(draw_sample(units, 2, rng=np.random.default_rng(1))) == 2


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=8), st.data())
def test_a_sample_has_its_size_and_shares_within_one_of_proportion(counts, data):
    units = some_units(**{f"P{n}": count for n, count in enumerate(counts)})
    size = data.draw(st.integers(1, len(units)))
    sample = draw_sample(units, size, rng=np.random.default_rng(0))
    assert len(sample) == len({one.id for one in sample}) == size
    drawn = Counter(one.participant for one in sample)
    for who, count in Counter(one.participant for one in units).items():
        assert drawn[who] <= count
        if size < len(counts):
            assert abs(drawn[who] - size * count / len(units)) < 1
        else:
            assert drawn[who] >= 1
            assert drawn[who] <= max(1, size * count / len(units) + 1)


def test_every_unit_of_a_participant_is_as_likely():
    units = some_units(A=4, B=4)
    rng = np.random.default_rng(7)
    drawn = Counter(one.id for _ in range(2000) for one in draw_sample(units, 2, rng=rng))
    assert set(drawn) == {one.id for one in units}
    # Each is drawn with probability 1/4: 500 of 2000, standard deviation 19.4.
    assert all(abs(count - 500) < 5 * 19.4 for count in drawn.values())


@pytest.mark.parametrize("size", [0, -1, 8])
def test_a_size_that_cannot_be(size):
    with pytest.raises(ArgumentError, match="`size`"):
        draw_sample(some_units(A=4, B=3), size, rng=np.random.default_rng(0))


def test_the_same_seed_draws_the_same_and_is_kept(project):
    units = some_units(A01=30, A02=20)
    one = draw_round(project.journal, project.study, "rely", units, size=10, seed=7, by="R1")
    again = draw_round(project.journal, project.study, "rely", units, size=10, seed=7, by="R1")
    other = draw_round(project.journal, project.study, "rely", units, size=10, seed=8, by="R1")
    assert one == again
    assert one != other
    (entry,) = project.journal.present("round")
    assert entry.content["drawn"] == {"seed": 8, "size": 10, "from": 50, "used_in_pilots": 0}
    assert entry.content["units"] == {one.id: one.transcript for one in other}
    assert state(project).drawn["seed"] == 8


def test_units_of_a_pilot_round_are_never_drawn(project):
    units = some_units(A01=6, A02=6)
    project.begin("pilot", units[:3])
    draw_round(project.journal, project.study, "rely", units, size=9, seed=1, by="R1")
    assert set(state(project).units) == {one.id for one in units[3:]}
    assert state(project).drawn["used_in_pilots"] == 3
    with pytest.raises(ArgumentError, match="between 1 and 9"):
        draw_round(project.journal, project.study, "rely", units, size=10, seed=1, by="R1")


def test_a_unit_coded_in_a_pilot_round_is_used_even_if_that_was_taken_back(project):
    apply_code(project.one, "pilot", project.units[0], Applied("HEFT"), codebook=FIRST)
    mark_rated(project.other, "pilot", project.units[1], codebook=FIRST)
    take_back(project.other, "pilot")
    assert unused_in_pilots(project.journal, project.study, project.units) == project.units[2:]


def test_a_sentence_of_a_used_answer_is_used_and_the_other_way_round(project):
    project.begin("pilot", [Unit("A01-002", "A01", "A01"), Unit("A02-004.2", "A02", "A02")])
    units = [Unit(name, name[:3], name[:3]) for name in ("A01-002.1", "A01-0021", "A02-004", "A02-004.1", "A02-004.2")]
    left = unused_in_pilots(project.journal, project.study, units)
    assert [one.id for one in left] == ["A01-0021", "A02-004.1"]


# beginning


def test_a_round_says_its_units_and_raters(project):
    begin_round(project.journal, project.study, "main", project.units[:2], by="R2", raters=["R2"], why="the rest")
    assert (state(project, "main").raters, set(state(project, "main").units)) == (
        ("R2",),
        {one.id for one in project.units[:2]},
    )
    assert not state(project).begun
    assert state(project).raters == ("R1", "R2")


@pytest.mark.parametrize(
    ("round", "raters", "units", "told"),
    [
        ("agreed", [], 1, "consensus round"),
        ("mian", [], 1, "main"),
        ("main", ["R3"], 1, "R3"),
        ("main", [], 0, "No units"),
    ],
)
def test_a_round_that_cannot_begin(project, round, raters, units, told):
    with pytest.raises(UsageError, match=told):
        begin_round(project.journal, project.study, round, project.units[:units], by="R1", raters=raters)
    assert project.journal.last() == 0


def test_the_units_of_a_round_with_codings_stay(project):
    project.begin()
    project.begin()
    mark_rated(project.one, "rely", project.units[0], codebook=FIRST)
    with pytest.raises(UsageError, match="has codings already"):
        project.begin()


# submitting and reopening


def test_a_round_closes_when_all_its_raters_have_submitted(project):
    project.begin("rely", project.units[:1])
    for view in (project.one, project.other):
        mark_rated(view, "rely", project.units[0], codebook=FIRST)
    assert state(project).waiting_for == ("R1", "R2")
    submit(project, "R2")
    assert (state(project).closed, state(project).waiting_for) == (False, ("R1",))
    submit(project, "R1")
    assert state(project).closed
    with pytest.raises(UsageError, match="already"):
        submit(project, "R1")


def test_units_left_unrated_need_a_reason(project):
    project.begin("rely", project.units[:3])
    mark_rated(project.one, "rely", project.units[0], codebook=FIRST)
    with pytest.raises(UsageError, match="2 of 3 units"):
        submit(project, "R1")
    assert submit(project, "R1", why="the recording is broken").why
    with pytest.raises(UsageError, match="Nothing is rated"):
        submit(project, "R1", "main")


def test_only_raters_of_the_round_submit_it(project):
    begin_round(project.journal, project.study, "main", project.units, by="R1", raters=["R1"])
    with pytest.raises(UsageError, match="R2 does not rate"):
        submit(project, "R2", "main", why="x")
    with pytest.raises(UsageError, match="consensus round"):
        submit(project, "R1", "agreed", why="x")
    submit(project, "R1", "main", why="x")
    assert state(project, "main").closed


def test_reopening_needs_a_reason_and_stays_on_record(project):
    project.close()
    with pytest.raises(UsageError, match="reason"):
        reopen_round(project.journal, project.study, "rely", by="R1", why=" ")
    reopen_round(project.journal, project.study, "rely", by="R1", why="a unit was missing", raters=["R2"])
    assert (state(project).closed, state(project).submitted, state(project).reopened) == (False, ("R1",), 1)
    with pytest.raises(UsageError, match="R2 has submitted"):
        reopen_round(project.journal, project.study, "rely", by="R1", why="x", raters=["R2"])
    submit(project, "R2", why="now")
    assert state(project).closed
    assert [entry.why for entry in project.journal.history(kind="submission") if entry.content is None] == [
        "a unit was missing"
    ]


def test_undo_never_takes_back_a_submission(project):
    mark_rated(project.one, "rely", project.units[0], codebook=FIRST)
    submit(project, "R1")
    project.journal.undo("R1")
    assert state(project).submitted == ("R1",)
