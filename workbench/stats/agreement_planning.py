"""How many units a reliability sample needs: the width of an interval for kappa, by simulation.

Two raters use a code equally often; units of one participant may be more alike than others. What a study's own
prevalence and likeness are is estimated elsewhere, but for `intracluster_correlation`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, inf, isfinite, nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workbench.errors import ArgumentError
from workbench.stats._checks import level_between_0_and_1, number_array, same_length

FloatArray = NDArray[np.float64]

DRAWS = 10_000
MOST_UNITS = 1_000_000
STEPS = 3
"""Times that a number of units is corrected by the half-width simulated for it."""
HALF = 0.5
"""Of targeted units, the share drawn where the first rater applied the code."""


@dataclass(frozen=True, slots=True, eq=False)
class KappaWidth:
    """The half-width of kappa's interval that simulated samples show; `undefined` is the share without a kappa."""

    half_width: float
    undefined: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class UnitsNeeded:
    """How many units give an interval of the wanted half-width.

    `half_width` was simulated at `n_units`.
    """

    n_units: float
    half_width: float
    design_effect: float
    reason: str


def kappa_half_width(
    n_units: float,
    *,
    prevalence: float,
    kappa: float,
    design_effect: float = 1.0,
    level: float = 0.95,
    draws: int = DRAWS,
    rng: np.random.Generator,
) -> KappaWidth:
    """Half the width of the middle `level` of kappa over simulated samples of `n_units`.

    Two raters apply a code to the share `prevalence` of units each and agree by `kappa`. `design_effect` 1 takes
    units as independent; n units count as n / design_effect. Returns NaN with a reason where kappa is undefined in
    more than half of the samples. Raises ArgumentError for a prevalence, kappa or design effect that cannot be.

    Cells p11 = p^2 + k p q, p00 = q^2 + k p q, p10 = p01 = p q (1 - k), drawn from a multinomial. Cohen 1960,
    Educational and Psychological Measurement 20:37; design effect: Kish 1965, Survey Sampling (from memory).

    >>> rng = np.random.default_rng(1)
    >>> round(kappa_half_width(139, prevalence=0.5, kappa=0.8, rng=rng).half_width, 1)
    0.1
    """
    cells = _cells(prevalence, kappa)
    _design_effect(design_effect)
    level_between_0_and_1("level", level)
    effective = max(round(n_units / design_effect), 1)
    counts = rng.multinomial(effective, cells, size=draws).astype(np.float64)
    return _width(_kappas(counts / effective), level)


def units_for_kappa(
    half_width: float,
    *,
    prevalence: float,
    kappa: float,
    design_effect: float = 1.0,
    level: float = 0.95,
    draws: int = DRAWS,
    rng: np.random.Generator,
) -> UnitsNeeded:
    """How many units, drawn at random, give kappa an interval of the wanted `half_width`.

    The other arguments and errors as in `kappa_half_width`; `half_width` lies between 0 and 1. Begins with the
    large-sample variance and corrects by simulation. Returns NaN with a reason where kappa cannot vary (prevalence
    0 or 1) or more than a million units would be needed.

    Variance: Fleiss, Cohen & Everitt 1969, Psychological Bulletin 72:323.

    >>> rng = np.random.default_rng(1)
    >>> 130 < units_for_kappa(0.1, prevalence=0.5, kappa=0.8, rng=rng).n_units < 150
    True
    """
    _half_width(half_width)
    level_between_0_and_1("level", level)
    cells = _cells(prevalence, kappa)
    _design_effect(design_effect)
    if not 0 < prevalence < 1:
        return UnitsNeeded(nan, nan, design_effect, "Nobody, or everybody, would apply the code to every unit.")
    n = _large_sample_units(cells, half_width, level) * design_effect
    reached = KappaWidth(nan, nan, "")
    for _ in range(STEPS):
        if n > MOST_UNITS:
            return UnitsNeeded(nan, nan, design_effect, f"More than {MOST_UNITS:,} units would be needed.")
        reached = kappa_half_width(
            n, prevalence=prevalence, kappa=kappa, design_effect=design_effect, level=level, draws=draws, rng=rng
        )
        n = (
            2 * n
            if not isfinite(reached.half_width)
            else max(n * (reached.half_width / half_width) ** 2, design_effect)
        )
    return UnitsNeeded(ceil(n), reached.half_width, design_effect, reached.reason)


def targeted_units_for_kappa(
    half_width: float,
    *,
    prevalence: float,
    kappa: float,
    n_units: int,
    design_effect: float = 1.0,
    level: float = 0.95,
    draws: int = DRAWS,
    rng: np.random.Generator,
) -> UnitsNeeded:
    """How many more units are needed beside `n_units` drawn at random, if half of them are ones the code is likely in.

    "Likely" means that the first rater applied the code, who has coded all units, so that what the second rater did
    in both kinds of unit can be weighted back to how common they are. Arguments and errors as in `units_for_kappa`.
    Returns the number of further units; 0 where those drawn do.

    kappa from prevalence p, a = P(second applies | first did), b = P(second applies | first did not), with a and b
    from the units of each kind: Cochran 1977, Sampling Techniques, 3rd ed., chapter 5 (from memory).
    """
    _half_width(half_width)
    level_between_0_and_1("level", level)
    cells = _cells(prevalence, kappa)
    _design_effect(design_effect)
    if not 0 < prevalence < 1:
        return UnitsNeeded(nan, nan, design_effect, "Nobody, or everybody, would apply the code to every unit.")

    def width(more: float) -> float:
        applied = (n_units * prevalence + more * HALF) / design_effect
        others = (n_units * (1 - prevalence) + more * (1 - HALF)) / design_effect
        kappas = _weighted_kappas(cells, max(round(applied), 1), max(round(others), 1), draws, rng)
        return _width(kappas, level).half_width

    reached = width(0)
    if reached <= half_width:
        return UnitsNeeded(0, reached, design_effect, "")
    low, high = 0.0, 16.0
    while (reached := width(high)) > half_width:
        low, high = high, 2 * high
        if high > MOST_UNITS:
            return UnitsNeeded(nan, nan, design_effect, f"More than {MOST_UNITS:,} units would be needed.")
    while high - low > max(1.0, 0.02 * high):
        middle = (low + high) / 2
        if (at_middle := width(middle)) > half_width:
            low = middle
        else:
            high, reached = middle, at_middle
    return UnitsNeeded(ceil(high), reached, design_effect, "")


