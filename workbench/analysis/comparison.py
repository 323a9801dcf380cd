"""Measures across conditions: descriptives, the omnibus test, pairs and contrasts, corrected by family.

Planned tests are those of a family in the plan; all others are exploratory and are corrected within
their own measure and kind of test. Both are always told apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isnan, nan
from typing import Literal

import numpy as np

from workbench.measure import Measure
from workbench.stats.comparison import Adjustment, FriedmanTest, SignedRankTest, adjust, friedman, signed_rank
from workbench.study import Contrast, Plan

MONTE_CARLO_DRAWS = 100_000
RESAMPLES = 1000


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
class Test:
    """The p value of a test, the family it is corrected in, and whether the plan asked for it.

    `p` is exact where an exact one could be had (`exact`), else asymptotic. `attainable` is the
    smallest adjusted p that this comparison could ever have reached, given its ties and zeros; NaN for omnibus tests.
    """

    family: str
    planned: bool
    correction: Adjustment | Literal["none"]
    p: float
    exact: bool
    adjusted: float = nan
    attainable: float = nan


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
class Comparison:
    """Everything said about one measure across the conditions.

    `omnibus` is None where there are fewer than three conditions or two complete participants. `reason` says so, and
    which pairs and contrasts are not tested because fewer than two participants have the values.
    """

    measure: Measure
    primary: bool
    descriptions: tuple[Description, ...]
    omnibus: Omnibus | None
    pairs: tuple[Pair, ...]
    contrasts: tuple[ContrastResult, ...]
    level: float
    reason: str

    def shown(self, test: Test) -> bool:
        """Whether a test fell below the level after its correction."""
        return not isnan(test.adjusted) and test.adjusted <= self.level


def compare(
    measures: Sequence[Measure], participants: Sequence[str], conditions: Sequence[str], plan: Plan
) -> list[Comparison]:
    """Every measure asked per condition, compared across the conditions.

    p values are adjusted inside their families over all measures at once.
    """
    compared = [measure for measure in measures if measure.asked == "per_condition"]
    single = [_unadjusted(measure, participants, conditions, plan) for measure in compared]
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


def _unadjusted(measure: Measure, participants: Sequence[str], conditions: Sequence[str], plan: Plan) -> Comparison:
    wide = measure.by_condition(participants, conditions).to_numpy()
    complete = wide[~np.isnan(wide).any(axis=1)]
    rows = complete if plan.cases == "complete" else wide
    omnibus = None
    if len(conditions) > 2 and len(complete) > 1:
        omnibus = Omnibus(*_friedman(complete, len(wide), measure.id, plan))
    pairs = list(combinations(range(len(conditions)), 2))
    contrasts = [one for one in plan.contrasts if measure.id in one.measures]
    possible = [pair for pair in pairs if _n_with(rows, pair) > 1]
    testable = [one for one in contrasts if _n_with(rows, _used(one, conditions)) > 1]
    untested = [f"{conditions[a]} against {conditions[b]}" for a, b in pairs if (a, b) not in possible]
    untested += [one.id for one in contrasts if one not in testable]
    return Comparison(
        measure,
        measure.id in plan.primary,
        describe(measure, participants, conditions),
        omnibus,
        tuple(_pair(rows, len(wide), measure.id, conditions, a, b, plan) for a, b in possible),
        tuple(_contrast(rows, len(wide), measure.id, conditions, one, plan) for one in testable),
        plan.level,
        _reason(len(conditions), len(complete), untested, something=bool(possible or testable)),
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


def _n_with(rows: np.ndarray, places: Sequence[int]) -> int:
    """How many of `rows` have a value at all of the places."""
    return int((~np.isnan(rows[:, list(places)]).any(axis=1)).sum())


def _used(contrast: Contrast, conditions: Sequence[str]) -> list[int]:
    return [place for place, condition in enumerate(conditions) if contrast.weights.get(condition)]


def _friedman(complete: np.ndarray, n: int, measure: str, plan: Plan) -> tuple[FriedmanTest, Test]:
    rng = np.random.default_rng(plan.seed)
    result = friedman(complete, draws=MONTE_CARLO_DRAWS, level=1 - plan.level, resamples=RESAMPLES, rng=rng)
    return replace(result, n_dropped=n - len(complete)), _test(
        result.p_exact, result.p_asymptotic, measure, "omnibus", plan
    )


def _pair(rows: np.ndarray, n: int, measure: str, conditions: Sequence[str], a: int, b: int, plan: Plan) -> Pair:
    result = signed_rank(rows[:, a], rows[:, b], zeros=plan.zeros, level=1 - plan.level)
    result = replace(result, n_dropped=n - result.n_pairs)
    test = _test(result.p_exact, result.p_asymptotic, measure, "pairs", plan)
    return Pair(conditions[a], conditions[b], result, replace(test, attainable=result.smallest_attainable_p))


def _contrast(
    rows: np.ndarray, n: int, measure: str, conditions: Sequence[str], contrast: Contrast, plan: Plan
) -> ContrastResult:
    used = _used(contrast, conditions)
    weights = np.array([float(contrast.weights[conditions[place]]) for place in used])
    weights /= weights.clip(min=0).sum()
    above, below = rows[:, used] @ weights.clip(min=0), rows[:, used] @ (-weights).clip(min=0)
    result = signed_rank(above, below, zeros=plan.zeros, level=1 - plan.level)
    result = replace(result, n_dropped=n - result.n_pairs)
    test = _test(result.p_exact, result.p_asymptotic, measure, "contrasts", plan)
    return ContrastResult(contrast, result, replace(test, attainable=result.smallest_attainable_p))


def _test(exact: float, asymptotic: float, measure: str, tests: str, plan: Plan) -> Test:
    family = next((one for one in plan.families if one.tests == tests and measure in one.measures), None)
    p = exact if not isnan(exact) else asymptotic
    name = family.id if family else f"exploratory: {tests} of {measure}"
    return Test(name, family is not None, family.correction if family else "holm", p, not isnan(exact))


def _tests(comparison: Comparison) -> list[Test]:
    own = [comparison.omnibus.test] if comparison.omnibus else []
    return own + [pair.test for pair in comparison.pairs] + [contrast.test for contrast in comparison.contrasts]


def _adjusted(comparisons: Sequence[Comparison]) -> list[Comparison]:
    """The comparisons with every p adjusted inside its family."""
    families: dict[str, list[Test]] = {}
    for comparison in comparisons:
        for test in _tests(comparison):
            families.setdefault(test.family, []).append(test)
    done = {
        id(test): new for tests in families.values() for test, new in zip(tests, _adjust_family(tests), strict=True)
    }
    return [
        replace(
            one,
            omnibus=replace(one.omnibus, test=done[id(one.omnibus.test)]) if one.omnibus else None,
            pairs=tuple(replace(pair, test=done[id(pair.test)]) for pair in one.pairs),
            contrasts=tuple(replace(contrast, test=done[id(contrast.test)]) for contrast in one.contrasts),
        )
        for one in comparisons
    ]


def _adjust_family(tests: Sequence[Test]) -> list[Test]:
    method = tests[0].correction
    p = np.array([test.p for test in tests])
    adjusted = p if method == "none" else adjust(p, method=method)
    return [
        replace(test, adjusted=float(value), attainable=_attainable(tests, index, method))
        for index, (test, value) in enumerate(zip(tests, adjusted, strict=True))
    ]


def _attainable(tests: Sequence[Test], index: int, method: Adjustment | Literal["none"]) -> float:
    """The smallest adjusted p a test could have reached, had it been the most extreme its ties and zeros allow.

    The other tests of the family are left as they are.
    """
    if isnan(tests[index].attainable) or method == "none":
        return tests[index].attainable
    p = np.array([test.p for test in tests])
    p[index] = tests[index].attainable
    return float(adjust(p, method=method)[index])


def _gated(comparison: Comparison, plan: Plan) -> Comparison:
    """Mark pairs that the plan lets count only behind an omnibus test, where it was not below the level or not possible."""
    if not plan.omnibus_gates_pairs or len(comparison.descriptions) < 3:
        return comparison
    if comparison.omnibus is not None and comparison.shown(comparison.omnibus.test):
        return comparison
    return replace(comparison, pairs=tuple(replace(pair, gated=True) for pair in comparison.pairs))
