"""Measures across conditions: descriptives, the omnibus test, pairs, contrasts, factors and equivalence.

p values are corrected inside the families of `families`; planned and exploratory tests are always told apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import nan
from typing import Literal

import numpy as np

from workbench.analysis.factors import Effect, Layout, effects
from workbench.analysis.families import Test, adjusted_in_families, in_family
from workbench.measure import Measure
from workbench.stats._exact import RandomOrders
from workbench.stats.comparison import (
    EquivalenceTest,
    FriedmanTest,
    SignedRankTest,
    equivalence,
    friedman,
    signed_rank,
)
from workbench.stats.intervals import FloatArray, Interval, undefined_interval
from workbench.study import Bounds, Contrast, Plan

MONTE_CARLO_DRAWS = 100_000
MOST_DRAWN = 500
"""Participants beyond whom Friedman's p is the asymptotic one: random draws would take minutes and change nothing."""

RESAMPLES = 1000

Exactness = Literal["all", "paired", "none"]
"""Which tests are exact: all that can be, all but the omnibus test (the slow one), or none."""


@dataclass(frozen=True, slots=True, eq=False)
class Description:
    """One condition of a measure in numbers. `missing` counts participants without a value."""

    condition: str
    n: int
    missing: int
    median: float
    lower_quartile: float
    upper_quartile: float
    mean: float
    sd: float
    minimum: float
    maximum: float


