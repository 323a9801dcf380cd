"""Order: whether it was balanced as planned, and what position and the condition before did to the measures.

Estimates with intervals, never a gate: nothing is left out or tested otherwise because of what stands here.
Orders are those of the session log; where a study has none, the assigned sequences are taken to have been run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isnan, nan

import numpy as np

from workbench.analysis.comparison import Description, description
from workbench.analysis.families import Test, adjusted_in_families
from workbench.measure import Measure
from workbench.responses.session_log import SessionLog
from workbench.stats.comparison import RankSumTest, rank_sum, signed_rank
from workbench.stats.intervals import FloatArray, IntArray, Interval, mean_interval, undefined_interval
from workbench.study import Study

FIRST = "first"
"""What stands in the place of the condition before, at position 1."""

SAME_ORDER = "position and condition cannot be told apart in these orders (as where everybody ran the same one)"


@dataclass(frozen=True, slots=True, eq=False)
class Orders:
    """In which position each participant ran each condition, 1 = first.

    `run` is from the session log where `logged`, else from the assigned sequences; a participant whose order is not
    known is not in it. `planned` are the assigned sequences, of those who have one. `unknown` counts participants
    without an order as run.
    """

    conditions: tuple[str, ...]
    run: Mapping[str, Mapping[int, str]]
    planned: Mapping[str, Mapping[int, str]]
    logged: bool
    unknown: int


@dataclass(frozen=True, slots=True)
class Balance:
    """How often a condition stood in a position, or came straight after another: planned and as run.

    `place` is a position (1 = first) or the id of the condition before. `planned` is None without sequences.
    """

    kind: str
    condition: str
    place: int | str
    planned: int | None
    run: int


@dataclass(frozen=True, slots=True, eq=False)
class PositionEffect:
    """How much higher a measure is in late positions than in early ones.

    `shift` is the Hodges-Lehmann estimate over participants, each with the mean of late minus that of early values,
    conditions taken off. `n_dropped` counts participants without a value in each of these positions.
    """

    early: tuple[int, ...]
    late: tuple[int, ...]
    shift: float
    interval: Interval
    n_used: int
    n_dropped: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class FirstExposure:
    """Two conditions compared between the participants who met them first. Always exploratory."""

    first: str
    second: str
    result: RankSumTest
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Values of a measure in one place: a position, a condition met first, or a condition after another one.

    `interval` is of the mean.
    """

    kind: str
    condition: str
    place: int | str
    values: Description
    interval: Interval


@dataclass(frozen=True, slots=True, eq=False)
class OrderEffects:
    """What order did to one measure."""

    measure: Measure
    primary: bool
    position: PositionEffect
    first_exposure: tuple[FirstExposure, ...]
    placed: tuple[Placed, ...]


def orders_of(study: Study, log: SessionLog | None) -> Orders:
    """The orders as run and as planned, of the study's participants."""
    sequences = study.declared.sequences
    planned = {
        participant: dict(enumerate(sequences[name], start=1))
        for participant, name in study.assigned.items()
        if name in sequences and participant in study.participants
    }
    if log is None:
        run: Mapping[str, Mapping[int, str]] = planned
    else:
        mine = log.runs[log.runs["participant"].isin(study.participants)]
        run = {
            str(participant): dict(sorted(zip(rows["position"].tolist(), rows["condition"].tolist(), strict=True)))
            for participant, rows in mine.groupby("participant", sort=False)
        }
    return Orders(study.conditions, run, planned, log is not None, len(study.participants) - len(run))


def balance(orders: Orders) -> list[Balance]:
    """Counts of condition by position and of each condition straight after each other one."""
    run, planned = Counter(_places(orders.run)), Counter(_places(orders.planned))
    last = max((position for _, _, position in run | planned if isinstance(position, int)), default=0)
    cells: list[tuple[str, str, int | str]]
    cells = [("position", one, place) for place in range(1, last + 1) for one in orders.conditions]
    cells += [("after", one, other) for other in orders.conditions for one in orders.conditions if one != other]
    return [Balance(*cell, planned[cell] if orders.planned else None, run[cell]) for cell in cells if last]


