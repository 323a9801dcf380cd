"""Effects that belong to rank tests, with their intervals: Hodges-Lehmann shifts and rank-biserial correlations.

Ties have been settled before values arrive here; the tests themselves live in `comparison`.
"""

from __future__ import annotations

from math import atanh, isnan, nan, sqrt, tanh

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from workbench.stats._exact import MOST_GROUP_PRODUCT, MOST_SIGN_FLIPS, untied_rank_sum_cdf, untied_signed_rank_cdf
from workbench.stats.intervals import Interval, undefined_interval

FloatArray = NDArray[np.float64]

ORDER_STATISTICS = "order statistics, exact no-ties null distribution"
ORDER_STATISTICS_NORMAL = "order statistics, normal approximation"
FISHER_JACKKNIFE = "jackknife on Fisher's z"
FISHER_PLACEMENTS = "placements on Fisher's z"


def paired_shift(differences: FloatArray, level: float) -> tuple[float, Interval]:
    """Median of the Walsh averages of `differences` (n,), zeros included, and its order-statistic interval."""
    n = len(differences)
    first, second = np.triu_indices(n)
    walsh = np.sort((differences[first] + differences[second]) / 2)
    if n <= MOST_SIGN_FLIPS:
        cdf, method = untied_signed_rank_cdf(n), ORDER_STATISTICS
    else:
        cdf, method = _normal_cdf(n * (n + 1) / 4, sqrt(n * (n + 1) * (2 * n + 1) / 24)), ORDER_STATISTICS_NORMAL
    return float(np.median(walsh)), _order_statistics(walsh, cdf, level, method)


def group_shift(x: FloatArray, y: FloatArray, level: float) -> tuple[float, Interval]:
    """Median of all x - y of two independent groups, and its order-statistic interval."""
    shifts = np.sort((x[:, None] - y).ravel())
    pairs = len(shifts)
    if pairs <= MOST_GROUP_PRODUCT:
        cdf, method = untied_rank_sum_cdf(len(x), len(y)), ORDER_STATISTICS
    else:
        cdf, method = _normal_cdf(pairs / 2, sqrt(pairs * (len(x) + len(y) + 1) / 12)), ORDER_STATISTICS_NORMAL
    return float(np.median(shifts)), _order_statistics(shifts, cdf, level, method)


def _normal_cdf(mean: float, sd: float) -> FloatArray:
    cdf: FloatArray = ndtr((np.arange(int(mean) + 1) + 0.5 - mean) / sd)
    return cdf


def _order_statistics(ordered: FloatArray, cdf: FloatArray, level: float, method: str) -> Interval:
    """From the c-th lowest to the c-th highest of `ordered`, c the largest with 2 P(statistic < c) <= 1 - level."""
    c = int(np.searchsorted(cdf, (1 - level) / 2 + 1e-12, side="right"))
    if c == 0:
        return undefined_interval(level, method)
    return Interval(float(ordered[c - 1]), float(ordered[-c]), float(1 - 2 * cdf[c - 1]), method)


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
