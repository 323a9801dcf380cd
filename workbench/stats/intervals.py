"""Intervals and the resampling that makes them.

The one bootstrap of this package lives here. Statistics hand in a function of row numbers; whole
participants (or clusters of units) are drawn, never single answers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import inf, isfinite, nan

import numpy as np
from numpy.typing import NDArray

from workbench.stats._checks import level_between_0_and_1, resampling

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


def percentile_bootstrap(
    statistic: Callable[[IntArray], FloatArray],
    n_rows: int,
    *,
    resamples: int,
    rng: np.random.Generator | None,
    level: float = 0.95,
    clusters: NDArray[np.generic] | None = None,
) -> tuple[Interval, ...]:
    """Percentile intervals by resampling rows, or whole clusters of rows, with replacement.

    `statistic` takes row numbers (rows,) and returns the statistics (s,) of those rows; `clusters`
    (n_rows,) labels rows that stay together. Returns s intervals; with `resamples=0` they are
    NaN. Resamples in which a statistic is undefined are left out for that statistic, and `method`
    says how many. Raises ArgumentError when `resamples` is negative or comes without `rng`.

    Efron & Tibshirani 1993, An Introduction to the Bootstrap, chapter 13; clusters: Field & Welsh
    2007, JRSS-B 69:369.
    """
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    if resamples == 0 or rng is None:
        size = len(np.atleast_1d(statistic(np.arange(n_rows))))
        return tuple(undefined_interval(level, "none asked for") for _ in range(size))
    draws = np.array([np.atleast_1d(statistic(rows)) for rows in _row_draws(n_rows, resamples, rng, clusters)])
    unit = "rows" if clusters is None else "clusters"
    return tuple(percentile_interval(column, level, unit=unit) for column in draws.T)


def _row_draws(
    n_rows: int, resamples: int, rng: np.random.Generator, clusters: NDArray[np.generic] | None
) -> Iterator[IntArray]:
    if clusters is None:
        for _ in range(resamples):
            yield rng.integers(0, n_rows, n_rows)
        return
    _, membership = np.unique(clusters, return_inverse=True)
    members = [np.flatnonzero(membership == cluster) for cluster in range(membership.max() + 1)]
    for _ in range(resamples):
        yield np.concatenate([members[cluster] for cluster in rng.integers(0, len(members), len(members))])


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
