"""Reliability of scales and of repeated ratings.

Alpha, omega, two-item reliability, item analysis, intraclass correlations, the error of a sum score,
polychoric (ordinal) reliability, and reliability within and between participants. Scoring and reverse
keys are not here: items arrive as they are to be summed. Agreement of raters on codes lives elsewhere.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtri, ndtr, ndtri, owens_t

from workbench.errors import ArgumentError
from workbench.stats._checks import (
    TIE_TOLERANCE,
    BoolArray,
    FloatArray,
    at_least,
    complete_rows,
    largest_magnitude,
    level_between_0_and_1,
    number_array,
    resampling,
    same_length,
    with_ties,
)
from workbench.stats.intervals import IntArray, Interval, percentile_interval, resampled_counts, undefined_interval

NEGLIGIBLE_VARIANCE = 1e-12
"""A variance below this share of the variances it is made of is a residue of rounding, hence zero."""


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """A value with its interval; both NaN where undefined."""

    value: float
    interval: Interval


@dataclass(frozen=True, slots=True, eq=False)
class CronbachAlpha:
    """Alpha of raw and of standardized items; `interval` (Feldt) and `bootstrap_interval` are those of `raw`."""

    raw: float
    standardized: float
    interval: Interval
    bootstrap_interval: Interval
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class OmegaTotal:
    """Omega total; `loadings` and `uniquenesses` (items,) are standardized, the sum of loadings is positive."""

    value: float
    standardized: float
    loadings: FloatArray
    uniquenesses: FloatArray
    interval: Interval
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class ItemAnalysis:
    """One value for each item, in the order of the columns."""

    means: FloatArray
    sds: FloatArray
    item_rest_correlations: FloatArray
    alpha_if_deleted: FloatArray
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class SpearmanBrown:
    """Reliability of the sum of two items."""

    value: float
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class IntraclassCorrelations:
    """The six forms: one rating (`icc1` to `icc3`) and the mean of all ratings of a unit (`icc1k` to `icc3k`)."""

    icc1: Estimate
    icc2: Estimate
    icc3: Estimate
    icc1k: Estimate
    icc2k: Estimate
    icc3k: Estimate
    n_used: int
    n_dropped: int
    n_raters: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class StandardErrorOfMeasurement:
    """In points of the sum of the items."""

    value: float
    smallest_detectable_change: float
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class PolychoricCorrelation:
    """Correlation of the two normal variables behind two ordered ones; -1 to 1."""

    value: float
    n_used: int
    n_dropped: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class OrdinalAlpha:
    """Standardized alpha of the polychoric `correlations` (items, items)."""

    value: float
    correlations: FloatArray
    n_used: int
    n_dropped: int
    n_items: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class WithinBetweenAlpha:
    """Alpha of changes within participants and of differences between them; `n_used` and `n_dropped` count rows."""

    within: Estimate
    between: Estimate
    n_used: int
    n_dropped: int
    n_participants: int
    n_conditions: int
    n_items: int
    reason: str


def cronbach_alpha(
    answers: ArrayLike, *, level: float = 0.95, resamples: int = 0, rng: np.random.Generator | None = None
) -> CronbachAlpha:
    """Cronbach's alpha of a scale with Feldt's interval.

    `answers` (participants, items), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns alpha of the items as they are (`raw`) and of items brought to one variance
    (`standardized`); with `resamples`, also a percentile interval over participants. A constant item
    leaves `raw` defined and `standardized` undefined. Raises ArgumentError for text, infinity, a
    wrong shape, or `resamples` without `rng`.

    raw = k/(k-1) · (1 - Σ item variances / variance of the sum), standardized = k·r̄ / (1 + (k-1)·r̄);
    (1 - population alpha) / (1 - raw) follows F with n-1 and (n-1)(k-1) degrees of freedom.
    Cronbach 1951, Psychometrika 16:297; Feldt 1965, Psychometrika 30:357 (both cited from memory).

    >>> round(cronbach_alpha([[1, 2], [2, 2], [3, 4], [4, 5]]).raw, 3)
    0.967
    """
    used, n_dropped = _checked_answers(answers, level, resamples, rng)
    n, k = used.shape
    reason = _too_few(n, k, items=2)
    if reason:
        undefined = undefined_interval(level, "undefined")
        return CronbachAlpha(nan, nan, undefined, undefined, n, n_dropped, k, reason)
    covariance = _covariance(used)
    raw = float(_alpha(covariance))
    standardized = float(_alpha(_correlations(covariance)))
    bootstrap_interval = undefined_interval(level, "none asked for")
    if rng is not None and resamples and isfinite(raw):
        bootstrap_interval = percentile_interval(_alpha_draws(used, resamples, rng), level)
    reason = _sentences(
        "" if isfinite(raw) else "The sum of the items is constant; raw alpha is undefined.",
        "" if isfinite(standardized) else "Standardized alpha needs items, and a standardized sum, that vary.",
        _constant_items(used),
        _missing_interval(bootstrap_interval, raw, resamples),
    )
    return CronbachAlpha(
        raw, standardized, _feldt_interval(raw, n, k, level), bootstrap_interval, n, n_dropped, k, reason
    )


def omega_total(
    answers: ArrayLike, *, level: float = 0.95, resamples: int = 0, rng: np.random.Generator | None = None
) -> OmegaTotal:
    """McDonald's omega total from a one-factor model fitted by maximum likelihood.

    `answers` (participants, items), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns omega of the sum of the items (`value`) and of the sum of standardized items; the
    interval is a percentile interval over participants. Fewer than three items, fewer than three
    participants, a constant item or fewer than three items that load leave it undefined. `reason`
    also says when a uniqueness stopped at its lower bound of 0.005 (a Heywood case: the value then
    stands, with caution) and when the fit did not converge.
    Raises ArgumentError for text, infinity, a wrong shape, or `resamples` without `rng`.

    omega = (Σ loadings)² / ((Σ loadings)² + Σ uniquenesses), for `value` with loadings times, and
    uniquenesses times the square of, the items' standard deviations.
    McDonald 1999, Test Theory; Joreskog 1967, Psychometrika 32:443 (the fit and its bound; from memory);
    Clarke 1970, British Journal of Mathematical and Statistical Psychology 23:43 (the Hessian; from memory).

    >>> round(omega_total([[1, 2, 1], [2, 2, 3], [3, 4, 3], [4, 5, 5], [2, 1, 1]]).value, 3)
    0.953
    """
    used, n_dropped = _checked_answers(answers, level, resamples, rng)
    n, k = used.shape
    reason = _too_few(n, k, items=3, participants=3) or _constant_items(used)
    if reason:
        return _undefined_omega(n, n_dropped, k, level, reason)
    covariance = _covariance(used)
    fit = _one_factor(_correlations(covariance)[np.newaxis], item_starts=k)
    if not fit.converged[0]:
        return _undefined_omega(n, n_dropped, k, level, "The one-factor model did not converge.")
    if (np.abs(fit.loadings[0]) > 1e-6).sum() < 3:
        reason = "Fewer than three items load on a common factor; the one-factor model is not identified."
        return _undefined_omega(n, n_dropped, k, level, reason)
    value = _omega(fit, np.sqrt(np.diagonal(covariance))[np.newaxis])
    interval = undefined_interval(level, "none asked for")
    if rng is not None and resamples:
        interval = percentile_interval(_omega_draws(_covariance_draws(used, resamples, rng)), level)
    reason = _sentences(_heywood(fit.uniquenesses[0]), _missing_interval(interval, float(value[0]), resamples))
    loadings = fit.loadings[0] if fit.loadings[0].sum() >= 0 else -fit.loadings[0]
    return OmegaTotal(
        float(value[0]), float(_omega(fit, np.ones((1, k)))[0]), loadings, fit.uniquenesses[0],
        interval, n, n_dropped, k, reason,
    )  # fmt: skip


def item_analysis(answers: ArrayLike) -> ItemAnalysis:
    """Mean, standard deviation, item-rest correlation and alpha-if-deleted of each item.

    `answers` (participants, items), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns arrays (items,); the rest is the sum of the other items. Undefined values (a
    constant item or rest, alpha of the one item that remains of two) are NaN and said in `reason`.
    Raises ArgumentError for text, infinity or a wrong shape.

    Reference: Nunnally & Bernstein 1994, Psychometric Theory (from memory).

    >>> item_analysis([[1, 2, 2], [2, 2, 3], [3, 4, 3]]).means.tolist()
    [2.0, 2.6666666666666665, 2.6666666666666665]
    """
    used, n_dropped = _checked_answers(answers)
    n, k = used.shape
    reason = _too_few(n, k, items=1)
    means = used.mean(axis=0) if n else np.full(k, nan)
    if reason:
        undefined = np.full(k, nan)
        return ItemAnalysis(means, undefined, undefined, undefined, n, n_dropped, k, reason)
    covariance = _covariance(used)
    correlations, alphas = _item_rest_correlations(covariance), _alpha_if_deleted(covariance)
    reason = _sentences(
        _constant_items(used),
        "" if np.isfinite(correlations).all() else "An item-rest correlation needs an item and a rest that vary.",
        "" if np.isfinite(alphas).all() else "Alpha without an item needs two other items, and a sum that varies.",
    )
    return ItemAnalysis(means, np.sqrt(np.diagonal(covariance)), correlations, alphas, n, n_dropped, k, reason)


def spearman_brown(answers: ArrayLike) -> SpearmanBrown:
    """Spearman-Brown reliability of the sum of two items.

    `answers` (participants, 2), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns the value; NaN where an item is constant or the two mirror each other. Raises
    ArgumentError unless there are exactly two items, and for text or infinity.

    2r / (1 + r), r the correlation of the items. Eisinga, te Grotenhuis & Pelzer 2013, International
    Journal of Public Health 58:637.

    >>> round(spearman_brown([[1, 2], [2, 2], [3, 4], [4, 5]]).value, 3)
    0.973
    """
    used, n_dropped = _checked_answers(answers)
    n, k = used.shape
    if k != 2:
        raise ArgumentError(f"`answers` has {k} item(s); Spearman-Brown reliability needs exactly 2.")
    reason = _too_few(n, k, items=2) or _constant_items(used)
    value = nan if reason else float(_alpha(_correlations(_covariance(used))))
    if not reason and not isfinite(value):
        reason = "The items correlate at -1; Spearman-Brown reliability is undefined."
    return SpearmanBrown(value, n, n_dropped, k, reason)


def intraclass_correlations(ratings: ArrayLike, *, level: float = 0.95) -> IntraclassCorrelations:
    """The six intraclass correlations of Shrout and Fleiss, each with its F interval.

    `ratings` (units, raters), NaN or None = missing; units with a missing rating are dropped and
    counted. Returns one-way random (1), two-way random with absolute agreement (2) and two-way mixed
    with consistency (3), for one rating and for the mean of the k raters. Estimates may be negative.
    Raises ArgumentError for text, infinity or a wrong shape.

    Shrout & Fleiss 1979, Psychological Bulletin 86:420.

    >>> round(intraclass_correlations([[9, 2, 5], [6, 1, 3], [8, 4, 6], [7, 1, 2]]).icc3.value, 3)
    0.714
    """
    level_between_0_and_1("level", level)
    array = number_array("ratings", ratings, dimensions=2)
    at_least("ratings", "raters", array.shape[1], 1)
    used, n_dropped = complete_rows(array)
    n, k = used.shape
    if n < 2 or k < 2:
        reason = f"{n} complete unit(s) and {k} rater(s); intraclass correlations need at least 2 of each."
        return _intraclass_correlations([_undefined_estimate(level)] * 6, n, n_dropped, k, reason)
    estimates = _shrout_fleiss(*_mean_squares(used), n, k, level)
    reason = ""
    if not all(isfinite(estimate.value) and estimate.interval.defined for estimate in estimates):
        reason = "There is no variation between units, or none besides raters; some values or intervals are undefined."
    return _intraclass_correlations(estimates, n, n_dropped, k, reason)


def standard_error_of_measurement(answers: ArrayLike) -> StandardErrorOfMeasurement:
    """Standard error of measurement of the sum of the items, and the smallest detectable change.

    `answers` (participants, items), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns both in points of the sum. Raises ArgumentError for text, infinity or a wrong shape.

    value = sd of the sum · sqrt(1 - alpha), smallest detectable change = 1.96 · sqrt(2) · value.
    Harvill 1991, Educational Measurement: Issues and Practice 10(2):33; de Vet et al. 2006, Health and
    Quality of Life Outcomes 4:54 (both from memory).

    >>> round(standard_error_of_measurement([[1, 2], [2, 2], [3, 4], [4, 5]]).value, 3)
    0.5
    """
    used, n_dropped = _checked_answers(answers)
    n, k = used.shape
    reason = _too_few(n, k, items=2)
    if reason:
        return StandardErrorOfMeasurement(nan, nan, n, n_dropped, k, reason)
    covariance = _covariance(used)
    alpha = float(_alpha(covariance))
    if not isfinite(alpha):
        reason = "The sum of the items is constant; its error is undefined."
        return StandardErrorOfMeasurement(nan, nan, n, n_dropped, k, reason)
    value = sqrt(max(covariance.sum() * (1 - alpha), 0.0))
    return StandardErrorOfMeasurement(value, 1.96 * sqrt(2) * value, n, n_dropped, k, "")


def polychoric_correlation(x: ArrayLike, y: ArrayLike) -> PolychoricCorrelation:
    """Polychoric correlation of two ordered variables, by the two-step method.

    `x` and `y` (participants,), NaN or None = missing; pairs with a missing value are dropped and
    counted; the different values that remain are the categories. Returns the correlation; where the
    likelihood rises up to -1 or 1 the value is that bound, and `reason` says so. Raises ArgumentError
    for text, infinity or unequal lengths.

    Thresholds are normal quantiles of the cumulated margins; the correlation maximizes
    Σ counts · log(cell probabilities). No count is added to empty cells.
    Olsson 1979, Psychometrika 44:443.

    >>> round(polychoric_correlation([1, 1, 1, 2, 2, 2], [1, 1, 2, 1, 2, 2]).value, 3)
    0.5
    """
    a, b = number_array("x", x, dimensions=1), number_array("y", y, dimensions=1)
    same_length("x", a, "y", b)
    used, n_dropped = complete_rows(np.column_stack([a, b]))
    n = len(used)
    if n < 2:
        return PolychoricCorrelation(nan, n, n_dropped, f"{n} complete pair(s); at least 2 are needed.")
    value, reason = _two_step_polychoric(used[:, 0], used[:, 1])
    return PolychoricCorrelation(value, n, n_dropped, reason)


def ordinal_alpha(answers: ArrayLike) -> OrdinalAlpha:
    """Ordinal alpha: standardized alpha of the polychoric correlations of the items.

    `answers` (participants, items), NaN or None = missing; rows with a missing answer are dropped and
    counted. Returns the value with the matrix it comes from. It describes the normal variables thought to lie
    behind the items, not the sum score. Raises ArgumentError for text, infinity or a wrong shape.

    k·r̄ / (1 + (k-1)·r̄), r̄ the mean polychoric correlation. Zumbo, Gadermann & Zeisser 2007, Journal of
    Modern Applied Statistical Methods 6:21.

    >>> round(ordinal_alpha([[1, 1], [1, 1], [1, 2], [2, 1], [2, 2], [2, 2]]).value, 3)
    0.667
    """
    used, n_dropped = _checked_answers(answers)
    n, k = used.shape
    reason = _too_few(n, k, items=2) or _constant_items(used)
    correlations = np.full((k, k), nan)
    if reason:
        return OrdinalAlpha(nan, correlations, n, n_dropped, k, reason)
    np.fill_diagonal(correlations, 1.0)
    at_bound = []
    for i in range(k):
        for j in range(i):
            correlations[i, j], note = _two_step_polychoric(used[:, i], used[:, j])
            correlations[j, i] = correlations[i, j]
            if note:
                at_bound.append(f"{j + 1} and {i + 1}")
    value = float(_alpha(correlations))
    reason = _sentences(
        f"The polychoric correlation lies at its bound for items {', '.join(at_bound)}." if at_bound else "",
        "" if isfinite(value) else "The mean polychoric correlation is too negative; ordinal alpha is undefined.",
    )
    return OrdinalAlpha(value, correlations, n, n_dropped, k, reason)


def within_between_alpha(
    answers: ArrayLike,
    *,
    participant: Sequence[Hashable] | NDArray[Any],
    condition: Sequence[Hashable] | NDArray[Any],
    level: float = 0.95,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> WithinBetweenAlpha:
    """Alpha within and between participants of a questionnaire given once in every condition.

    `answers` (rows, items), `participant` (rows,), `condition` (rows,): one row for each participant
    and condition; rows with a missing answer are dropped and counted, and conditions that a participant
    lacks are allowed. Returns `within`, reliability of a participant's changes across conditions once the means of
    conditions are taken off, and `between`, reliability of differences between participants' levels.
    Intervals are percentile intervals over whole participants. A `between` above 1 can come of an
    improper covariance estimate; `reason` says so. Raises ArgumentError for text or infinity in
    `answers`, a missing label, two rows for one participant and condition, or `resamples` without `rng`.

    within: alpha of the residual covariance W after participant and condition; equals R_C of Cranford et al.
    2006, Personality and Social Psychology Bulletin 32:917. between: alpha of (B - W) / c, B the mean
    squares of participants adjusted for conditions, c the rows a participant has (it cancels); two levels:
    Geldhof, Preacher & Zyphur 2014, Psychological Methods 19:72; unbalanced rows: Henderson 1953,
    Biometrics 9:226, method 3 (from memory).

    >>> rows = [[1, 2], [2, 4], [5, 4], [3, 4], [4, 5], [4, 6]]
    >>> result = within_between_alpha(rows, participant=[1, 1, 2, 2, 3, 3], condition=list("ababab"))
    >>> round(result.within.value, 3), round(result.between.value, 3)
    (0.947, 0.867)
    """
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    array = number_array("answers", answers, dimensions=2)
    at_least("answers", "items", array.shape[1], 1)
    same_length("answers", array, "participant", participant)
    same_length("answers", array, "condition", condition)
    whole: BoolArray = np.asarray(~np.isnan(array).any(axis=1))
    people, conditions = _numbered("participant", participant, whole), _numbered("condition", condition, whole)
    _one_row_a_cell(people, conditions, list(participant), whole)
    used, n_dropped = complete_rows(array)
    n_people, n_conditions = len(np.unique(people)), len(np.unique(conditions))
    counts = (len(used), n_dropped, n_people, n_conditions, used.shape[1])
    if used.shape[1] < 2 or n_people < 2 or n_conditions < 2:
        reason = (
            f"{used.shape[1]} item(s), {n_people} participant(s) and {n_conditions} condition(s) with complete answers; "
            "at least 2 of each are needed."
        )
        return WithinBetweenAlpha(_undefined_estimate(level), _undefined_estimate(level), *counts, reason)
    design = _two_levels(used, people, conditions)
    within, between = design.alphas(np.ones((1, n_people)))[:, 0]
    within_interval = between_interval = undefined_interval(level, "none asked for")
    if rng is not None and resamples:
        drawn = [design.alphas(counts) for counts in resampled_counts(n_people, resamples, rng)]
        within_interval, between_interval = (
            percentile_interval(column, level, unit="clusters") for column in np.concatenate(drawn, axis=1)
        )
    reason = _sentences(
        *_two_level_reasons(within, between),
        _missing_interval(within_interval, within, resamples)
        or _missing_interval(between_interval, between, resamples),
    )
    return WithinBetweenAlpha(
        Estimate(float(within), within_interval), Estimate(float(between), between_interval), *counts, reason
    )


def _checked_answers(
    answers: ArrayLike, level: float = 0.95, resamples: int = 0, rng: np.random.Generator | None = None
) -> tuple[FloatArray, int]:
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    array = number_array("answers", answers, dimensions=2)
    at_least("answers", "items", array.shape[1], 1)
    return complete_rows(array)


def _too_few(n: int, k: int, *, items: int, participants: int = 2) -> str:
    """Why n participants with k items are too few; empty where they are not."""
    return _sentences(
        f"{k} item(s); at least {items} are needed." if k < items else "",
        f"{n} participant(s) with complete answers; at least {participants} are needed." if n < participants else "",
    )


def _sentences(*sentences: str) -> str:
    return " ".join(sentence for sentence in sentences if sentence)


def _missing_interval(interval: Interval, value: float, resamples: int) -> str:
    """Why an interval that was asked for is undefined beside a defined value."""
    if resamples == 0 or interval.defined or not isfinite(value):
        return ""
    return "Too few resamples gave a value; the bootstrap interval is undefined."


def _constant(answers: FloatArray) -> BoolArray:
    """Which items (items,) have one value, by the rule for ties."""
    return np.asarray(np.ptp(answers, axis=0) <= TIE_TOLERANCE * np.abs(answers).max(axis=0))


def _constant_items(answers: FloatArray) -> str:
    numbers = [str(item + 1) for item in np.flatnonzero(_constant(answers))]
    if not numbers:
        return ""
    return f"Item {numbers[0]} is constant." if len(numbers) == 1 else f"Items {', '.join(numbers)} are constant."


def _centered(answers: FloatArray) -> FloatArray:
    centered: FloatArray = answers - answers.mean(axis=0)
    centered[:, _constant(answers)] = 0.0
    return centered


def _covariance(answers: FloatArray) -> FloatArray:
    centered = _centered(answers)
    covariance: FloatArray = centered.T @ centered / (len(answers) - 1)
    return covariance


def _variances(covariances: FloatArray) -> FloatArray:
    """The diagonals (..., items) of covariances (..., items, items)."""
    return np.diagonal(covariances, axis1=-2, axis2=-1)


def _correlations(covariances: FloatArray) -> FloatArray:
    """Correlations (..., items, items); NaN beside an item without variance."""
    variances = _variances(covariances)
    sds = np.sqrt(np.where(variances > 0, variances, nan))
    correlations: FloatArray = covariances / (sds[..., :, np.newaxis] * sds[..., np.newaxis, :])
    return correlations


def _alpha(covariances: FloatArray) -> FloatArray:
    """k/(k-1) · (1 - trace / sum) of covariance or correlation matrices (..., items, items)."""
    return _alpha_of(np.trace(covariances, axis1=-2, axis2=-1), covariances.sum(axis=(-2, -1)), covariances.shape[-1])


def _alpha_of(trace: FloatArray, total: FloatArray, k: int) -> FloatArray:
    """Alpha from the item variances' sum and the variance of the sum; NaN where the sum does not vary."""
    if k < 2:
        return np.full(np.shape(total), nan)
    trace, total = np.asarray(trace), np.asarray(total)
    varies = total > NEGLIGIBLE_VARIANCE * np.abs(trace)
    alpha: FloatArray = k / (k - 1) * (1 - np.divide(trace, total, out=np.full(total.shape, nan), where=varies))
    return alpha


