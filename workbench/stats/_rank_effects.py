"""Effects that belong to rank tests, with their intervals: Hodges-Lehmann shifts and rank-biserial correlations.

Ties have been settled before values arrive here; the tests themselves live in `comparison`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atanh, floor, isnan, nan, sqrt, tanh

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from workbench.stats._exact import MOST_GROUP_PRODUCT, MOST_SIGN_FLIPS, untied_rank_sum_cdf, untied_signed_rank_cdf
from workbench.stats.intervals import Interval, undefined_interval

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ORDER_STATISTICS = "order statistics, exact no-ties null distribution"
ORDER_STATISTICS_NORMAL = "order statistics, normal approximation"
FISHER_JACKKNIFE = "jackknife on Fisher's z"
FISHER_PLACEMENTS = "placements on Fisher's z"


@dataclass(frozen=True, slots=True)
class _CountedValues:
    """Values in ascending order, some more than once, and how many there are up to and including each."""

    values: FloatArray
    upto: IntArray

    @classmethod
    def of(cls, values: FloatArray, times: IntArray) -> _CountedValues:
        order = np.argsort(values)
        return cls(values[order], np.cumsum(times[order]))

    @property
    def total(self) -> int:
        return int(self.upto[-1])

    def at(self, place: int) -> float:
        """The value at `place`, 1 = lowest."""
        return float(self.values[np.searchsorted(self.upto, place)])

    @property
    def median(self) -> float:
        return (self.at((self.total + 1) // 2) + self.at(self.total // 2 + 1)) / 2


def paired_shift(differences: FloatArray, level: float) -> tuple[float, Interval]:
    """Median of the Walsh averages of `differences` (n,), zeros included, and its order-statistic interval.

    Equal differences are counted, not repeated: answers on a scale have few different ones, however many people.
    """
    n = len(differences)
    values, times = np.unique(differences, return_counts=True)
    first, second = np.triu_indices(len(values))
    pairs = np.where(first == second, times[first] * (times[first] + 1) // 2, times[first] * times[second])
    walsh = _CountedValues.of((values[first] + values[second]) / 2, pairs)
    if n <= MOST_SIGN_FLIPS:
        place, reached = _exact_place(untied_signed_rank_cdf(n), level)
        method = ORDER_STATISTICS
    else:
        place, reached = _normal_place(n * (n + 1) / 4, sqrt(n * (n + 1) * (2 * n + 1) / 24), level)
        method = ORDER_STATISTICS_NORMAL
    return walsh.median, _order_statistics(walsh, place, reached, level, method)


def group_shift(x: FloatArray, y: FloatArray, level: float) -> tuple[float, Interval]:
    """Median of all x - y of two independent groups, and its order-statistic interval."""
    pairs = len(x) * len(y)
    (x_values, x_times), (y_values, y_times) = (np.unique(group, return_counts=True) for group in (x, y))
    shifts = _CountedValues.of((x_values[:, None] - y_values).ravel(), np.outer(x_times, y_times).ravel())
    if pairs <= MOST_GROUP_PRODUCT:
        place, reached = _exact_place(untied_rank_sum_cdf(len(x), len(y)), level)
        method = ORDER_STATISTICS
    else:
        place, reached = _normal_place(pairs / 2, sqrt(pairs * (len(x) + len(y) + 1) / 12), level)
        method = ORDER_STATISTICS_NORMAL
    return shifts.median, _order_statistics(shifts, place, reached, level, method)


def _exact_place(cdf: FloatArray, level: float) -> tuple[int, float]:
    """The largest c with 2 P(statistic < c) <= 1 - `level`, and the level that it reaches."""
    c = int(np.searchsorted(cdf, (1 - level) / 2 + 1e-12, side="right"))
    return c, float(1 - 2 * cdf[c - 1])


def _normal_place(mean: float, sd: float, level: float) -> tuple[int, float]:
    """The same where the statistic is about normal, with the continuity correction of one half."""
    c = max(floor(mean + sd * float(ndtri((1 - level) / 2)) + 0.5), 0)
    return c, 1 - 2 * float(ndtr((c - 0.5 - mean) / sd))


def _order_statistics(values: _CountedValues, place: int, reached: float, level: float, method: str) -> Interval:
    """From the value at `place` to that as far from the top; NaN at `level` where there is no place."""
    if place == 0:
        return undefined_interval(level, method)
    return Interval(values.at(place), values.at(values.total + 1 - place), reached, method)


def paired_rank_biserial_interval(differences: FloatArray, value: float, level: float) -> Interval:
    """Interval of the matched-pairs rank-biserial correlation `value` of `differences` (n,).

    (w_plus - w_minus) / (w_plus + w_minus) is the sum of sign(d_i + d_j) over all pairs i <= j, divided by the
    number of pairs that are not both zero. So leaving out person i takes one row sum off each, and the jackknife
    needs no resampling. NaN where |`value`| is 1 or fewer than 3 differences are not zero.
    """
    nonzero = differences != 0
    n, n_nonzero = len(differences), int(nonzero.sum())
    if n_nonzero < 3 or abs(value) >= 1:
        return undefined_interval(level, FISHER_JACKKNIFE)
    ordered = np.sort(differences)
    lower, upper = np.searchsorted(ordered, -differences, "left"), np.searchsorted(ordered, -differences, "right")
    n_zero = n - n_nonzero
    pairs = (n * (n + 1) - n_zero * (n_zero + 1)) / 2
    left_out = (value * pairs - (n - upper - lower)) / (pairs - np.where(nonzero, n, n_nonzero))
    standard_error = sqrt((n - 1) / n * float(((left_out - left_out.mean()) ** 2).sum()))
    return _fisher_interval(value, standard_error, level, FISHER_JACKKNIFE)


def group_rank_biserial_interval(x: FloatArray, y: FloatArray, value: float, level: float) -> Interval:
    """Interval of the rank-biserial correlation `value` of two independent groups, from their placements.

    Variance by DeLong, DeLong & Clarke-Pearson 1988, Biometrics 44:837. NaN where |`value`| is 1 or a group has 1
    value.
    """
    if min(len(x), len(y)) < 2 or abs(value) >= 1:
        return undefined_interval(level, FISHER_PLACEMENTS)
    signs = np.sign(x[:, None] - y)
    variance = signs.mean(axis=1).var(ddof=1) / len(x) + signs.mean(axis=0).var(ddof=1) / len(y)
    return _fisher_interval(value, sqrt(float(variance)), level, FISHER_PLACEMENTS)


def _fisher_interval(value: float, standard_error: float, level: float, method: str) -> Interval:
    if isnan(value) or standard_error == 0:
        return undefined_interval(level, method)
    margin = float(ndtri((1 + level) / 2)) * standard_error / (1 - value**2)
    return Interval(tanh(atanh(value) - margin), tanh(atanh(value) + margin), level, method)


def rank_biserial(plus: float, minus: float) -> float:
    """(plus - minus) / (plus + minus), NaN where both are 0."""
    return (plus - minus) / (plus + minus) if plus + minus > 0 else nan