def intracluster_correlation(values: ArrayLike, *, clusters: Sequence[Any] | NDArray[Any]) -> float:
    """How alike `values` (units, statistics) of one cluster are, pooled over the statistics; NaN where undefined.

    Each statistic counts by its own variance. May be below 0 by chance. Raises ArgumentError where `clusters`
    (units,) does not fit.

    sum (MSB - MSW) / sum (MSB + (m - 1) MSW), both divided by the statistic's variance, m the mean size of a cluster
    corrected for unequal sizes. Donner 1986, International Statistical Review 54:67 (from memory).

    >>> intracluster_correlation([[1.0], [1.0], [2.0], [2.0]], clusters=["a", "a", "b", "b"])
    1.0
    """
    table = number_array("values", values, dimensions=2)
    same_length("clusters", clusters, "values", table)
    labels, cluster = np.unique(np.asarray(clusters), return_inverse=True)
    table = table[:, table.var(axis=0) > 0]
    n, k = len(table), len(labels)
    if k < 2 or n <= k or not table.shape[1]:
        return nan
    sizes = np.bincount(cluster).astype(np.float64)
    standardized = (table - table.mean(axis=0)) / table.std(axis=0)
    sums = np.zeros((k, table.shape[1]))
    np.add.at(sums, cluster, standardized)
    between = (sums**2 / sizes[:, None]).sum(axis=0)
    mean_between, mean_within = between / (k - 1), (n - between) / (n - k)
    size = (n - (sizes**2).sum() / n) / (k - 1)
    return float((mean_between - mean_within).sum() / (mean_between + (size - 1) * mean_within).sum())


def _cells(prevalence: float, kappa: float) -> FloatArray:
    """Chances that both, only the first, only the second, and none of two raters apply a code."""
    if not 0 <= prevalence <= 1:
        raise ArgumentError(f"`prevalence` is {prevalence}; a share from 0 to 1 is needed.")
    p, q = prevalence, 1 - prevalence
    cells = np.array([p * p + kappa * p * q, p * q * (1 - kappa), p * q * (1 - kappa), q * q + kappa * p * q])
    if not kappa <= 1 or (cells < 0).any():
        raise ArgumentError(
            f"`kappa` is {kappa}; at prevalence {prevalence} it lies between {_lowest(p, q):.2f} and 1."
        )
    return cells


def _lowest(p: float, q: float) -> float:
    return -min(p / q, q / p) if p and q else 0.0


def _design_effect(value: float) -> None:
    if not 0 < value < inf:
        raise ArgumentError(f"`design_effect` is {value}; a number above 0 is needed (1 = independent units).")


def _half_width(value: float) -> None:
    if not 0 < value < 1:
        raise ArgumentError(f"`half_width` is {value}; a value between 0 and 1 is needed.")


def _kappas(cells: FloatArray) -> FloatArray:
    """Kappa of each row of cells (samples, 4) that add up to 1; NaN where chance agreement is 1."""
    both, first, second, none = cells.T
    a, b = both + first, both + second
    above_chance = 1 - (a * b + (1 - a) * (1 - b))
    kappas = np.full(len(cells), nan)
    np.divide(both + none - 1 + above_chance, above_chance, out=kappas, where=above_chance > 1e-12)
    return kappas


def _weighted_kappas(cells: FloatArray, applied: int, others: int, draws: int, rng: np.random.Generator) -> FloatArray:
    both, first, second, none = cells
    p, q = both + first, second + none
    a = rng.binomial(applied, both / p, size=draws) / applied
    b = rng.binomial(others, second / q, size=draws) / others
    return _kappas(np.stack([p * a, p * (1 - a), q * b, q * (1 - b)], axis=1))


def _width(kappas: FloatArray, level: float) -> KappaWidth:
    defined = kappas[np.isfinite(kappas)]
    undefined = 1 - len(defined) / len(kappas)
    if undefined > HALF:
        return KappaWidth(nan, undefined, "In most samples of this size kappa would be undefined.")
    low, high = np.quantile(defined, [(1 - level) / 2, (1 + level) / 2])
    return KappaWidth(float(high - low) / 2, undefined, "")


def _large_sample_units(cells: FloatArray, half_width: float, level: float) -> float:
    from scipy.special import ndtri

    both, first, second, none = cells
    p, agree = both + first, both + none
    chance, missed = p * p + (1 - p) ** 2, 1 - agree
    terms = both * (1 - chance - 2 * p * missed) ** 2 + none * (1 - chance - 2 * (1 - p) * missed) ** 2
    terms += (first + second) * missed**2
    variance = (terms - (agree * chance - 2 * chance + agree) ** 2) / (1 - chance) ** 4
    return float((ndtri((1 + level) / 2) * sqrt(max(variance, 0.0)) / half_width) ** 2)