def _feldt_interval(alpha: float, n: int, k: int, level: float) -> Interval:
    if not isfinite(alpha):
        return undefined_interval(level, "Feldt")
    low, high = 1 - (1 - alpha) * fdtri(n - 1, (n - 1) * (k - 1), [(1 + level) / 2, (1 - level) / 2])
    return Interval(float(low), float(high), level, "Feldt")


def _resampled_means(columns: FloatArray, resamples: int, rng: np.random.Generator) -> FloatArray:
    """Means (resamples, columns) of rows drawn with replacement from `columns` (rows, columns)."""
    n = len(columns)
    return np.concatenate([counts @ columns / n for counts in resampled_counts(n, resamples, rng)])


def _alpha_draws(answers: FloatArray, resamples: int, rng: np.random.Generator) -> FloatArray:
    """Alpha of resampled participants (resamples,); the sums of squares of items and of the sum suffice."""
    n, k = answers.shape
    centered = _centered(answers)
    total = centered.sum(axis=1)
    means = _resampled_means(np.column_stack([centered, (centered**2).sum(axis=1), total**2]), resamples, rng)
    item_variances = means[:, k] - (means[:, :k] ** 2).sum(axis=1)
    variance = means[:, k + 1] - means[:, :k].sum(axis=1) ** 2
    varies = variance > NEGLIGIBLE_VARIANCE * (total @ total) / n
    return _alpha_of(item_variances, np.where(varies, variance, 0.0), k)


