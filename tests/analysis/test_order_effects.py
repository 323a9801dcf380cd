"""Order: balance counted by hand, position effects that were planted, and orders that can say nothing."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest
from statsmodels.api import OLS
from study_folders import sheet, study_in

from workbench.analysis.order_effects import (
    FIRST,
    SAME_ORDER,
    OrderEffects,
    Orders,
    balance,
    order_effects,
    orders_of,
    position_effect,
)
from workbench.measure import Measure
from workbench.orders import williams_square
from workbench.responses.session_log import read_session_log

FOUR = ("still", "slosh", "ladle", "coach")


def orders(
    *sequences: str, conditions=None, logged: bool = True, planned: tuple[str, ...] = (), unknown: int = 0
) -> Orders:
    """One participant for each sequence such as "a b c"; a dot stands for a run that was not logged."""

    def by_person(told: tuple[str, ...]) -> dict[str, dict[int, str]]:
        return {
            f"A{number:02}": {place: one for place, one in enumerate(sequence.split(), 1) if one != "."}
            for number, sequence in enumerate(told, 1)
        }

    names = conditions or tuple(dict.fromkeys(" ".join(sequences).replace(".", "").split()))
    return Orders(tuple(names), by_person(sequences), by_person(planned), logged, unknown)


def measure(values: dict[tuple[str, str], float], name: str = "real") -> Measure:
    rows = [(who, where, "", value, nan, "") for (who, where), value in values.items()]
    frame = pd.DataFrame(rows, columns=["participant", "condition", "occasion", "value", "standard_error", "reason"])
    return Measure(name, name, "", "", "scale", "per_condition", frame, frame.iloc[:0])


def in_order(orders: Orders, by_position: list[list[float]]) -> Measure:
    """Values given in the order in which each participant ran the conditions."""
    return measure(
        {
            (who, condition): row[position - 1]
            for (who, sequence), row in zip(orders.run.items(), by_position, strict=True)
            for position, condition in sequence.items()
        }
    )


def effects(one: Measure, run: Orders, **keys) -> OrderEffects:
    (found,) = order_effects([one], list(run.run), run, **{"primary": ["real"], "level": 0.95} | keys)
    return found


# balance


def test_balance_counts_positions_and_what_came_before():
    run = orders("a b c", "b a c", "c a", planned=("a b c", "b c a", "c a b"))
    counted = {(one.kind, one.condition, one.place): (one.planned, one.run) for one in balance(run)}
    assert len(counted) == 9 + 6
    assert [counted["position", "a", place] for place in (1, 2, 3)] == [(1, 1), (1, 2), (1, 0)]
    assert [counted["position", "c", place] for place in (1, 2, 3)] == [(1, 1), (1, 0), (1, 2)]
    assert counted["after", "b", "a"] == (2, 1)
    assert counted["after", "c", "b"] == (2, 1)
    assert counted["after", "a", "c"] == (2, 1)
    assert counted["after", "a", "b"] == (0, 1)
    assert counted["after", "c", "a"] == (0, 1)
    assert counted["after", "b", "c"] == (0, 0)


def test_a_gap_in_the_log_hides_what_came_before():
    counted = {
        (one.condition, one.place): one.run
        for one in balance(orders("a . b", conditions=("a", "b", "c")))
        if one.kind == "after"
    }
    assert set(counted.values()) == {0}


def test_no_order_has_no_balance_and_no_effects():
    none = Orders(FOUR, {}, {}, False, 3)
    assert balance(none) == []
    assert order_effects([measure({("A01", "still"): 1.0})], ["A01"], none, primary=(), level=0.95) == []


def test_without_sequences_nothing_was_planned():
    assert {one.planned for one in balance(orders("a b", "b a"))} == {None}


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_a_williams_square_is_balanced(k):
    names = [f"c{number}" for number in range(k)]
    run = orders(*(" ".join(row) for row in williams_square(names)), conditions=names)
    for kind in ("position", "after"):
        assert len({one.run for one in balance(run) if one.kind == kind}) == 1


# where orders come from


def study_of_three(folder, *log: str, sequences: bool = True, with_log: bool = True):
    assigned = {"file": "who.csv", "sequence_column": "sequence"}
    parts = {"sequences": {"s1": ["still", "slosh"], "s2": ["slosh", "still"]}} if sequences else {}
    parts |= {"session_log": {"file": "log.csv"}} if with_log else {}
    files = {"who.csv": "participant,sequence\nA01,s1\nA02,s2\nA03,s1\n"}
    files |= {"log.csv": sheet("participant position condition", *log)} if with_log else {}
    return study_in(folder, participants=assigned if sequences else ("A01", "A02", "A03"), files=files, **parts)


def test_orders_are_those_of_the_log(tmp_path):
    study = study_of_three(tmp_path, "A01 2 still", "A01 1 slosh", "A02 1 slosh")
    found = orders_of(study, read_session_log(study))
    assert found.run == {"A01": {1: "slosh", 2: "still"}, "A02": {1: "slosh"}}
    assert found.planned["A01"] == {1: "still", 2: "slosh"}
    assert (found.logged, found.unknown) == (True, 1)


def test_without_a_log_the_assigned_sequences_count(tmp_path):
    found = orders_of(study_of_three(tmp_path, with_log=False), None)
    assert found.run == found.planned
    assert (len(found.run), found.logged, found.unknown) == (3, False, 0)


def test_without_log_and_sequences_no_order_is_known(tmp_path):
    found = orders_of(study_of_three(tmp_path, sequences=False, with_log=False), None)
    assert (dict(found.run), dict(found.planned), found.unknown) == ({}, {}, 3)


# late against early


def test_two_conditions_by_hand():
    """ab, ab, ba, ba. Late - early: 3, 2, -2, -1; b is 2 above a, so 1, 0, 0, 1 are left, with Walsh median .5."""
    run = orders("a b", "a b", "b a", "b a")
    found = effects(in_order(run, [[1, 4], [2, 4], [5, 3], [4, 3]]), run).position
    assert found.shift == pytest.approx(0.5)
    assert (found.early, found.late, found.n_used, found.n_dropped) == ((1,), (2,), 4, 0)
    assert isnan(found.interval.low)
    assert "too few" in found.reason


def planted(rng: np.random.Generator, effect: float, n: int = 24, sd: float = 0.8) -> tuple[Measure, Orders]:
    """Ratings of people on a Williams square: person + condition + `effect` in the last two positions + noise."""
    rows = williams_square(FOUR)
    run = orders(*(" ".join(rows[number % 4]) for number in range(n)), conditions=FOUR)
    worth = dict(zip(FOUR, (0.0, 1.0, 0.4, -0.5), strict=True))
    values = [
        [
            level + worth[condition] + effect * (position > 2) + rng.normal(0, sd)
            for position, condition in sequence.items()
        ]
        for level, sequence in zip(rng.normal(4, 1, n), run.run.values(), strict=True)
    ]
    return in_order(run, values), run


def test_a_planted_position_effect_is_found(rng):
    found = effects(*planted(rng, -0.9)).position
    assert found.interval.low <= -0.9 <= found.interval.high < 0
    assert (found.n_used, found.early, found.late) == (24, (1, 2), (3, 4))


def test_where_none_was_planted_none_is_found(rng):
    found = effects(*planted(rng, 0.0)).position
    assert found.interval.low <= 0 <= found.interval.high


UNEVEN = ("a b c", "a b c", "a b c", "a c b", "b c a", "c a b", "b a c")


def test_uneven_orders_are_no_effect():
    """Without noise the effect comes out as it was put in, however uneven the orders."""
    run = orders(*UNEVEN)
    worth = {"a": 0.0, "b": 2.0, "c": 5.0}
    rows = [
        [level + worth[one] + 0.7 * (place == 3) - 0.7 * (place == 1) for place, one in sequence.items()]
        for level, sequence in enumerate(run.run.values())
    ]
    found = effects(in_order(run, rows), run).position
    assert (found.early, found.late) == ((1,), (3,))
    assert found.shift == pytest.approx(1.4)
    assert (found.interval.low, found.interval.high) == pytest.approx((1.4, 1.4))


def test_levels_of_people_and_conditions_change_nothing(rng):
    run = orders(*UNEVEN)
    rows = rng.normal(4, 1, (7, 3))
    found = effects(in_order(run, rows.tolist()), run).position
    moved = [
        [
            value + 3 * number + {"a": 0, "b": 9, "c": -4}[one]
            for value, one in zip(row, run.run[f"A{number:02}"].values(), strict=True)
        ]
        for number, row in enumerate(rows, 1)
    ]
    other = effects(in_order(run, moved), run).position
    assert other.shift == pytest.approx(found.shift)
    assert other.interval.low == pytest.approx(found.interval.low)


def test_conditions_are_taken_off_as_least_squares_of_statsmodels_does(rng):
    """OLS of statsmodels 0.14 or later with dummies for people, conditions and late against early; then Walsh averages."""
    run = orders(*UNEVEN)
    rows = rng.normal(4, 1, (7, 3))
    design, outcome = [], []
    for person, sequence in enumerate(run.run.values()):
        for place, one in sequence.items():
            design.append([*np.eye(7)[person], one == "b", one == "c", {1: -0.5, 2: 0.0, 3: 0.5}[place]])
            outcome.append(rows[person, place - 1])
    fitted = OLS(np.array(outcome), np.array(design, float)).fit().params
    worth = {"a": 0.0, "b": fitted[7], "c": fitted[8]}
    differences = [
        rows[person, 2] - worth[sequence[3]] - rows[person, 0] + worth[sequence[1]]
        for person, sequence in enumerate(run.run.values())
    ]
    walsh = [(one + other) / 2 for place, one in enumerate(differences) for other in differences[place:]]
    assert effects(in_order(run, rows.tolist()), run).position.shift == pytest.approx(np.median(walsh))


def test_one_order_for_everybody_tells_nothing():
    run = orders(*["a b c d"] * 8)
    found = effects(in_order(run, [[1, 2, 3, 4 + n] for n in range(8)]), run)
    assert isnan(found.position.shift)
    assert found.position.reason == SAME_ORDER
    assert found.first_exposure == ()
    assert len(found.placed) == 4 + 4


def test_two_halves_that_never_mix_tell_nothing():
    run = orders(*["a b c d", "b a d c"] * 4)
    found = effects(in_order(run, [[1, 2, 3, 4 + n] for n in range(8)]), run)
    assert found.position.reason == SAME_ORDER


def test_participants_without_late_values_are_left_out_and_counted():
    run = orders("a b c d", "b d a c", "c a d b", "d c b a", "a b", "b . d c", conditions=tuple("abcd"))
    one = in_order(run, [[1, 2, 3, 4], [2, 3, 4, 5], [1, 1, 2, 2], [3, 3, 4, 4], [5, 5], [1, nan, 3, 4]])
    found = effects(one, run).position
    assert (found.n_used, found.n_dropped) == (4, 2)


def test_one_condition_and_one_participant():
    alone = orders("a", "a")
    assert (
        effects(in_order(alone, [[1], [2]]), alone).position.reason == "one condition has no late and early positions"
    )
    single = orders("a b")
    assert effects(in_order(single, [[1, 2]]), single).position.reason.startswith("1 participants")


def test_nobody_got_to_late_positions():
    run = orders("a", "b", "c", conditions=tuple("abcd"))
    found = effects(in_order(run, [[1], [2], [3]]), run).position
    assert (found.n_used, found.n_dropped) == (0, 3)
    assert isnan(found.shift)


def test_no_values_at_all():
    run = orders("a b", "b a")
    found = effects(in_order(run, [[nan, nan], [nan, nan]]), run)
    assert isnan(found.position.shift)
    assert (found.first_exposure, found.placed) == ((), ())


def test_positions_beyond_the_number_of_conditions_are_late():
    values = np.array([[1, 2, nan, 4.0], [2, 4, nan, 3.0], [1, nan, 2, 2.0]])
    which = np.array([[0, 1, nan, 2.0], [1, 0, nan, 2.0], [2, nan, 1, 0.0]])
    found = position_effect(values, which, 3, 0.95)
    assert (found.late, found.n_used) == ((3,), 1)


# first exposure and what came before


def test_first_exposure_by_hand():
    """Three met a first, three b, three c. All a below all b below all c: each p is 2 of the 20 ways to draw three of six."""
    run = orders(*["a b c"] * 3, *["b c a"] * 3, *["c a b"] * 3)
    rows = [[first, 9, 9] for first in (1, 2, 3, 4, 5, 6, 7, 8, 8.5)]
    found = effects(in_order(run, rows), run).first_exposure
    assert [(one.first, one.second) for one in found] == [("a", "b"), ("a", "c"), ("b", "c")]
    assert {one.test.p for one in found} == {0.1}
    assert [one.test.adjusted for one in found] == pytest.approx([0.3] * 3)
    assert found[0].result.hodges_lehmann == -3
    assert {(one.test.family, one.test.planned) for one in found} == {("first exposure of real", False)}
    assert {(one.result.n_x, one.result.n_y) for one in found} == {(3, 3)}


def test_first_exposure_needs_two_people_a_condition():
    run = orders("a b", "a b", "b a")
    assert effects(in_order(run, [[1, 2], [2, 3], [4, 5]]), run).first_exposure == ()


def test_what_came_before_by_hand():
    run = orders("a b c", "a b c", "b a c", "c . a")
    found = effects(in_order(run, [[1, 2, 3], [3, 4, 5], [6, 7, 8], [9, nan, 2]]), run).placed
    means = {(one.kind, one.condition, one.place): (one.values.n, one.values.mean) for one in found}
    assert means["position", "", 1] == (4, 19 / 4)
    assert means["position", "", 3] == (4, 18 / 4)
    assert means["after", "a", FIRST] == (2, 2)
    assert means["after", "b", "a"] == (2, 3)
    assert means["after", "a", "b"] == (1, 7)
    assert means["after", "c", FIRST] == (1, 9)
    assert means["after", "c", "b"] == (2, 4)
    assert ("after", "a", "c") not in means  # between them is a gap in the log
    interval = next(one.interval for one in found if (one.condition, one.place) == ("b", "a"))
    # mean 3, SD sqrt 2, t(1) at .975 is tan(.475 pi) = 12.7062: 3 -+ 12.7062
    assert interval.high == pytest.approx(3 + np.tan(0.475 * np.pi))
    assert isnan(next(one.interval.low for one in found if (one.condition, one.place) == ("a", "b")))


def test_measures_asked_once_have_no_order():
    run = orders("a b", "b a")
    once = Measure("age", "age", "", "", "scale", "once", pd.DataFrame(), pd.DataFrame())
    assert order_effects([once], list(run.run), run, primary=(), level=0.95) == []