def _places(sequences: Mapping[str, Mapping[int, str]]) -> Iterator[tuple[str, str, int | str]]:
    for sequence in sequences.values():
        for position, condition in sequence.items():
            yield "position", condition, position
            if position - 1 in sequence:
                yield "after", condition, sequence[position - 1]


def order_effects(
    measures: Sequence[Measure], participants: Sequence[str], orders: Orders, *, primary: Sequence[str], level: float
) -> list[OrderEffects]:
    """What order did to every measure asked per condition; none where no order is known.

    `level` is that of the intervals. Comparisons of first exposures are exploratory, adjusted by Holm inside their measure.
    """
    if not orders.run:
        return []
    return [
        _effects_on(measure, participants, orders, primary=measure.id in primary, level=level)
        for measure in measures
        if measure.asked == "per_condition"
    ]


def _effects_on(
    measure: Measure, participants: Sequence[str], orders: Orders, *, primary: bool, level: float
) -> OrderEffects:
    runs = _runs(measure, orders)
    values, which = _by_position(runs, participants, orders)
    return OrderEffects(
        measure,
        primary,
        position_effect(values, which, len(orders.conditions), level),
        _first_exposure(runs, measure.id, orders, level),
        tuple(_placed(runs, orders, level)),
    )


@dataclass(frozen=True, slots=True)
class _Run:
    """One value and where it stood; `before` is FIRST at position 1, None where the condition before is not known."""

    participant: str
    condition: str
    position: int
    before: str | None
    value: float


def _runs(measure: Measure, orders: Orders) -> list[_Run]:
    """Every run with a value."""
    wide = measure.by_condition(list(orders.run), orders.conditions)
    return [
        _Run(participant, condition, position, FIRST if position == 1 else sequence.get(position - 1), value)
        for participant, sequence in orders.run.items()
        for position, condition in sequence.items()
        if not isnan(value := float(wide.at[participant, condition]))
    ]


def _by_position(runs: Sequence[_Run], participants: Sequence[str], orders: Orders) -> tuple[FloatArray, FloatArray]:
    """Values and condition numbers (participants, positions), NaN where there was no run or no value."""
    row = {participant: number for number, participant in enumerate(participants)}
    shape = (len(participants), max((one.position for one in runs), default=0))
    values, which = np.full(shape, nan), np.full(shape, nan)
    for one in runs:
        values[row[one.participant], one.position - 1] = one.value
        which[row[one.participant], one.position - 1] = orders.conditions.index(one.condition)
    return values, which


def position_effect(values: FloatArray, condition: FloatArray, k: int, level: float) -> PositionEffect:
    """Late minus early positions, over each participant's `values` (participants, positions).

    `condition` (participants, positions) has the number of the condition run there, 0 to `k` - 1. Early are the
    first half of the k positions, late the last half; the middle one of an odd number is in neither. Each
    participant's mean of late minus mean of early values, less what the conditions that stood there make of it, is one
    difference; what conditions make is estimated by least squares from all values, together with participants and
    the position effect, so that unequal numbers of each order don't pass for an effect. Undefined, with a reason, where
    orders don't tell position from condition, or fewer than two participants have the values.

    The model is that of crossover trials without carry-over: Jones & Kenward 2014, Design and Analysis of Cross-Over
    Trials, chapter 5 (from memory); the shift is Hodges and Lehmann's (1963).
    """
    half = k // 2
    early, late = tuple(range(1, half + 1)), tuple(range(k - half + 1, k + 1))
    columns = [*range(half), *range(k - half, k)]
    usable = half > 0 and values.shape[1] >= k
    kept = ~np.isnan(values[:, columns]).any(axis=1) if usable else np.zeros(len(values), dtype=bool)
    n, n_dropped = int(kept.sum()), int((~kept).sum())

    def undefined(reason: str) -> PositionEffect:
        return PositionEffect(early, late, nan, undefined_interval(level, "none"), n, n_dropped, reason)

    if half == 0:
        return undefined("one condition has no late and early positions")
    if n < 2:
        return undefined(f"{n} participants have a value in every early and late position; two are needed")
    sign = np.zeros(values.shape[1])
    sign[columns] = np.repeat([-1.0, 1.0], half)
    effects = _condition_effects(values, condition, sign, k)
    if effects is None:
        return undefined(SAME_ORDER)
    clean = values[kept][:, columns] - effects[condition[kept][:, columns].astype(int)]
    zero = np.zeros(n)
    shift = signed_rank(clean[:, half:].mean(axis=1) - clean[:, :half].mean(axis=1), zero, exact="never", level=level)
    few = "" if shift.hodges_lehmann_interval.defined else f"{n} participants are too few for an interval"
    return PositionEffect(early, late, shift.hodges_lehmann, shift.hodges_lehmann_interval, n, n_dropped, few)