def _covariance_draws(answers: FloatArray, resamples: int, rng: np.random.Generator) -> FloatArray:
    """Covariances (resamples, items, items) of resampled participants; zero for an item that did not vary."""
    n, k = answers.shape
    centered = _centered(answers)
    i, j = np.triu_indices(k)
    means = _resampled_means(np.column_stack([centered, centered[:, i] * centered[:, j]]), resamples, rng)
    covariances = np.empty((resamples, k, k))
    covariances[:, i, j] = means[:, k:] - means[:, i] * means[:, j]
    covariances[:, j, i] = covariances[:, i, j]
    varies = _variances(covariances) > NEGLIGIBLE_VARIANCE * (centered**2).mean(axis=0)
    draws: FloatArray = covariances * (varies[:, :, np.newaxis] & varies[:, np.newaxis, :]) * (n / (n - 1))
    return draws


def _item_rest_correlations(covariance: FloatArray) -> FloatArray:
    variances, with_sum = np.diagonal(covariance), covariance.sum(axis=0)
    rest_variances = covariance.sum() - 2 * with_sum + variances
    varies = (variances > 0) & (rest_variances > NEGLIGIBLE_VARIANCE * variances.sum())
    spread = np.sqrt(np.where(varies, variances * rest_variances, nan))
    correlations: FloatArray = (with_sum - variances) / spread
    return correlations


