"""Intervals and the resampling that makes them.

Whole participants (or clusters of units) are drawn, never single answers.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr

from workbench.stats._checks import level_between_0_and_1

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Interval:
    """A range of values that the data are compatible with.

    `low` and `high` are NaN where the interval is undefined. `level` is the confidence level, or,
    for an interval made of order statistics, the level it reached. `method` names the method.
    """

    low: float
    high: float
    level: float
    method: str

    @property
    def defined(self) -> bool:
        return isfinite(self.low) and isfinite(self.high)


def undefined_interval(level: float, method: str) -> Interval:
    """An interval of NaN, for an estimate that has none."""
    return Interval(nan, nan, level, method)


def median_interval(values: FloatArray, *, level: float = 0.95) -> Interval:
    """Interval of a median between two order statistics: of `level` or more, whatever the distribution.

    `values` (n,), NaN = missing. Returns the k-th smallest and the k-th largest value, k as large as the binomial distribution
    allows, with the level reached; NaN where even the extremes do not reach `level`, with fewer than 6 values at .95. Raises
    ArgumentError for a level outside 0 to 1.

    Thompson 1936, Annals of Mathematical Statistics 7:122; Conover 1999, Practical Nonparametric Statistics, 3rd ed., section 3.2.

    >>> median_interval(np.arange(1.0, 11.0)).low, median_interval(np.arange(1.0, 11.0)).high
    (2.0, 9.0)
    """
    level_between_0_and_1("level", level)
    ordered = np.sort(np.asarray(values, dtype=float)[~np.isnan(values)])
    n = len(ordered)
    outside = bdtr(np.arange(n), n, 0.5)
    k = int((outside <= (1 - level) / 2 + 1e-12).sum())
    if k == 0:
        return undefined_interval(level, "order statistics")
    reached = 1 - 2 * float(outside[k - 1])
    return Interval(float(ordered[k - 1]), float(ordered[n - k]), reached, "order statistics")


DRAWS_AT_ONCE = 100
CELLS_AT_ONCE = 200_000


def resampled_counts(n_rows: int, resamples: int, rng: np.random.Generator) -> Iterator[FloatArray]:
    """How often each row was drawn (some resamples, n_rows), in blocks: as many rows as there are, with replacement.

    What sums over rows is then one matrix product for a block, and no row is copied.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13.
    """
    at_once = max(1, min(DRAWS_AT_ONCE, CELLS_AT_ONCE // n_rows))
    for start in range(0, resamples, at_once):
        size = min(at_once, resamples - start)
        cells = rng.integers(0, n_rows, (size, n_rows)) + n_rows * np.arange(size)[:, np.newaxis]
        yield np.bincount(cells.ravel(), minlength=size * n_rows).reshape(size, n_rows).astype(np.float64)


def percentile_interval(draws: FloatArray, level: float, *, unit: str = "rows") -> Interval:
    """The middle `level` of bootstrap `draws` (resamples,), NaN draws left out and counted."""
    defined = draws[np.isfinite(draws)]
    method = f"percentile bootstrap over {unit}, {len(draws)} resamples"
    if len(defined) < len(draws):
        method += f", {len(draws) - len(defined)} undefined"
    if len(defined) < 2:
        return undefined_interval(level, method)
    low, high = np.quantile(defined, [(1 - level) / 2, (1 + level) / 2])
    return Interval(float(low), float(high), level, method)


def normal_interval(
    value: float, standard_error: float, level: float, *, low: float = -inf, high: float = inf
) -> Interval:
    """value ± z · standard_error, cut at `low` and `high`; NaN where either is undefined."""
    from scipy.special import ndtri

    if not (isfinite(value) and isfinite(standard_error)):
        return undefined_interval(level, "normal")
    margin = float(ndtri((1 + level) / 2)) * standard_error
    return Interval(max(value - margin, low), min(value + margin, high), level, "normal")


def mean_interval(values: FloatArray, level: float) -> Interval:
    """Student's interval of the mean of `values` (n,); NaN for fewer than two values."""
    from scipy.special import stdtrit

    n = len(values)
    if n < 2:
        return undefined_interval(level, "Student's t")
    mean = float(values.mean())
    margin = float(stdtrit(n - 1, (1 + level) / 2)) * float(values.std(ddof=1)) / float(np.sqrt(n))
    return Interval(mean - margin, mean + margin, level, "Student's t")