def _condition_effects(values: FloatArray, condition: FloatArray, sign: FloatArray, k: int) -> FloatArray | None:
    """Least-squares effects of the conditions (k,), the first one 0, beside participants and late against early.

    None where the orders don't identify position beside conditions.
    """
    row, place = (np.asarray(one, dtype=np.int64) for one in np.nonzero(~np.isnan(values)))
    conditions = np.eye(k)[condition[row, place].astype(int)][:, 1:]
    columns = np.column_stack((conditions, sign[place] / 2))
    centered = columns - _means_of(columns, row, len(values))[row]
    outcome = values[row, place]
    if np.linalg.matrix_rank(centered) <= np.linalg.matrix_rank(centered[:, :-1]):
        return None
    found = np.linalg.lstsq(centered, outcome - _means_of(outcome[:, None], row, len(values))[row, 0], rcond=None)[0]
    return np.concatenate(([0.0], found[:-1]))


def _means_of(columns: FloatArray, row: IntArray, n: int) -> FloatArray:
    """Means of `columns` (values, c) within each of `n` participants; 0 for those without values."""
    sums = np.zeros((n, columns.shape[1]))
    np.add.at(sums, row, columns)
    return sums / np.maximum(np.bincount(row, minlength=n), 1)[:, None]


def _first_exposure(placed: Sequence[_Run], measure: str, orders: Orders, level: float) -> tuple[FirstExposure, ...]:
    """Each two conditions that two participants or more met first, with a value."""
    met = {
        condition: np.array([one.value for one in placed if one.before == FIRST and one.condition == condition])
        for condition in orders.conditions
    }
    pairs = list(combinations([condition for condition, values in met.items() if len(values) > 1], 2))
    results = [rank_sum(met[first], met[second], level=level) for first, second in pairs]
    tests = [_exploratory(result, f"first exposure of {measure}") for result in results]
    adjusted = adjusted_in_families(tests)
    return tuple(
        FirstExposure(*pair, result, adjusted[id(test)])
        for pair, result, test in zip(pairs, results, tests, strict=True)
    )


def _exploratory(result: RankSumTest, family: str) -> Test:
    exact = not np.isnan(result.p_exact)
    return Test(family, False, "holm", result.p_exact if exact else result.p_asymptotic, exact)


def _placed(runs: Sequence[_Run], orders: Orders, level: float) -> list[Placed]:
    """Values at each position, and of each condition met first and after each other one."""
    positions = sorted({one.position for one in runs})
    groups: list[tuple[str, str, int | str, list[float]]] = [
        ("position", "", place, [one.value for one in runs if one.position == place]) for place in positions
    ]
    groups += [
        ("after", condition, before, [one.value for one in runs if (one.condition, one.before) == (condition, before)])
        for condition in orders.conditions
        for before in (FIRST, *orders.conditions)
    ]
    return [
        Placed(kind, condition, place, description(condition, np.array(values)), mean_interval(np.array(values), level))
        for kind, condition, place, values in groups
        if values
    ]