def _alpha_if_deleted(covariance: FloatArray) -> FloatArray:
    variances, with_sum = np.diagonal(covariance), covariance.sum(axis=0)
    remaining = covariance.sum() - 2 * with_sum + variances
    return _alpha_of(variances.sum() - variances, remaining, len(covariance) - 1)


LOWEST_UNIQUENESS = 0.005
"""Lower bound of a standardized uniqueness, as in Joreskog 1967."""


@dataclass(frozen=True, slots=True, eq=False)
class _OneFactor:
    loadings: FloatArray
    uniquenesses: FloatArray
    discrepancy: FloatArray
    converged: BoolArray

    def part(self, place: IntArray) -> _OneFactor:
        """The fits at `place`."""
        return _OneFactor(
            self.loadings[place], self.uniquenesses[place], self.discrepancy[place], self.converged[place]
        )


def _one_factor(correlations: FloatArray, *, item_starts: int) -> _OneFactor:
    """The best one-factor maximum likelihood fits of correlation matrices (m, items, items), all at once.

    Weak data have several minima, most with one uniqueness at its bound. The search starts from the
    first principal component and from the `item_starts` most promising items taken as the factor.
    """
    by_item = _item_starts(correlations)
    promising = np.argsort([_profile(correlations, np.log(start))[0] for start in by_item], axis=0)[:item_starts]
    starts = np.stack(
        [_component_start(correlations), *(by_item[one, np.arange(len(correlations))] for one in promising)]
    )
    # All searches go on at once: one step of many small matrices costs little more than that of one.
    found = _searched_fit(np.tile(correlations, (len(starts), 1, 1)), starts.reshape(-1, starts.shape[-1]))
    best, *others = (found.part(place) for place in np.split(np.arange(len(found.converged)), len(starts)))
    for fit in others:
        better = (fit.converged & ~best.converged) | (
            (fit.converged == best.converged) & (fit.discrepancy < best.discrepancy - 1e-10)
        )
        best = _OneFactor(
            np.where(better[:, np.newaxis], fit.loadings, best.loadings),
            np.where(better[:, np.newaxis], fit.uniquenesses, best.uniquenesses),
            np.where(better, fit.discrepancy, best.discrepancy),
            np.where(better, fit.converged, best.converged),
        )
    return best


