"""Do exact tests keep their level, and do intervals cover? python tests/calibration.py [--quick]

Exact tests: every outcome that a fixed set of ties and zeros allows is listed with its chance under no effect,
and the chances of those with p at most .05 or .01 are added. Nothing is simulated there. Intervals: 7-point answers
are drawn many times and it is counted how often an interval holds the population value. Writes
`workbench/handbook/coverage.md`; with `--quick` it makes a twentieth of the runs, prints the tables and writes nothing.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from itertools import permutations, product
from math import comb, factorial, isfinite, nan, prod, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from scipy.stats import rankdata

from workbench.stats import comparison, preference, reliability
from workbench.stats.intervals import Interval

COVERAGE_PAGE = Path(__file__).resolve().parent.parent / "workbench" / "handbook" / "coverage.md"
SEED = 20261125
LEVELS = (0.05, 0.01)
NOMINAL = 0.95
PARTICIPANTS = (12, 24, 40)
POPULATION = 400_000

Rows = tuple[tuple[float, ...], ...]
Outcomes = Iterator[tuple[float, float]]
"""Chance and p of each outcome under no effect."""


# exact tests: every outcome of a fixed pattern of ties


@dataclass(frozen=True, slots=True)
class Size:
    """How often a test of `level` errs under no effect, and the largest of its p values up to `level`.

    An exact p is attained as often as it says, so both are equal.
    """

    test: str
    pattern: str
    level: float
    size: float
    largest_p: float


def sizes(test: str, pattern: str, outcomes: Outcomes) -> list[Size]:
    chances, p_values = np.array(list(outcomes)).T
    assert abs(chances.sum() - 1) < 1e-9, "the outcomes listed are not all there are"
    return [
        Size(test, pattern, level, float(chances[low].sum()), float(p_values[low].max(initial=0.0)))
        for level, low in ((level, p_values <= level) for level in LEVELS)
    ]


def signed_differences(magnitudes: tuple[float, ...]) -> Iterator[tuple[float, np.ndarray]]:
    """Every outcome of tossing a sign for each difference; which of equal ones are positive makes no outcome of its own."""
    values, times = np.unique([m for m in magnitudes if m], return_counts=True)
    zeros = np.zeros(len(magnitudes) - times.sum())
    for positive in product(*(range(t + 1) for t in times)):
        chance = prod(comb(int(t), j) for t, j in zip(times, positive, strict=True)) / 2.0 ** times.sum()
        signed = [np.r_[np.full(j, v), np.full(t - j, -v)] for v, t, j in zip(values, times, positive, strict=True)]
        yield chance, np.concatenate([zeros, *signed])


def signed_rank_outcomes(magnitudes: tuple[float, ...], zeros: comparison.Zeros) -> Outcomes:
    for chance, differences in signed_differences(magnitudes):
        yield chance, comparison.signed_rank(differences, 0 * differences, zeros=zeros).p_exact


def equivalence_outcomes(magnitudes: tuple[float, ...], zeros: comparison.Zeros) -> Outcomes:
    """The true shift is the lower bound, where a claim of equivalence is an error."""
    for chance, differences in signed_differences(magnitudes):
        yield chance, comparison.equivalence(differences - 2, 0 * differences, low=-2, high=9, zeros=zeros).p


def rank_sum_outcomes(pooled: tuple[float, ...], n_x: int) -> Outcomes:
    values, times = np.unique(pooled, return_counts=True)
    for chosen in product(*(range(t + 1) for t in times)):
        if sum(chosen) == n_x:
            chance = prod(comb(int(t), j) for t, j in zip(times, chosen, strict=True)) / comb(len(pooled), n_x)
            yield chance, comparison.rank_sum(np.repeat(values, chosen), np.repeat(values, times - chosen)).p_exact


def row_orders(rows: Rows, statistic: Callable[[tuple[float, ...]], float]) -> Iterator[tuple[float, Rows]]:
    """Each value that `statistic` of the column sums takes when every row is put in random order, with its chance and
    one table that has it."""
    reached: dict[tuple[float, ...], tuple[float, Rows]] = {(0.0,) * len(rows[0]): (1.0, ())}
    for row in rows:
        orders = sorted(set(permutations(row)))
        after: dict[tuple[float, ...], tuple[float, Rows]] = {}
        for sums, (chance, table) in reached.items():
            for order in orders:
                moved = tuple(a + b for a, b in zip(sums, order, strict=True))
                before, kept = after.get(moved, (0.0, (*table, order)))
                after[moved] = before + chance / len(orders), kept
        reached = after
    by_value: dict[float, tuple[float, Rows]] = {}
    for sums, (chance, table) in reached.items():
        value = statistic(sums)
        before, kept = by_value.get(value, (0.0, table))
        by_value[value] = before + chance, kept
    yield from by_value.values()


def squared_sums(sums: tuple[float, ...]) -> float:
    return sum(s * s for s in sums)


def friedman_outcomes(rows: Rows) -> Outcomes:
    for chance, table in row_orders(rows, squared_sums):
        yield chance, comparison.friedman(table, exact="always").p_exact


def cochran_outcomes(rows: Rows) -> Outcomes:
    for chance, table in row_orders(rows, squared_sums):
        yield chance, comparison.cochran_q(table).p_exact


def page_outcomes(rows: Rows) -> Outcomes:
    def rise(sums: tuple[float, ...]) -> float:
        return sum(place * s for place, s in enumerate(sums))

    for chance, table in row_orders(rows, rise):
        yield chance, comparison.page_trend(table).p_exact


def mcnemar_outcomes(differing: int) -> Outcomes:
    for b in range(differing + 1):
        x = np.r_[np.ones(b), np.zeros(differing - b), 1.0]
        y = np.r_[np.zeros(b), np.ones(differing - b), 1.0]
        yield comb(differing, b) / 2**differing, comparison.mcnemar(x, y).p_exact


def choice_outcomes(n: int, probabilities: tuple[float, ...], p_of: str) -> Outcomes:
    for counts in product(range(n + 1), repeat=len(probabilities)):
        if sum(counts) == n:
            ways = factorial(n) // prod(factorial(count) for count in counts)
            chance = ways * prod(p**count for p, count in zip(probabilities, counts, strict=True))
            yield chance, getattr(preference.choice_test(counts, probabilities=probabilities), p_of)


# Midranks of a row, by how many of its answers tie.
UNTIED = {3: (1.0, 2.0, 3.0), 4: (1.0, 2.0, 3.0, 4.0)}
LOW_TIE = {3: (1.5, 1.5, 3.0), 4: (1.5, 1.5, 3.0, 4.0)}
HIGH_TIE = {3: (1.0, 2.5, 2.5), 4: (1.0, 2.0, 3.5, 3.5)}
ALL_TIE = {3: (2.0, 2.0, 2.0), 4: (2.5, 2.5, 2.5, 2.5)}

MAGNITUDES = {
    "n 6, no ties": (1, 2, 3, 4, 5, 6),
    "n 8, ties and 2 zeros": (0, 0, 1, 1, 1, 2, 2, 3),
    "n 10, one zero": (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    "n 12, ties and 3 zeros": (0, 0, 0, 1, 1, 1, 1, 2, 2, 3, 4, 6),
    "n 12, all of one size": (1,) * 12,
}


def mixed_rows(n: int, k: int) -> Rows:
    """A third without ties, a third with a tie below, the rest with a tie above, and one person who ties all."""
    return (*((UNTIED[k], LOW_TIE[k], HIGH_TIE[k]) * n)[: n - 1], ALL_TIE[k])


def exact_sizes(*, most: int = 12) -> Iterator[Size]:
    """The sizes of all exact tests over patterns of up to `most` participants."""
    for pattern, magnitudes in MAGNITUDES.items():
        if len(magnitudes) <= most:
            for zeros in ("pratt", "drop"):
                yield from sizes(f"signed-rank, zeros {zeros}", pattern, signed_rank_outcomes(magnitudes, zeros))
                yield from sizes(f"equivalence, zeros {zeros}", pattern, equivalence_outcomes(magnitudes, zeros))
    for pooled, n_x in (((1, 2, 3, 4, 5, 6, 7, 8, 9), 4), ((1, 1, 2, 2, 2, 3, 4, 4, 5, 7, 7, 7), 5)):
        pattern = f"{n_x} and {len(pooled) - n_x}, {'ties' if len(set(pooled)) < len(pooled) else 'no ties'}"
        yield from sizes("rank-sum", pattern, rank_sum_outcomes(pooled, n_x))
    for k, n in product((3, 4), (6, 9, 12)):
        if n <= most:
            yield from sizes("Friedman", f"k {k}, n {n}, no ties", friedman_outcomes((UNTIED[k],) * n))
            yield from sizes("Friedman", f"k {k}, n {n}, ties", friedman_outcomes(mixed_rows(n, k)))
    yield from sizes("Page", "k 3, n 9, no ties", page_outcomes((UNTIED[3],) * 9))
    yield from sizes("Page", "k 4, n 6, ties", page_outcomes(mixed_rows(6, 4)))
    yield from sizes("Cochran", "k 3, n 10", cochran_outcomes(((0, 0, 1), (0, 1, 1)) * 4 + ((0, 0, 0), (1, 1, 1))))
    yield from sizes("Cochran", "k 4, n 6", cochran_outcomes(((0, 0, 0, 1), (0, 0, 1, 1), (0, 1, 1, 1)) * 2))
    yield from sizes("McNemar", "9 differ", mcnemar_outcomes(9))
    for p_of, by in (("p_exact", "chi-square"), ("p_exact_probability", "probability")):
        yield from sizes(f"choice, by {by}", "n 12, equal", choice_outcomes(12, (1 / 3, 1 / 3, 1 / 3), p_of))
        yield from sizes(f"choice, by {by}", "n 10, unequal", choice_outcomes(10, (0.5, 0.3, 0.2), p_of))


# answers on 7 points: a normal variable, cut

CUTS = {
    "symmetric": (-2.0, -1.2, -0.4, 0.4, 1.2, 2.0),
    "skewed": (-0.4, 0.3, 0.8, 1.3, 1.8, 2.3),
    "ceiling": (-2.6, -2.1, -1.6, -1.1, -0.6, 0.0),
}
EFFECTS = {"moderate": 0.5, "large": 1.2}


def cut(kind: str, latent: np.ndarray) -> np.ndarray:
    return np.digitize(latent, CUTS[kind]) + 1.0


def scale_answers(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Four items (n, 4) that share half of their latent variance."""
    return cut(kind, sqrt(0.5) * rng.normal(size=(n, 1)) + sqrt(0.5) * rng.normal(size=(n, 4)))