@dataclass(frozen=True, slots=True, eq=False)
class Omnibus:
    """Friedman's test over the participants with a value in every condition."""

    result: FriedmanTest
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Two conditions compared: positive where `first` is higher than `second`."""

    first: str
    second: str
    result: SignedRankTest
    test: Test
    gated: bool = False
    """Whether the plan lets pairs count only behind the omnibus test, and that was not below the level or not possible."""


@dataclass(frozen=True, slots=True, eq=False)
class ContrastResult:
    """A planned contrast: each participant's weighted sum of conditions against zero.

    It is over the participants with a value in every condition, or (plan.cases) in those that have a weight.
    """

    contrast: Contrast
    result: SignedRankTest
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class FactorResult:
    """A main effect or an interaction of a factorial design: each participant's contrast against zero."""

    effect: Effect
    result: SignedRankTest
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class Equivalence:
    """Whether the shift first minus second is shown to lie within bounds stated beforehand.

    `shift` is the Hodges-Lehmann estimate; its interval is at 1 - 2 x level, as the two one-sided tests are.
    """

    first: str
    second: str
    bounds: Bounds
    result: EquivalenceTest
    shift: float
    interval: Interval
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Everything said about one measure across the conditions.

    `omnibus` is None where there are fewer than three conditions or two complete participants. `reason` says so, and
    which pairs, contrasts and factors are not tested because fewer than two participants have the values.
    """

    measure: Measure
    primary: bool
    descriptions: tuple[Description, ...]
    omnibus: Omnibus | None
    pairs: tuple[Pair, ...]
    contrasts: tuple[ContrastResult, ...]
    level: float
    reason: str
    factors: tuple[FactorResult, ...] = ()
    equivalences: tuple[Equivalence, ...] = ()

    def shown(self, test: Test) -> bool:
        """Whether a test fell below the level after its correction."""
        return test.below(self.level)


def compare(
    measures: Sequence[Measure],
    participants: Sequence[str],
    conditions: Sequence[str],
    plan: Plan,
    *,
    factorial: Layout | None = None,
    exact: Exactness = "all",
) -> list[Comparison]:
    """Every measure asked per condition, compared across the conditions.

    p values are adjusted inside their families over all measures at once. Where not all tests are exact, the interval
    of Kendall's W is left out too.
    """
    compared = [measure for measure in measures if measure.asked == "per_condition"]
    orders = RandomOrders()
    single = [_unadjusted(measure, participants, conditions, plan, factorial, exact, orders) for measure in compared]
    return [_gated(one, plan) for one in _adjusted(single)]


def describe(measure: Measure, participants: Sequence[str], conditions: Sequence[str]) -> tuple[Description, ...]:
    """Descriptives of each condition over all participants who have a value there."""
    wide = measure.by_condition(participants, conditions)
    return tuple(description(condition, wide[condition].to_numpy()) for condition in conditions)


def description(name: str, values: np.ndarray) -> Description:
    """Descriptives of `values` (participants,), NaN left out and counted."""
    given = values[~np.isnan(values)]
    if not len(given):
        return Description(name, 0, len(values), nan, nan, nan, nan, nan, nan, nan)
    low, middle, high = np.quantile(given, [0.25, 0.5, 0.75])
    sd = float(given.std(ddof=1)) if len(given) > 1 else nan
    return Description(
        name,
        len(given),
        len(values) - len(given),
        float(middle),
        float(low),
        float(high),
        float(given.mean()),
        sd,
        float(given.min()),
        float(given.max()),
    )


def _unadjusted(
    measure: Measure,
    participants: Sequence[str],
    conditions: Sequence[str],
    plan: Plan,
    factorial: Layout | None,
    exact: Exactness,
    orders: RandomOrders,
) -> Comparison:
    wide = measure.by_condition(participants, conditions).to_numpy()
    complete = wide[~np.isnan(wide).any(axis=1)]
    rows = _Rows(complete if plan.cases == "complete" else wide, tuple(conditions), len(wide), exact != "none", plan)
    omnibus = None
    if len(conditions) > 2 and len(complete) > 1:
        omnibus = _omnibus(complete, len(wide), measure.id, exact, plan, orders)
    pairs = list(combinations(conditions, 2))
    contrasts = [one for one in plan.contrasts if measure.id in one.measures]
    factors = effects(factorial) if factorial else []
    possible = [pair for pair in pairs if rows.enough(pair)]
    untested = [f"{first} against {second}" for first, second in pairs if (first, second) not in possible]
    untested += [one.id for one in contrasts if not rows.enough(_used(one.weights))]
    untested += [f"{' x '.join(one.factors)}: {one.label}" for one in factors if not rows.enough(_used(one.weights))]
    bounds = plan.equivalence.get(measure.id)
    return Comparison(
        measure,
        measure.id in plan.primary,
        describe(measure, participants, conditions),
        omnibus,
        tuple(_pair(rows, measure.id, pair) for pair in possible),
        tuple(_contrast(rows, measure.id, one) for one in contrasts if rows.enough(_used(one.weights))),
        plan.level,
        _reason(len(conditions), len(complete), untested, something=len(untested) < len(pairs + contrasts + factors)),
        tuple(_factor(rows, measure.id, one) for one in factors if rows.enough(_used(one.weights))),
        tuple(_equivalence(rows, measure.id, pair, bounds) for pair in possible) if bounds else (),
    )


def _reason(conditions: int, complete: int, untested: Sequence[str], *, something: bool) -> str:
    """Why the omnibus test, or other tests, are not there; "" where all are."""
    if conditions < 3:
        reasons = ["fewer than three conditions, so there is no omnibus test"]
    elif complete < 2:
        have = "participant has" if complete == 1 else "participants have"
        consequence = "there is no omnibus test" if something else "nothing is tested"
        reasons = [f"{complete} {have} a value in every condition, so {consequence}"]
    else:
        reasons = []
    if untested and (something or conditions < 3):
        reasons.append(f"not tested, with fewer than two participants: {', '.join(untested)}")
    return "; ".join(reasons)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """The values (participants, conditions) that pairs and contrasts are tested on, of `n` participants in all."""

    values: FloatArray
    conditions: tuple[str, ...]
    n: int
    exact: bool
    plan: Plan

    def of(self, names: Sequence[str]) -> FloatArray:
        """Values (participants, names) in the conditions named."""
        return self.values[:, [self.conditions.index(name) for name in names]]

    def enough(self, names: Sequence[str]) -> bool:
        """Whether two participants or more have a value in every condition named."""
        return int((~np.isnan(self.of(names)).any(axis=1)).sum()) > 1

    def signed_rank(self, x: FloatArray, y: FloatArray) -> SignedRankTest:
        result = signed_rank(
            x, y, zeros=self.plan.zeros, exact="auto" if self.exact else "never", level=1 - self.plan.level
        )
        return replace(result, n_dropped=self.n - result.n_pairs)

    def weighted(self, weights: Mapping[str, float]) -> SignedRankTest:
        """Each participant's weighted sum of conditions against zero."""
        used = _used(weights)
        factors = np.array([float(weights[name]) for name in used])
        return self.signed_rank(self.of(used) @ factors.clip(min=0), self.of(used) @ (-factors).clip(min=0))