def _component_start(correlations: FloatArray) -> FloatArray:
    """Uniquenesses (m, items) that the first principal component leaves, kept off the bounds."""
    theta, omega = np.linalg.eigh(correlations)
    start: FloatArray = np.clip(1 - theta[:, -1:] * omega[:, :, -1] ** 2, 0.2, 0.9)
    return start


def _item_starts(correlations: FloatArray) -> FloatArray:
    """Uniquenesses (items, m, items) that each item leaves when it is nearly the factor itself."""
    starts: FloatArray = np.clip(1 - np.moveaxis(correlations, 1, 0) ** 2, 0.2, 0.95)
    items = np.arange(len(starts))
    starts[items, :, items] = 0.02
    return starts


def _searched_fit(
    correlations: FloatArray, uniquenesses: FloatArray, *, iterations: int = 200, tolerance: float = 1e-9
) -> _OneFactor:
    """The fits (m,) that a search downhill from `uniquenesses` (m, items) ends in.

    The loadings are profiled out; a projected Newton search with step halving runs over the logarithms
    of the uniquenesses, between log 0.005 and 0. A fit has converged when no step along the projected
    gradient is longer than `tolerance`.
    """
    logs = np.log(uniquenesses)
    discrepancy, theta, omega = _profile(correlations, logs)
    converged = np.zeros(len(logs), dtype=np.bool_)
    for _ in range(iterations):
        going = np.flatnonzero(~converged)
        if going.size == 0:
            break
        here = logs[going]
        gradient, hessian = _derivatives(theta[going], omega[going])
        converged[going] = np.abs(_within_bounds(here - gradient) - here).max(axis=1) < tolerance
        step = _newton_step(here, gradient, hessian)
        for places, found, profile in _searched_line(correlations[going], here, step, gradient, discrepancy[going]):
            moved = going[places]
            logs[moved] = found
            discrepancy[moved], theta[moved], omega[moved] = profile
    loadings = np.exp(logs / 2) * omega[:, :, -1] * np.sqrt(np.maximum(theta[:, -1:] - 1, 0.0))
    return _OneFactor(loadings, np.exp(logs), discrepancy, converged)