def repeated_answers(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Four items in four conditions (n, 4, 4); of the latent variance .3 is the person's, .15 the person's on one item,
    .25 the person's in one condition."""
    person, own_item = rng.normal(size=(n, 1, 1)), rng.normal(size=(n, 1, 4))
    change, error = rng.normal(size=(n, 4, 1)), rng.normal(size=(n, 4, 4))
    conditions = np.array([-0.3, -0.1, 0.1, 0.3])[:, None]
    latent = sqrt(0.3) * person + sqrt(0.15) * own_item + sqrt(0.25) * change + sqrt(0.3) * error
    return cut(kind, latent + conditions)


def ratings_by(raters: str) -> Callable[[str, int, np.random.Generator], np.ndarray]:
    """Three ratings (n, 3) of each unit: by raters of its own, by the same three drawn anew, or by three fixed ones."""

    def draw(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
        leniency = {
            "own": lambda: sqrt(0.1) * rng.normal(size=(n, 3)),
            "drawn": lambda: sqrt(0.1) * rng.normal(size=3),
            "fixed": lambda: np.array([-0.3, 0.0, 0.3]),
        }[raters]()
        return cut(kind, sqrt(0.5) * rng.normal(size=(n, 1)) + sqrt(0.4) * rng.normal(size=(n, 3)) + leniency)

    return draw


def condition_answers(data: str, n: int, rng: np.random.Generator, steps: tuple[float, ...]) -> np.ndarray:
    kind, effect = data.split(", ")
    shifts = EFFECTS[effect] * np.array(steps)
    latent = sqrt(0.5) * rng.normal(size=(n, 1)) + sqrt(0.5) * rng.normal(size=(n, len(steps)))
    return cut(kind, latent + shifts)


def paired_answers(data: str, n: int, rng: np.random.Generator) -> np.ndarray:
    return condition_answers(data, n, rng, (0.5, -0.5))


def four_conditions(data: str, n: int, rng: np.random.Generator) -> np.ndarray:
    return condition_answers(data, n, rng, (-0.5, -0.2, 0.2, 0.5))


def two_groups(data: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """n people in each group, so the columns are independent."""
    kind, effect = data.split(", ")
    return cut(kind, rng.normal(size=(n, 2)) + EFFECTS[effect] * np.array([0.5, -0.5]))


WORTHS = {
    "alike": np.zeros(4),
    "graded": np.array([-0.6, -0.2, 0.2, 0.6]),
    "one ahead": np.array([-0.4, -0.4, -0.4, 1.2]),
}


def drawn_rankings(data: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Rankings (n, 4) under the Plackett-Luce model, 1 = best: Gumbel noise on each worth."""
    utilities = WORTHS[data] + rng.gumbel(size=(n, 4))
    return (-utilities).argsort(axis=1).argsort(axis=1) + 1


# population values: formulas on a large sample, apart from the functions under test


def alpha_of(covariance: np.ndarray) -> float:
    k = len(covariance)
    return k / (k - 1) * (1 - np.trace(covariance) / covariance.sum())


def population_alpha(kind: str, rng: np.random.Generator) -> dict[str, float]:
    value = alpha_of(np.cov(scale_answers(kind, POPULATION, rng).T))
    return {"alpha, Feldt": value, "alpha, bootstrap": value}


def population_omega(kind: str, rng: np.random.Generator) -> dict[str, float]:
    """The function itself at large n: the target of its fit where one factor holds only nearly."""
    return {"omega, bootstrap": reliability.omega_total(scale_answers(kind, POPULATION, rng)).value}


def population_levels(kind: str, rng: np.random.Generator) -> dict[str, float]:
    answers = repeated_answers(kind, POPULATION // 4, rng)
    n, conditions, items = answers.shape
    people = answers.mean(axis=1, keepdims=True)
    residual = (answers - people - answers.mean(axis=0) + answers.mean(axis=(0, 1))).reshape(-1, items)
    within = residual.T @ residual / ((n - 1) * (conditions - 1))
    between = conditions * np.cov(people[:, 0].T) - within
    return {"within, bootstrap": alpha_of(within), "between, bootstrap": alpha_of(between)}


def population_icc(name: str, raters: str) -> Callable[[str, np.random.Generator], dict[str, float]]:
    """Mean covariance of two ratings of a unit over their mean variance."""

    def value(kind: str, rng: np.random.Generator) -> dict[str, float]:
        covariance = np.cov(ratings_by(raters)(kind, POPULATION, rng).T)
        return {name: float(covariance[np.triu_indices(3, 1)].mean() / np.trace(covariance) * 3)}

    return value


def shares(values: np.ndarray) -> dict[float, float]:
    found, times = np.unique(values, return_counts=True)
    return dict(zip(found.tolist(), (times / len(values)).tolist(), strict=True))


def sum_shares(first: dict[float, float], second: dict[float, float]) -> dict[float, float]:
    sums: dict[float, float] = {}
    for (a, p), (b, q) in product(first.items(), second.items()):
        sums[a + b] = sums.get(a + b, 0.0) + p * q
    return sums


def above_minus_below(of: dict[float, float]) -> float:
    return sum(p * np.sign(value) for value, p in of.items())


def median_of(of: dict[float, float]) -> float:
    values = sorted(of)
    return values[int(np.searchsorted(np.cumsum([of[value] for value in values]), 0.5))]


def population_pairs(data: str, rng: np.random.Generator) -> dict[str, float]:
    """From the distribution of the sum of two people's differences; "pratt" leaves out pairs that are both zero."""
    differences = shares(np.subtract(*paired_answers(data, POPULATION, rng).T))
    nonzero = 1 - differences.get(0.0, 0.0)
    dropped = {value: p / nonzero for value, p in differences.items() if value}
    two = sum_shares(differences, differences)
    return {
        "rank-biserial, paired, pratt": above_minus_below(two) / (1 - (1 - nonzero) ** 2),
        "rank-biserial, paired, drop": above_minus_below(sum_shares(dropped, dropped)),
        "Hodges-Lehmann, paired": median_of(two) / 2,
    }


def population_groups(data: str, rng: np.random.Generator) -> dict[str, float]:
    x, y = two_groups(data, POPULATION, rng).T
    difference = sum_shares(shares(x), shares(-y))
    return {
        "rank-biserial, independent": above_minus_below(difference),
        "Hodges-Lehmann, independent": median_of(difference),
    }


def population_w(data: str, rng: np.random.Generator) -> dict[str, float]:
    ranks = rankdata(four_conditions(data, POPULATION, rng), axis=1)
    return {"Kendall W, bootstrap": float(ranks.mean(axis=0).var() / ranks.var(axis=1).mean())}


def population_worth(data: str, rng: np.random.Generator) -> dict[str, float]:
    """Known without a simulation: what the rankings are drawn with."""
    best = float(WORTHS[data][-1])
    return {"Plackett-Luce, bootstrap": best, "Plackett-Luce, normal": best}


# intervals of one sample


def alpha_feldt(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    return {"alpha, Feldt": reliability.cronbach_alpha(answers).interval}


def alpha_bootstrap(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    return {"alpha, bootstrap": reliability.cronbach_alpha(answers, resamples=1000, rng=rng).bootstrap_interval}


def omega_bootstrap(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    return {"omega, bootstrap": reliability.omega_total(answers, resamples=500, rng=rng).interval}


def levels_bootstrap(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    people, conditions, items = answers.shape
    result = reliability.within_between_alpha(
        answers.reshape(-1, items),
        participant=np.repeat(np.arange(people), conditions),
        condition=np.tile(np.arange(conditions), people),
        resamples=250,
        rng=rng,
    )
    return {"within, bootstrap": result.within.interval, "between, bootstrap": result.between.interval}


def icc_interval(name: str, form: str) -> Callable[[np.ndarray, np.random.Generator], dict[str, Interval]]:
    def interval(ratings: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
        return {name: getattr(reliability.intraclass_correlations(ratings), form).interval}

    return interval


def pair_intervals(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    x, y = answers.T
    pratt = comparison.signed_rank(x, y, exact="never")
    drop = comparison.signed_rank(x, y, exact="never", zeros="drop")
    return {
        "rank-biserial, paired, pratt": pratt.rank_biserial_interval,
        "rank-biserial, paired, drop": drop.rank_biserial_interval,
        "Hodges-Lehmann, paired": pratt.hodges_lehmann_interval,
    }


def group_intervals(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    result = comparison.rank_sum(*answers.T, exact="never")
    return {
        "rank-biserial, independent": result.rank_biserial_interval,
        "Hodges-Lehmann, independent": result.hodges_lehmann_interval,
    }


def w_bootstrap(answers: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    return {
        "Kendall W, bootstrap": comparison.friedman(answers, exact="never", resamples=500, rng=rng).kendall_w_interval
    }


def worth_intervals(rankings: np.ndarray, rng: np.random.Generator) -> dict[str, Interval]:
    result = preference.plackett_luce(rankings, resamples=500, rng=rng)
    return {
        "Plackett-Luce, bootstrap": result.intervals[-1],
        "Plackett-Luce, normal": result.normal_intervals[-1],
    }


# coverage


@dataclass(frozen=True, slots=True)
class Experiment:
    """Intervals made from samples of one kind; `runs` is fixed, so that the seed gives the same table anywhere."""

    data: tuple[str, ...]
    draw: Callable[[str, int, np.random.Generator], Any]
    population: Callable[[str, np.random.Generator], dict[str, float]]
    intervals: Callable[[Any, np.random.Generator], dict[str, Interval]]
    runs: int


KINDS = tuple(CUTS)
KINDS_WITH_EFFECT = tuple(f"{kind}, {effect}" for effect in EFFECTS for kind in CUTS)

EXPERIMENTS = (
    Experiment(KINDS, scale_answers, population_alpha, alpha_feldt, 4000),
    Experiment(KINDS, scale_answers, population_alpha, alpha_bootstrap, 700),
    Experiment(KINDS, scale_answers, population_omega, omega_bootstrap, 120),
    Experiment(KINDS, repeated_answers, population_levels, levels_bootstrap, 130),
    Experiment(KINDS, ratings_by("own"), population_icc("ICC 1 and 1k", "own"), icc_interval("ICC 1 and 1k", "icc1"), 4000),
    Experiment(KINDS, ratings_by("drawn"), population_icc("ICC 2 and 2k", "own"), icc_interval("ICC 2 and 2k", "icc2"), 4000),
    Experiment(KINDS, ratings_by("fixed"), population_icc("ICC 3 and 3k", "fixed"), icc_interval("ICC 3 and 3k", "icc3"), 4000),
    Experiment(KINDS_WITH_EFFECT, paired_answers, population_pairs, pair_intervals, 4000),
    Experiment(KINDS_WITH_EFFECT, two_groups, population_groups, group_intervals, 4000),
    Experiment(KINDS_WITH_EFFECT, four_conditions, population_w, w_bootstrap, 300),
    Experiment(tuple(WORTHS), drawn_rankings, population_worth, worth_intervals, 700),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Coverage:
    """`coverage` among the intervals that are defined; `error` is its Monte Carlo standard error."""

    interval: str
    data: str
    n: int
    value: float
    runs: int
    undefined: float
    coverage: float
    error: float

    @property
    def mark(self) -> str:
        """Where the coverage lies more than three errors from nominal; empty where it does not."""
        off = (self.coverage - NOMINAL) / self.error
        if not isfinite(off):
            return "undefined"
        return "below" if off < -3 else "above" if off > 3 else ""


def coverages(experiment: Experiment, *, runs: int, seed: list[int]) -> Iterator[Coverage]:
    for place, data in enumerate(experiment.data):
        rng = np.random.default_rng([*seed, place])
        values = experiment.population(data, rng)
        for n in PARTICIPANTS:
            samples = (experiment.draw(data, n, rng) for _ in range(runs))
            intervals = [experiment.intervals(sample, rng) for sample in samples]
            for name in intervals[0]:
                held = np.array([holds(of_run[name], values[name]) for of_run in intervals])
                yield coverage(name, data, n, values[name], held)


def holds(interval: Interval, value: float) -> float:
    """1 or 0, NaN where there is no interval; ends and value are sums in different orders, hence the allowance."""
    return float(interval.low - 1e-9 <= value <= interval.high + 1e-9) if interval.defined else nan


def coverage(interval: str, data: str, n: int, value: float, held: np.ndarray) -> Coverage:
    """The error is that of a share with one run more on either side, so that it is not 0 where every run held."""
    defined = held[np.isfinite(held)]
    share = float(defined.mean()) if len(defined) else nan
    smoothed = (defined.sum() + 1) / (len(defined) + 2)
    error = sqrt(smoothed * (1 - smoothed) / len(defined)) if len(defined) else nan
    return Coverage(interval, data, n, value, len(held), 1 - len(defined) / len(held), share, error)


def all_coverages(*, divisor: int = 1) -> Iterator[Coverage]:
    """The table's rows; `divisor` makes fewer runs."""
    for number, experiment in enumerate(EXPERIMENTS):
        yield from coverages(experiment, runs=experiment.runs // divisor, seed=[SEED, number])


# the page

PAGE = """# Coverage: do tests and intervals keep their word?

`python tests/calibration.py` makes this page. {made}

## Exact tests

Each line fixes a pattern of ties and zeros, lists every outcome that it allows with its chance under no effect, and adds the
chances of those with `p_exact` up to the level: nothing is simulated. *Size* is that sum. It never exceeds the level, and
it equals the largest p up to the level that the pattern allows, so the tests are exact and not merely cautious.

{sizes}

## Intervals

How often a nominal 95 % interval held the population value. Answers are on 7 points: a normal variable cut symmetrically,
skewed to the low end, or with half of the answers at the top (*ceiling*). *Moderate* and *large* are shifts of {moderate} and {large}
latent standard deviations between the two conditions or groups (or the lowest and highest of four). Scales have four items that share half
of their variance; ICCs have three raters; *independent* has n in each group; Plackett-Luce is the best liked of four objects.
Population values come from {population:,} simulated people, by formulas apart from the functions checked (within and
between: a quarter as many, each asked four times; omega: the function itself; Plackett-Luce: the worths that the rankings were drawn with). Intervals of ICC 1k to 3k are
those of 1 to 3 stepped up, so they cover alike. Bootstraps have 1,000 resamples for alpha, 500 for omega, W and Plackett-Luce,
250 within and between.

*MC error* is the standard error of the coverage, which counts defined intervals only; *undefined* is the share of runs
without an interval. *Mark* says **below** or **above** where coverage lies more than three of these errors from 95 %:
{below} of {rows} lines are below and {above} above. Below, an interval claims more than it keeps: read it as a description.
Where there are few runs (omega, within, between) the error is large, and a line without a mark shows little.

{summary}

All lines:

{coverages}
"""


def made(seconds: float) -> str:
    return (
        f"Made {date.today().isoformat()} in {seconds / 60:.0f} min on one of {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}, seed {SEED}."
    )


def markdown(header: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = [header, ("---",) * len(header), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def sizes_table(found: list[Size]) -> str:
    """A line per test and pattern, the levels beside each other."""
    header = ("test", "pattern", *(f"{what} at {level:.2f}" for level in LEVELS for what in ("size", "largest p")))
    lines: dict[tuple[str, str], tuple[str, ...]] = {}
    for s in found:
        lines[s.test, s.pattern] = (*lines.get((s.test, s.pattern), ()), f"{s.size:.5f}", f"{s.largest_p:.5f}")
    return markdown(header, [(*names, *numbers) for names, numbers in lines.items()])


def summary_table(found: list[Coverage]) -> str:
    """A line per interval: the lowest and highest coverage over data and n, and the most that were undefined."""
    header = ("interval", "lowest coverage", "highest coverage", "undefined up to", "lines", "below", "above")
    lines = []
    for interval in dict.fromkeys(row.interval for row in found):
        rows = [row for row in found if row.interval == interval]
        marks = [row.mark for row in rows]
        ends = (f"{end(row.coverage for row in rows):.3f}" for end in (min, max))
        undefined = f"{max(row.undefined for row in rows):.1%}"
        lines.append((interval, *ends, undefined, *map(str, (len(rows), marks.count("below"), marks.count("above")))))
    return markdown(header, lines)


def coverage_table(found: list[Coverage]) -> str:
    header = ("interval", "data", "n", "value", "nominal", "coverage", "MC error", "runs", "undefined", "mark")
    return markdown(header, [coverage_cells(row) for row in found])


def coverage_cells(row: Coverage) -> tuple[str, ...]:
    numbers = (f"{row.value:.3f}", f"{NOMINAL:.2f}", f"{row.coverage:.3f}", f"{row.error:.3f}", f"{row.runs:,}")
    return row.interval, row.data, str(row.n), *numbers, f"{row.undefined:.1%}", row.mark


def page(found_sizes: list[Size], found_coverages: list[Coverage], seconds: float) -> str:
    marks = [row.mark for row in found_coverages]
    return PAGE.format(
        made=made(seconds),
        sizes=sizes_table(found_sizes),
        summary=summary_table(found_coverages),
        coverages=coverage_table(found_coverages),
        moderate=EFFECTS["moderate"],
        large=EFFECTS["large"],
        population=POPULATION,
        rows=len(marks),
        below=marks.count("below"),
        above=marks.count("above"),
    )


def main(arguments: list[str]) -> int:
    if set(arguments) - {"--quick"}:
        print("python tests/calibration.py [--quick]", file=sys.stderr)
        return 2
    begun = time.perf_counter()
    quick = "--quick" in arguments
    found_sizes = list(exact_sizes(most=9 if quick else 12))
    found_coverages = list(all_coverages(divisor=20 if quick else 1))
    text = page(found_sizes, found_coverages, time.perf_counter() - begun)
    print(text)
    if not quick:
        COVERAGE_PAGE.write_text(text, encoding="utf-8")
    return 1 if any(s.size > s.level + 1e-12 for s in found_sizes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