def _used(weights: Mapping[str, float]) -> list[str]:
    return [name for name, weight in weights.items() if weight]


def _omnibus(complete: FloatArray, n: int, measure: str, exact: Exactness, plan: Plan, orders: RandomOrders) -> Omnibus:
    full = exact == "all"
    result = friedman(
        complete,
        exact="auto" if full and len(complete) <= MOST_DRAWN else "never",
        draws=MONTE_CARLO_DRAWS,
        level=1 - plan.level,
        resamples=RESAMPLES if full else 0,
        rng=np.random.default_rng(plan.seed),
        orders=orders,
    )
    test = in_family(result.p_exact, result.p_asymptotic, measure, "omnibus", plan)
    return Omnibus(replace(result, n_dropped=n - len(complete)), test)


def _pair(rows: _Rows, measure: str, pair: tuple[str, str]) -> Pair:
    result = rows.signed_rank(*rows.of(pair).T)
    return Pair(*pair, result, _paired_test(result, measure, "pairs", rows.plan))


def _contrast(rows: _Rows, measure: str, contrast: Contrast) -> ContrastResult:
    positive = sum(weight for weight in contrast.weights.values() if weight > 0)
    result = rows.weighted({name: weight / positive for name, weight in contrast.weights.items()})
    return ContrastResult(contrast, result, _paired_test(result, measure, "contrasts", rows.plan))


def _factor(rows: _Rows, measure: str, effect: Effect) -> FactorResult:
    result = rows.weighted(effect.weights)
    return FactorResult(effect, result, _paired_test(result, measure, "factors", rows.plan))


def _paired_test(
    result: SignedRankTest, measure: str, kind: Literal["pairs", "contrasts", "factors"], plan: Plan
) -> Test:
    smallest = result.smallest_attainable_p
    return in_family(result.p_exact, result.p_asymptotic, measure, kind, plan, attainable=smallest)


def _equivalence(rows: _Rows, measure: str, pair: tuple[str, str], bounds: Bounds) -> Equivalence:
    plan, (x, y) = rows.plan, rows.of(pair).T
    result = equivalence(x, y, low=bounds.low, high=bounds.high, zeros=plan.zeros)
    result = replace(result, n_dropped=rows.n - result.n_pairs)
    level = 1 - 2 * plan.level
    shift = signed_rank(x, y, exact="never", level=level if level > 0 else 1 - plan.level)
    interval = shift.hodges_lehmann_interval if level > 0 else undefined_interval(nan, "none at this level")
    test = in_family(result.p if result.exact_method == "enumeration" else nan, result.p, measure, "equivalence", plan)
    return Equivalence(*pair, bounds, result, shift.hodges_lehmann, interval, test)


def _tests(comparison: Comparison) -> list[Test]:
    several = (comparison.pairs, comparison.contrasts, comparison.factors, comparison.equivalences)
    omnibus = [comparison.omnibus.test] if comparison.omnibus else []
    return omnibus + [one.test for many in several for one in many]


def _adjusted(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """The comparisons with every p adjusted inside its family."""
    done = adjusted_in_families([test for comparison in comparisons for test in _tests(comparison)])
    return [
        replace(
            one,
            omnibus=replace(one.omnibus, test=done[id(one.omnibus.test)]) if one.omnibus else None,
            pairs=tuple(replace(pair, test=done[id(pair.test)]) for pair in one.pairs),
            contrasts=tuple(replace(contrast, test=done[id(contrast.test)]) for contrast in one.contrasts),
            factors=tuple(replace(factor, test=done[id(factor.test)]) for factor in one.factors),
            equivalences=tuple(replace(shown, test=done[id(shown.test)]) for shown in one.equivalences),
        )
        for one in comparisons
    ]


def _gated(comparison: Comparison, plan: Plan) -> Comparison:
    """Mark pairs that the plan lets count only behind an omnibus test, where it was not below the level or not possible."""
    if not plan.omnibus_gates_pairs or len(comparison.descriptions) < 3:
        return comparison
    if comparison.omnibus is not None and comparison.shown(comparison.omnibus.test):
        return comparison
    return replace(comparison, pairs=tuple(replace(pair, gated=True) for pair in comparison.pairs))