def _within_bounds(logs: FloatArray) -> FloatArray:
    bounded: FloatArray = np.clip(logs, np.log(LOWEST_UNIQUENESS), 0.0)
    return bounded


def _profile(correlations: FloatArray, logs: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """log|Σ| + tr(Σ⁻¹R) at the best loadings (less 1), with eigenvalues and vectors of Ψ^-½ R Ψ^-½."""
    scale = np.exp(-logs / 2)
    theta, omega = np.linalg.eigh(correlations * scale[:, :, np.newaxis] * scale[:, np.newaxis, :])
    return logs.sum(axis=1) + np.log(theta[:, -1]) + theta[:, :-1].sum(axis=1), theta, omega


def _derivatives(theta: FloatArray, omega: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gradient (m, items) and Hessian (m, items, items) of the discrepancy by the logarithms (Clarke 1970)."""
    rest, rest_theta = omega[:, :, :-1], theta[:, np.newaxis, :-1]
    first_theta = theta[:, np.newaxis, -1:]
    gradient = (rest**2 * (1 - rest_theta)).sum(axis=2)
    gap = np.maximum(first_theta - rest_theta, 1e-8 * first_theta)
    weights = (1 - rest_theta) * (first_theta + rest_theta) / gap
    first = omega[:, :, -1]
    hessian = ((rest * rest_theta) @ _transposed(rest)) * (rest @ _transposed(rest))
    hessian += (first[:, :, np.newaxis] * first[:, np.newaxis, :]) * ((rest * weights) @ _transposed(rest))
    return gradient, hessian


def _transposed(matrices: FloatArray) -> FloatArray:
    return np.swapaxes(matrices, -1, -2)


def _newton_step(logs: FloatArray, gradient: FloatArray, hessian: FloatArray) -> FloatArray:
    """A downhill step (m, items) that leaves alone what is held at a bound; negative curvature is turned round."""
    held = ((logs <= np.log(LOWEST_UNIQUENESS)) & (gradient > 0)) | ((logs >= 0) & (gradient < 0))
    free = ~held
    hessian = hessian * (free[:, :, np.newaxis] & free[:, np.newaxis, :])
    curvature, directions = np.linalg.eigh(hessian)
    along = (_transposed(directions) @ (gradient * free)[:, :, np.newaxis])[:, :, 0]
    along /= np.maximum(np.abs(curvature), 1e-6)
    step: FloatArray = -(directions @ along[:, :, np.newaxis])[:, :, 0] * free
    return step


def _searched_line(
    correlations: FloatArray, logs: FloatArray, step: FloatArray, gradient: FloatArray, discrepancy: FloatArray
) -> Iterator[tuple[IntArray, FloatArray, tuple[FloatArray, FloatArray, FloatArray]]]:
    """The first of `logs` + step, step/2, step/4, … (m, items) that lowers the discrepancy enough.

    Yields the places among m that move, where to, and the `_profile` there.
    """
    searching, length = np.arange(len(logs)), 1.0
    while searching.size and length > 1e-10:
        trial = _within_bounds(logs[searching] + length * step[searching])
        lowered, theta, omega = _profile(correlations[searching], trial)
        enough = discrepancy[searching] + 1e-4 * (gradient[searching] * (trial - logs[searching])).sum(axis=1)
        good = lowered <= enough + 1e-12
        yield searching[good], trial[good], (lowered[good], theta[good], omega[good])
        searching, length = searching[~good], length / 2


def _omega(fit: _OneFactor, sds: FloatArray) -> FloatArray:
    """Omega (m,) of sums of items with standard deviations `sds` (m, items)."""
    common = (fit.loadings * sds).sum(axis=1) ** 2
    omega: FloatArray = common / (common + (fit.uniquenesses * sds**2).sum(axis=1))
    return omega


def _omega_draws(covariances: FloatArray) -> FloatArray:
    """Omega of resampled covariances (resamples,); NaN where an item did not vary or the fit did not converge."""
    variances = _variances(covariances)
    whole = np.flatnonzero((variances > 0).all(axis=1))
    draws = np.full(len(covariances), nan)
    if whole.size:
        fit = _one_factor(_correlations(covariances[whole]), item_starts=1)
        draws[whole] = np.where(fit.converged, _omega(fit, np.sqrt(variances[whole])), nan)
    return draws


def _undefined_omega(n: int, n_dropped: int, k: int, level: float, reason: str) -> OmegaTotal:
    undefined = np.full(k, nan)
    return OmegaTotal(nan, nan, undefined, undefined, undefined_interval(level, "undefined"), n, n_dropped, k, reason)


def _heywood(uniquenesses: FloatArray) -> str:
    at_bound = [str(item + 1) for item in np.flatnonzero(uniquenesses <= LOWEST_UNIQUENESS * (1 + 1e-9))]
    if not at_bound:
        return ""
    return (
        f"Heywood case: the uniqueness of item(s) {', '.join(at_bound)} stopped at its lower bound "
        f"of {LOWEST_UNIQUENESS}; read omega with caution."
    )


def _intraclass_correlations(
    estimates: Sequence[Estimate], n: int, n_dropped: int, k: int, reason: str
) -> IntraclassCorrelations:
    icc1, icc2, icc3, icc1k, icc2k, icc3k = estimates
    return IntraclassCorrelations(icc1, icc2, icc3, icc1k, icc2k, icc3k, n, n_dropped, k, reason)


def _undefined_estimate(level: float) -> Estimate:
    return Estimate(nan, undefined_interval(level, "undefined"))


def _mean_squares(ratings: FloatArray) -> tuple[float, float, float, float]:
    """Mean squares between units, within units, between raters, and residual; residues of rounding are zero."""
    n, k = ratings.shape
    rounding = TIE_TOLERANCE * largest_magnitude(ratings)
    units = ratings.mean(axis=1, keepdims=True) - ratings.mean()
    raters = ratings.mean(axis=0, keepdims=True) - ratings.mean()
    residual = ratings - ratings.mean() - units - raters
    within = ratings - ratings.mean(axis=1, keepdims=True)

    def sum_of_squares(deviations: FloatArray) -> float:
        return float((np.where(np.abs(deviations) <= rounding, 0.0, deviations) ** 2).sum())

    return (
        k * sum_of_squares(units) / (n - 1),
        sum_of_squares(within) / (n * (k - 1)),
        n * sum_of_squares(raters) / (k - 1),
        sum_of_squares(residual) / ((n - 1) * (k - 1)),
    )


def _shrout_fleiss(
    between: float, within: float, raters: float, error: float, n: int, k: int, level: float
) -> tuple[Estimate, ...]:
    """icc1, icc2, icc3, icc1k, icc2k, icc3k from the mean squares.

    Bounds are written without F ratios of the data, so that they stand where an error is zero.
    """

    def estimate(value: float, low: float, high: float) -> Estimate:
        if not (isfinite(value) and isfinite(low) and isfinite(high)):
            return Estimate(value, undefined_interval(level, "Shrout-Fleiss F"))
        return Estimate(value, Interval(low, high, level, "Shrout-Fleiss F"))

    def single(error: float, df2: float) -> Estimate:
        value, low, high = (
            _ratio(between - f * error, between + (k - 1) * f * error) for f in (1.0, *_f_limits(level, n - 1, df2))
        )
        return estimate(value, low, high)

    def mean(error: float, df2: float) -> Estimate:
        value, low, high = (_ratio(between - f * error, between) for f in (1.0, *_f_limits(level, n - 1, df2)))
        return estimate(value, low, high)

    icc2 = _ratio(between - error, between + (k - 1) * error + k * (raters - error) / n)
    icc2k = _ratio(between - error, between + (raters - error) / n)
    low, high = _agreement_bounds(icc2, between, raters, error, n, k, level)
    return (
        single(within, n * (k - 1)),
        estimate(icc2, low, high),
        single(error, (n - 1) * (k - 1)),
        mean(within, n * (k - 1)),
        estimate(icc2k, _ratio(k * low, 1 + (k - 1) * low), _ratio(k * high, 1 + (k - 1) * high)),
        mean(error, (n - 1) * (k - 1)),
    )


def _ratio(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0 else nan


def _f_limits(level: float, df1: float, df2: float) -> tuple[float, float]:
    """What an error mean square is multiplied with for the lower and the upper bound."""
    upper = float(fdtri(df1, df2, (1 + level) / 2))
    lower = float(fdtri(df1, df2, (1 - level) / 2))
    return upper, lower


def _agreement_bounds(
    icc2: float, between: float, raters: float, error: float, n: int, k: int, level: float
) -> tuple[float, float]:
    """Bounds of icc2, with Satterthwaite's degrees of freedom for its error."""
    share = n * (1 + (k - 1) * icc2) - k * icc2
    df_error = _ratio(
        (k - 1) * (n - 1) * (k * icc2 * raters + share * error) ** 2,
        (n - 1) * (k * icc2 * raters) ** 2 + (share * error) ** 2,
    )
    if raters == 0 and error == 0:
        return icc2, icc2
    rest = k * raters + (k * n - k - n) * error
    upper = float(fdtri(n - 1, df_error, (1 + level) / 2))
    mirrored = float(fdtri(df_error, n - 1, (1 + level) / 2))
    low = _ratio(n * (between - upper * error), upper * rest + n * between)
    high = _ratio(n * (mirrored * between - error), rest + n * mirrored * between)
    return low, high


FARTHEST_THRESHOLD = 40.0
"""Stands for infinity among thresholds: the normal tail beyond it is zero in double precision."""

CELL_CORNERS = np.array([[0, 0], [0, 1], [1, 0], [1, 1]])
CORNER_SIGNS = np.array([1.0, -1.0, -1.0, 1.0])


def _two_step_polychoric(x: FloatArray, y: FloatArray) -> tuple[float, str]:
    """The correlation of complete pairs, and what is to be said about it."""
    from scipy.optimize import minimize_scalar

    x_codes, x_thresholds = _thresholds(x)
    y_codes, y_thresholds = _thresholds(y)
    constant = [name for name, thresholds in (("x", x_thresholds), ("y", y_thresholds)) if len(thresholds) < 3]
    if constant:
        return nan, f"{' and '.join(constant)} constant; the polychoric correlation is undefined."
    cells, counts = np.unique(np.column_stack([x_codes, y_codes]), axis=0, return_counts=True)
    corners, place = np.unique(np.concatenate([cells + corner for corner in CELL_CORNERS]), axis=0, return_inverse=True)
    place = place.reshape(len(CELL_CORNERS), len(cells))
    h, k = x_thresholds[corners[:, 0]], y_thresholds[corners[:, 1]]

    def misfit(angle: float) -> float:
        probabilities = CORNER_SIGNS @ _bivariate_normal(h, k, angle)[place]
        return -float(counts @ np.log(np.maximum(probabilities, 1e-300))) / len(x)

    angles = np.linspace(-np.pi / 2, np.pi / 2, 17)[1:-1]
    best = angles[np.argmin([misfit(angle) for angle in angles])]
    width = angles[1] - angles[0]
    found = minimize_scalar(misfit, bounds=(best - width, best + width), method="bounded", options={"xatol": 1e-10})
    bound = float(np.copysign(np.pi / 2, found.x))
    if misfit(bound) <= misfit(found.x) + 1e-13:
        return float(np.sign(bound)), "The likelihood rises up to the bound: empty cells leave it no maximum inside."
    return float(np.sin(found.x)), ""


def _thresholds(values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Category numbers from 0 (n,), and normal quantiles of the cumulated margin between two far ends."""
    _, codes, counts = np.unique(with_ties(values, largest_magnitude(values)), return_inverse=True, return_counts=True)
    inner = ndtri(np.cumsum(counts)[:-1] / len(values))
    # Owen's function needs a ratio of thresholds: a threshold of exactly zero is moved by nothing that shows.
    inner[inner == 0] = 1e-300
    return codes, np.concatenate([[-FARTHEST_THRESHOLD], inner, [FARTHEST_THRESHOLD]])


def _bivariate_normal(h: FloatArray, k: FloatArray, angle: float) -> FloatArray:
    """P(X <= h, Y <= k) of standard normals that correlate at sin(angle).

    Owen 1956, Annals of Mathematical Statistics 27:1075 (from memory).
    """
    rho, spread = np.sin(angle), np.cos(angle)
    with np.errstate(over="ignore"):
        from_h, from_k = owens_t(h, (k - rho * h) / (h * spread)), owens_t(k, (h - rho * k) / (k * spread))
    probability: FloatArray = (ndtr(h) + ndtr(k)) / 2 - from_h - from_k - np.where((h > 0) == (k > 0), 0.0, 0.5)
    return probability


def _two_level_reasons(within: float, between: float) -> tuple[str, ...]:
    return (
        "Within needs participants with several conditions, and answers that vary beyond the condition means."
        if not isfinite(within)
        else "",
        "Participants differ no more than residual variation explains; between is undefined."
        if not isfinite(between)
        else "",
        "The covariance between participants is improper, so between exceeds 1." if between > 1 + TIE_TOLERANCE else "",
    )


def _numbered(name: str, labels: Sequence[Hashable] | NDArray[Any], whole: BoolArray) -> IntArray:
    """`labels` of whole rows as numbers from 0, in order of first appearance; a missing label is refused."""
    if isinstance(labels, np.ndarray) and labels.ndim != 1:
        raise ArgumentError(f"`{name}` has {labels.ndim} dimensions {labels.shape}; one label for each row is needed.")
    numbers: dict[Hashable, int] = {}
    listed = labels.tolist() if isinstance(labels, np.ndarray) else list(labels)
    for row, label in enumerate(listed):
        if label is None or label != label:
            raise ArgumentError(f"`{name}` has no label in row {row + 1}; every row needs one.")
    kept = [label for label, keep in zip(listed, whole, strict=True) if keep]
    return np.array([numbers.setdefault(label, len(numbers)) for label in kept], dtype=np.int64)


def _one_row_a_cell(people: IntArray, conditions: IntArray, participant: list[Hashable], whole: BoolArray) -> None:
    seen: set[tuple[int, int]] = set()
    for row, cell in zip(
        np.flatnonzero(whole).tolist(), zip(people.tolist(), conditions.tolist(), strict=True), strict=True
    ):
        if cell in seen:
            raise ArgumentError(
                f"`participant` {participant[row]!s} has a second row for one condition, row {row + 1}; "
                "one row for each participant and condition is needed."
            )
        seen.add(cell)


@dataclass(frozen=True, slots=True, eq=False)
class _TwoLevels:
    """Sums for each participant from which both alphas follow for any weights of participants.

    So a bootstrap draw is a weighted sum and no row is copied. `present` (participants, conditions);
    `answers` and `own` (participants, conditions, items), the latter less the participant's mean, both
    zero where a condition is lacking; `overlap` (participants, conditions, conditions), `squares` and
    `own_squares` (participants, items, items).
    """

    present: FloatArray
    answers: FloatArray
    own: FloatArray
    overlap: FloatArray
    squares: FloatArray
    own_squares: FloatArray

    def alphas(self, weights: FloatArray) -> FloatArray:
        """Within and between (2, draws), each participant counted `weights` (draws, participants) times."""
        squares, df = self._after_conditions(weights)
        own_squares, own_df = self._after_participants_and_conditions(weights)
        within = own_squares / _or_nan(own_df, own_df > 0)
        between = (squares - own_squares) / _or_nan(df - own_df, (own_df > 0) & (df > own_df)) - within
        return np.stack([_alpha(within), _alpha(between)])

    def _after_conditions(self, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Sums of squares and products around condition means, with their degrees of freedom."""
        rows, sums = weights @ self.present, _weighted(weights, self.answers)
        used = rows > 0
        means = sums / np.where(used, rows, 1.0)[:, :, np.newaxis]
        return _weighted(weights, self.squares) - _transposed(sums) @ means, rows.sum(axis=1) - used.sum(axis=1)

    def _after_participants_and_conditions(self, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The same after participant and condition effects, fitted by least squares."""
        spread, directions = np.linalg.eigh(_weighted(weights, self.overlap))
        kept = spread > 1e-9 * np.maximum(spread[:, -1:], 1.0)
        effects = _transposed(directions * kept[:, np.newaxis, :]) @ _weighted(weights, self.own)
        before = _weighted(weights, self.own_squares)
        squares = before - _transposed(effects) @ (effects / np.where(kept, spread, 1.0)[:, :, np.newaxis])
        varies = _variances(squares) > NEGLIGIBLE_VARIANCE * _variances(before)
        df = weights @ (self.present.sum(axis=1) - 1) - kept.sum(axis=1)
        return squares * (varies[:, :, np.newaxis] & varies[:, np.newaxis, :]), df


def _weighted(weights: FloatArray, values: FloatArray) -> FloatArray:
    """Sums (draws, ...) of `values` (participants, ...), each participant counted `weights` (draws, participants) times."""
    return np.asarray(weights @ values.reshape(len(values), -1)).reshape(len(weights), *values.shape[1:])


def _or_nan(df: FloatArray, enough: BoolArray) -> FloatArray:
    return np.where(enough, df, nan)[:, np.newaxis, np.newaxis]


def _two_levels(answers: FloatArray, people: IntArray, conditions: IntArray) -> _TwoLevels:
    shape = (people.max() + 1, conditions.max() + 1)
    present, table = np.zeros(shape), np.zeros((*shape, answers.shape[1]))
    present[people, conditions] = 1.0
    table[people, conditions] = _centered(answers)
    rows_each = present.sum(axis=1)[:, np.newaxis, np.newaxis]
    own = (table - table.sum(axis=1, keepdims=True) / rows_each) * present[:, :, np.newaxis]
    overlap = np.eye(shape[1]) * present[:, np.newaxis, :]
    overlap -= present[:, :, np.newaxis] * present[:, np.newaxis, :] / rows_each
    return _TwoLevels(present, table, own, overlap, _transposed(table) @ table, _transposed(own) @ own)
