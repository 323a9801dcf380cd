"""Robustness: what each test of a primary measure concludes when one choice of the plan is made otherwise.

One choice at a time is changed; combinations of changes are not looked at. Which choices there are, and scoring by
them, belongs to the layer above; here conclusions are drawn, set beside those of the plan, and counted.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isnan, nan, sqrt
from typing import Literal

import numpy as np
from scipy.special import stdtr

from workbench.analysis.anova import RepeatedAnova
from workbench.analysis.comparison import Comparison
from workbench.analysis.families import Test, adjusted_in_families, in_family
from workbench.measure import Measure
from workbench.stats._checks import largest_magnitude, with_ties
from workbench.stats.intervals import FloatArray
from workbench.study import Plan

SHIFT, MEAN_DIFFERENCE = "Hodges-Lehmann shift", "mean difference"
KENDALL_W, PARTIAL_ETA = "Kendall's W", "partial eta squared"


@dataclass(frozen=True, slots=True)
class Question:
    """What a test of a measure asks, whatever the choices: of all conditions, of a pair, or of a planned contrast."""

    measure: str
    kind: Literal["omnibus", "pairs", "contrasts"]
    pair: tuple[str, str] | None = None
    contrast: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Conclusion:
    """What a test concludes under one choice; `choice` says in words what was done otherwise, "" for the plan's own.

    `higher` is the condition that is highest (of all, by mean rank or mean; or of the pair), or "positive" or
    "negative" for a contrast; "" where there is none. `shown` counts the gate of the plan.
    """

    question: Question
    choice: str
    n: int
    estimate: float
    estimate_name: str
    higher: str
    test: Test
    shown: bool = False

    def same_data(self, other: Conclusion) -> bool:
        """Whether n, estimate and p are those of another conclusion: the choice changed nothing about the test."""
        return (self.n, self.test.p) == (other.n, other.test.p) and (
            self.estimate == other.estimate or (isnan(self.estimate) and isnan(other.estimate))
        )


@dataclass(frozen=True, slots=True, eq=False)
class Robustness:
    """How many of the other choices conclude as the plan does, on one test.

    `n_choices` counts those that change the data or the test. The p are adjusted ones, the plan's own among them.
    """

    planned: Conclusion
    n_choices: int
    same_decision: int
    same_direction: int
    same_both: int
    smallest_p: float
    largest_p: float


@dataclass(frozen=True, slots=True, eq=False)
class CompleteCase:
    """One measure by the plan's missing rule, and once more with every item needed.

    `n` and `n_whole` count values over all participants and conditions; `by_plan` and `whole` are the comparisons.
    """

    n: int
    n_whole: int
    by_plan: Comparison
    whole: Comparison


def conclusions(comparisons: Iterable[Comparison], choice: str = "") -> list[Conclusion]:
    """The conclusions on the primary measures, as compared under a choice."""
    return [one for comparison in comparisons if comparison.primary for one in _of_ranks(comparison, choice)]


def _of_ranks(comparison: Comparison, choice: str) -> Iterator[Conclusion]:
    name = comparison.measure.id
    if comparison.omnibus is not None:
        result, test = comparison.omnibus.result, comparison.omnibus.test
        question, w = Question(name, "omnibus"), result.kendall_w
        higher = _highest([one.condition for one in comparison.descriptions], result.mean_ranks)
        yield Conclusion(question, choice, result.n_used, w, KENDALL_W, higher, test, comparison.shown(test))
    for pair in comparison.pairs:
        places, n, shift = (pair.first, pair.second), pair.result.n_pairs, pair.result.hodges_lehmann
        question, shown = Question(name, "pairs", places), comparison.shown(pair.test) and not pair.gated
        yield Conclusion(question, choice, n, shift, SHIFT, _higher(shift, *places), pair.test, shown)
    for one in comparison.contrasts:
        question, n, shift = (
            Question(name, "contrasts", None, one.contrast.id),
            one.result.n_pairs,
            one.result.hodges_lehmann,
        )
        higher = _higher(shift, "positive", "negative")
        yield Conclusion(question, choice, n, shift, SHIFT, higher, one.test, comparison.shown(one.test))


def _higher(shift: float, first: str, second: str) -> str:
    return first if shift > 0 else second if shift < 0 else ""


def _highest(conditions: Sequence[str], values: FloatArray) -> str:
    """The condition with the highest value; "" where two share it."""
    highest = [condition for condition, value in zip(conditions, values, strict=True) if value == values.max()]
    return highest[0] if len(highest) == 1 else ""


def conclusions_from_means(
    measures: Sequence[Measure],
    participants: Sequence[str],
    conditions: Sequence[str],
    plan: Plan,
    choice: str,
    analyses: Mapping[str, RepeatedAnova],
) -> list[Conclusion]:
    """The same questions answered by means: repeated-measures analysis of variance, by measure in `analyses`, and paired t tests.

    The p of the analysis of variance has Greenhouse and Geisser's correction. Families, cases and gate are the plan's.
    """
    drawn = [
        one for measure in measures for one in _of_means(measure, participants, conditions, plan, choice, analyses)
    ]
    adjusted = adjusted_in_families([one.test for one in drawn])
    drawn = [replace(one, test=adjusted[id(one.test)]) for one in drawn]
    gates = plan.omnibus_gates_pairs and len(conditions) > 2
    passed = {one.question.measure for one in drawn if one.question.kind == "omnibus" and one.test.below(plan.level)}
    return [
        replace(one, shown=one.test.below(plan.level) and not (gates and _is_pair_outside(one.question, passed)))
        for one in drawn
        if one.question.measure in plan.primary
    ]


def _is_pair_outside(question: Question, passed: set[str]) -> bool:
    return question.kind == "pairs" and question.measure not in passed


def _of_means(
    measure: Measure,
    participants: Sequence[str],
    conditions: Sequence[str],
    plan: Plan,
    choice: str,
    analyses: Mapping[str, RepeatedAnova],
) -> Iterator[Conclusion]:
    """Not corrected and not decided yet."""
    wide = measure.by_condition(participants, conditions)
    complete = wide.dropna()
    rows = complete if plan.cases == "complete" else wide
    if len(conditions) > 2 and len(complete) > 1:
        result = analyses[measure.id]
        test = in_family(nan, result.p_corrected, measure.id, "omnibus", plan)
        higher, eta = _highest(conditions, complete.mean().to_numpy()), result.partial_eta_squared
        yield Conclusion(Question(measure.id, "omnibus"), choice, result.n_used, eta, PARTIAL_ETA, higher, test)
    for question, weights, ends in _weighed(measure.id, conditions, plan):
        used = [name for name, weight in weights.items() if weight]
        sums = rows[used].dropna().to_numpy() @ np.array([weights[name] for name in used])
        if len(sums) > 1:
            mean = float(sums.mean())
            test = in_family(nan, _t_test(sums, largest_magnitude(rows.to_numpy())), measure.id, question.kind, plan)
            yield Conclusion(question, choice, len(sums), mean, MEAN_DIFFERENCE, _higher(mean, *ends), test)


def _weighed(
    measure: str, conditions: Sequence[str], plan: Plan
) -> Iterator[tuple[Question, Mapping[str, float], tuple[str, str]]]:
    """Each pair and contrast of a measure, its weights of conditions, and what a positive and a negative sum say."""
    for first, second in combinations(conditions, 2):
        yield Question(measure, "pairs", (first, second)), {first: 1.0, second: -1.0}, (first, second)
    for one in plan.contrasts:
        if measure in one.measures:
            positive = sum(weight for weight in one.weights.values() if weight > 0)
            weights = {name: weight / positive for name, weight in one.weights.items()}
            yield Question(measure, "contrasts", None, one.id), weights, ("positive", "negative")


def _t_test(values: FloatArray, scale: float) -> float:
    """Two-sided p of Student's test that the mean of `values` (n,) is zero; 1 where all are zero, 0 where all are another one."""
    values = with_ties(values, scale)
    n, mean, sd = len(values), float(values.mean()), float(values.std(ddof=1))
    if sd == 0:
        return 1.0 if mean == 0 else 0.0
    return float(2 * stdtr(n - 1, -abs(mean / (sd / sqrt(n)))))


def robustness(found: Sequence[Conclusion]) -> list[Robustness]:
    """How each conclusion of the plan fares under the other choices, in the order of the plan's conclusions."""
    return [
        _counted(one, [other for other in found if other.choice and other.question == one.question])
        for one in found
        if not one.choice
    ]


def _counted(planned: Conclusion, others: Sequence[Conclusion]) -> Robustness:
    decision = [one.shown == planned.shown for one in others]
    direction = [one.higher == planned.higher for one in others]
    both = [same and too for same, too in zip(decision, direction, strict=True)]
    p = [one.test.adjusted for one in (planned, *others) if not isnan(one.test.adjusted)]
    return Robustness(
        planned, len(others), sum(decision), sum(direction), sum(both), min(p, default=nan), max(p, default=nan)
    )
