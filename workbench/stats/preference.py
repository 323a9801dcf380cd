"""Preference between objects: choice counts, concordance of rankings, paired comparisons and full rankings.

Bradley-Terry and Plackett-Luce abilities come from one maximum likelihood fit of choices from sets; whether
that maximum exists is decided first, from who was preferred to whom.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, inf, nan
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, gammaln

from workbench.errors import ArgumentError
from workbench.stats._checks import (
    TIE_TOLERANCE,
    at_least,
    complete_rows,
    largest_magnitude,
    level_between_0_and_1,
    number_array,
    resampling,
    with_ties,
)
from workbench.stats._ranks import midranks
from workbench.stats.intervals import Interval, normal_interval, percentile_interval, undefined_interval

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MOST_OUTCOMES = 2_000_000
LEVEL = 0.95
MOST_STEPS = 200
LONGEST_STEP = 2.0  # far from the maximum a full Newton step can leave the range in which chances differ from 0
SMALL_STEP = 1e-9
EXACT_GRADIENT = 2e-15  # of the number of choices: below this a gradient is rounding
RESAMPLES_AT_ONCE = 1_000


@dataclass(frozen=True, slots=True, eq=False)
class ChoiceTest:
    """Are `n` choices spread as expected? `p_exact` orders outcomes by chi-square, `p_exact_probability` by probability."""

    chi_square: float
    df: int
    p_asymptotic: float
    p_exact: float
    p_exact_probability: float
    exact_method: Literal["enumeration", "monte-carlo", "none"]
    p_exact_error: float
    expected: FloatArray
    n: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class KendallW:
    """Concordance of raters, 0 to 1; `mean_ranks` (objects,) with 1 = lowest value."""

    w: float
    chi_square: float
    df: int
    p_asymptotic: float
    mean_ranks: FloatArray
    n_used: int
    n_dropped: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class BradleyTerry:
    """Log abilities (objects,), higher = preferred; `intervals` are normal at 95 %."""

    abilities: FloatArray
    standard_errors: FloatArray
    intervals: tuple[Interval, ...]
    n_comparisons: float
    log_likelihood: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class PlackettLuce:
    """Log abilities (objects,), higher = preferred, sum 0; `intervals` bootstrap participants."""

    abilities: FloatArray
    standard_errors: FloatArray
    intervals: tuple[Interval, ...]
    normal_intervals: tuple[Interval, ...]
    log_likelihood: float
    n_used: int
    n_dropped: int
    reason: str


def choice_test(counts: ArrayLike, *, probabilities: ArrayLike | None = None) -> ChoiceTest:
    """Goodness of fit of choice counts, by chi-square and by the exact multinomial distribution.

    `counts` (objects,), how many chose each; `probabilities` (objects,), equal when None. Returns chi-square and three
    two-sided p values. The exact ones list every outcome; beyond two million outcomes they are NaN and `reason`
    says so. Without any choice all is NaN. Raises ArgumentError for counts that are not whole, or probabilities
    that are not above 0 with sum 1.

    sum (count - expected)^2 / expected. Cressie & Read 1989, International Statistical Review 57:19 (from memory).

    >>> round(choice_test([5, 2, 1], probabilities=[0.25, 0.5, 0.25]).p_exact, 4)
    0.0596
    """
    observed = _choice_counts(counts)
    chances = _choice_probabilities(probabilities, len(observed))
    n, df = int(observed.sum()), len(observed) - 1
    expected = n * chances
    if n == 0:
        return ChoiceTest(nan, df, nan, nan, nan, "none", nan, expected, 0, "Nobody chose.")
    chi_square = float(((observed - expected) ** 2 / expected).sum())
    p_asymptotic = float(chdtrc(df, chi_square))
    outcomes = comb(n + df, df)
    if outcomes > MOST_OUTCOMES:
        reason = f"{outcomes} outcomes are possible; the exact test lists up to {MOST_OUTCOMES}."
        return ChoiceTest(chi_square, df, p_asymptotic, nan, nan, "none", nan, expected, n, reason)
    by_chi_square, by_probability = _exact_multinomial(observed, chances)
    return ChoiceTest(chi_square, df, p_asymptotic, by_chi_square, by_probability, "enumeration", 0.0, expected, n, "")


def kendall_w(rankings: ArrayLike) -> KendallW:
    """Kendall's coefficient of concordance, corrected for ties.

    `rankings` (raters, objects) of ranks or ratings, each rater's values turned into mid-ranks; raters with a missing
    value are dropped and counted. Returns W, 0 to 1, with its chi-square on objects - 1 degrees of freedom; NaN with
    a reason for fewer than two raters or when every rater ties all objects. Raises ArgumentError for fewer than two
    objects.

    12 S / (m^2 (k^3 - k) - m T), T = sum over groups of t tied values of t^3 - t; chi-square = m (k - 1) W.
    Siegel 1956, Nonparametric Statistics, chapter 9; Kendall & Babington Smith 1939 (both from memory).

    >>> round(kendall_w([[1, 2, 3], [1, 3, 2], [1, 2, 3]]).w, 4)
    0.7778
    """
    values = number_array("rankings", rankings, dimensions=2)
    at_least("rankings", "object(s)", values.shape[1], 2)
    complete, n_dropped = complete_rows(values)
    m, k = complete.shape
    ranks = _mid_ranks(complete)
    mean_ranks = ranks.mean(axis=0) if m else np.full(k, nan)
    spread = m**2 * (k**3 - k) - m * _tie_sum(ranks)
    if m < 2 or spread == 0:
        reason = "Every rater ties all objects." if m >= 2 else f"{m} rater(s) with all values; concordance needs two."
        return KendallW(nan, nan, k - 1, nan, mean_ranks, m, n_dropped, reason)
    sums = ranks.sum(axis=0)
    w = float(12 * ((sums - sums.mean()) ** 2).sum() / spread)
    chi_square = m * (k - 1) * w
    return KendallW(w, chi_square, k - 1, float(chdtrc(k - 1, chi_square)), mean_ranks, m, n_dropped, "")


def bradley_terry(wins: ArrayLike, *, reference: int | None = None) -> BradleyTerry:
    """Bradley-Terry log abilities from paired comparisons, by maximum likelihood.

    `wins` (objects, objects), [i, j] = how often i beat j; a tie may be entered as half a win to each; the diagonal
    is not looked at. `reference` is the index of the object put at 0 (its standard error is then 0); None: the
    abilities sum to 0. Returns abilities; the log odds that i beats j are abilities[i] - abilities[j]. All NaN with a
    reason where objects were not compared, directly or through others, or where some never lost to the rest.
    Raises ArgumentError for anything but a square table of counts.

    Bradley & Terry 1952, Biometrika 39:324; existence: Ford 1957, American Mathematical Monthly 64(8):28 (from memory).

    >>> [round(float(ability), 3) for ability in bradley_terry([[0, 3], [1, 0]], reference=1).abilities]
    [1.099, 0.0]
    """
    table = _wins(wins)
    k = len(table)
    _reference_object(reference, k)
    first, second = np.triu_indices(k, 1)
    compared = table[first, second] + table[second, first]
    some = compared > 0
    sets = (np.arange(k) == first[some, None]) | (np.arange(k) == second[some, None])
    reason = _why_no_maximum(table > 0)
    if reason:
        missing = np.full(k, nan)
        return BradleyTerry(
            missing, missing, _normal_intervals(missing, missing, LEVEL), float(compared.sum()), nan, reason
        )
    fit = _fit_choices(sets, compared[some][None, :], table.sum(axis=1)[None, :])
    abilities, covariance = fit.abilities[0], fit.covariance()
    if reference is not None:
        contrast = np.eye(k) - np.eye(k)[reference]
        abilities, covariance = contrast @ abilities, contrast @ covariance @ contrast.T
    errors = np.sqrt(np.clip(np.diag(covariance), 0, None))
    intervals = _normal_intervals(abilities, errors, LEVEL)
    return BradleyTerry(abilities, errors, intervals, float(compared.sum()), float(fit.log_likelihood[0]), fit.reason)


def plackett_luce(
    rankings: ArrayLike, *, resamples: int = 0, rng: np.random.Generator | None = None, level: float = 0.95
) -> PlackettLuce:
    """Plackett-Luce log abilities from full rankings, by maximum likelihood.

    `rankings` (participants, objects) of ranks, 1 = best; participants with a missing rank are dropped and counted. A
    ranking with ties is refused: the model has none. Returns abilities that sum to 0; the log odds that i is chosen
    before j are abilities[i] - abilities[j]. `intervals` are a percentile bootstrap over participants, NaN with
    `resamples=0`; `normal_intervals` come from the standard errors. All NaN with a reason where some objects were
    always ranked above the rest. Raises ArgumentError for ranks that are not 1 to the number of objects.

    Each rank is a choice from the objects not yet ranked, with probability exp(ability) over their sum. Plackett
    1975, Applied Statistics 24:193; Luce 1959; existence: Hunter 2004, Annals of Statistics 32:384 (from memory).

    >>> fit = plackett_luce([[1, 2, 3], [1, 3, 2], [2, 1, 3], [3, 1, 2]])
    >>> bool(fit.abilities[0] > fit.abilities[2])
    True
    """
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    ranks, n_dropped = _full_rankings(rankings)
    n, k = ranks.shape
    patterns, times = np.unique(ranks, axis=0, return_counts=True)
    choices = _ranking_choices(patterns.reshape(-1, k))
    everyone = times.astype(np.float64)[None, :]
    reason = _why_no_maximum(choices.preferred(everyone)[0]) if n else "Nobody ranked all objects."
    if reason:
        missing, none = np.full(k, nan), (undefined_interval(level, "percentile bootstrap over participants"),) * k
        return PlackettLuce(
            missing, missing, none, _normal_intervals(missing, missing, level), nan, n, n_dropped, reason
        )
    fit = choices.fit(everyone)
    errors = np.sqrt(np.clip(np.diag(fit.covariance()), 0, None))
    intervals, no_bootstrap = _bootstrapped_abilities(choices, everyone, resamples, rng, level)
    return PlackettLuce(
        fit.abilities[0],
        errors,
        intervals,
        _normal_intervals(fit.abilities[0], errors, level),
        float(fit.log_likelihood[0]),
        n,
        n_dropped,
        " ".join(filter(None, (fit.reason, no_bootstrap))),
    )


# choice counts


def _choice_counts(counts: ArrayLike) -> FloatArray:
    observed = number_array("counts", counts, dimensions=1)
    at_least("counts", "object(s)", len(observed), 2)
    if np.isnan(observed).any() or (observed < 0).any() or (observed != np.round(observed)).any():
        raise ArgumentError(f"`counts` is {observed.tolist()}; whole numbers of 0 or more are needed.")
    return observed


def _choice_probabilities(probabilities: ArrayLike | None, k: int) -> FloatArray:
    if probabilities is None:
        return np.full(k, 1 / k)
    chances = number_array("probabilities", probabilities, dimensions=1)
    if len(chances) != k:
        raise ArgumentError(
            f"`probabilities` has {len(chances)} values and `counts` has {k}; they must have as many as each other."
        )
    if not (chances > 0).all() or abs(chances.sum() - 1) > TIE_TOLERANCE:
        raise ArgumentError(
            f"`probabilities` is {chances.tolist()}, sum {chances.sum():g}; values above 0 with sum 1 are needed."
        )
    return np.asarray(chances / chances.sum(), dtype=np.float64)


def _exact_multinomial(observed: FloatArray, chances: FloatArray) -> tuple[float, float]:
    """P(chi-square >= observed) and P(probability <= observed's), over every outcome with the same total."""
    n = int(observed.sum())
    statistic, log_probability = _all_outcomes(n, chances)
    observed_statistic = (observed**2 / chances).sum()
    observed_log = gammaln(n + 1) + (observed * np.log(chances) - gammaln(observed + 1)).sum()
    probability = np.exp(log_probability)
    as_far = statistic >= observed_statistic * (1 - TIE_TOLERANCE)
    as_rare = log_probability <= observed_log + TIE_TOLERANCE
    return float(min(probability[as_far].sum(), 1.0)), float(min(probability[as_rare].sum(), 1.0))


def _all_outcomes(n: int, chances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """sum count^2 / chance, which orders as chi-square does, and log probability of every outcome of `n` choices."""
    upto = np.arange(n + 1, dtype=np.float64)
    left, statistic, log_probability = np.array([n]), np.zeros(1), np.full(1, float(gammaln(n + 1)))
    for chance in chances[:-1]:
        source = np.repeat(np.arange(len(left)), left + 1)
        begins = np.cumsum(left + 1) - (left + 1)
        count = np.arange(len(source)) - begins[source]
        statistic = statistic[source] + (upto**2 / chance)[count]
        log_probability = log_probability[source] + (upto * np.log(chance) - gammaln(upto + 1))[count]
        left = left[source] - count
    statistic += (upto**2 / chances[-1])[left]
    log_probability += (upto * np.log(chances[-1]) - gammaln(upto + 1))[left]
    return statistic, log_probability


# concordance


def _mid_ranks(values: FloatArray) -> FloatArray:
    scale = largest_magnitude(values)
    return np.array([midranks(with_ties(row, scale)) for row in values]).reshape(values.shape)


def _tie_sum(ranks: FloatArray) -> float:
    return float(sum((times**3 - times).sum() for times in (np.unique(row, return_counts=True)[1] for row in ranks)))


# abilities: choices from sets, and whether they have a maximum


@dataclass(frozen=True, slots=True, eq=False)
class _ChoiceFit:
    """Abilities (resamples, objects) with their log likelihoods; the choice sets and how often each was faced."""

    abilities: FloatArray
    log_likelihood: FloatArray
    sets: BoolArray
    faced: FloatArray

    @property
    def reason(self) -> str:
        return "" if np.isfinite(self.abilities[0]).all() else f"The fit did not converge in {MOST_STEPS} steps."

    def covariance(self) -> FloatArray:
        """Of the first row's abilities with sum 0: the generalized inverse of the Fisher information."""
        k = self.sets.shape[1]
        if not np.isfinite(self.abilities[0]).all():
            return np.full((k, k), nan)
        information = _information(_chances(self.sets, self.abilities[:1]), self.faced[:1])[0]
        centered = np.eye(k) - 1 / k
        return np.asarray(centered @ np.linalg.inv(information + 1.0) @ centered, dtype=np.float64)


def _fit_choices(sets: BoolArray, faced: FloatArray, chosen: FloatArray) -> _ChoiceFit:
    """Maximum likelihood by Newton steps, kept short where they would overshoot; the log likelihood is concave.

    `sets` (sets, objects) says which objects each choice set offers, `faced` (resamples, sets) how often it was met,
    `chosen` (resamples, objects) how often each object was chosen. Rows that do not converge are NaN.
    """
    abilities = np.zeros(chosen.shape)
    going = np.ones(len(chosen), dtype=np.bool_)
    for _ in range(MOST_STEPS):
        chances = _chances(sets, abilities[going])
        gradient = chosen[going] - np.einsum("rs,rsk->rk", faced[going], chances)
        information = _information(chances, faced[going]) + 1.0
        newton = np.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        longest = np.abs(newton).max(axis=1)
        abilities[going] += newton * (LONGEST_STEP / np.maximum(longest, LONGEST_STEP))[:, None]
        going[going] = (longest > SMALL_STEP) & (
            np.abs(gradient).max(axis=1) > EXACT_GRADIENT * faced[going].sum(axis=1)
        )
        if not going.any():
            break
    abilities[going] = nan
    likelihood = _log_likelihood(sets, faced, chosen, abilities)
    return _ChoiceFit(abilities - abilities.mean(axis=1, keepdims=True), likelihood, sets, faced)


def _chances(sets: BoolArray, abilities: FloatArray) -> FloatArray:
    """Probability (resamples, sets, objects) of choosing each object from each set."""
    offered = np.where(sets, abilities[:, None, :], -inf)
    worths = np.exp(offered - offered.max(axis=2, keepdims=True))
    chances: FloatArray = worths / worths.sum(axis=2, keepdims=True)
    return chances


def _log_likelihood(sets: BoolArray, faced: FloatArray, chosen: FloatArray, abilities: FloatArray) -> FloatArray:
    offered = np.where(sets, abilities[:, None, :], -inf)
    total_worth: FloatArray = np.logaddexp.reduce(offered, axis=2)
    likelihood: FloatArray = (chosen * abilities).sum(axis=1) - (faced * total_worth).sum(axis=1)
    return likelihood


def _information(chances: FloatArray, faced: FloatArray) -> FloatArray:
    """Fisher information (resamples, objects, objects); its rows sum to 0."""
    weighted = chances * faced[:, :, None]
    information = -weighted.transpose(0, 2, 1) @ chances
    diagonal = np.arange(information.shape[1])
    information[:, diagonal, diagonal] = 0
    information[:, diagonal, diagonal] = -information.sum(axis=2)
    return information


def _normal_intervals(abilities: FloatArray, errors: FloatArray, level: float) -> tuple[Interval, ...]:
    return tuple(normal_interval(float(a), float(se), level) for a, se in zip(abilities, errors, strict=True))


def _why_no_maximum(preferred: BoolArray) -> str:
    """Why the likelihood has no finite maximum; empty where it has one. `preferred` [i, j]: i was preferred to j.

    It has one exactly where each object can be reached from each other along "was preferred to" (Ford 1957).
    """
    from scipy.sparse.csgraph import connected_components

    n_parts, part = connected_components(preferred, directed=True, connection="weak")
    if n_parts > 1:
        return f"Objects at index {_indices(part == part[0])} were never compared with those at {_indices(part != part[0])}, directly or through others."
    n_parts, part = connected_components(preferred, directed=True, connection="strong")
    for number in range(n_parts if n_parts > 1 else 0):
        inside = part == number
        if not preferred[np.ix_(~inside, inside)].any():
            return (
                f"Objects at index {_indices(inside)} were never beaten by those at {_indices(~inside)}, so their"
                " abilities have no finite estimate (separation)."
            )
    return ""


def _indices(chosen: BoolArray) -> str:
    return ", ".join(map(str, np.flatnonzero(chosen)))


def _wins(wins: ArrayLike) -> FloatArray:
    table = number_array("wins", wins, dimensions=2)
    if table.shape[0] != table.shape[1]:
        raise ArgumentError(
            f"`wins` is {table.shape}; as many rows as columns are needed: [i, j] = how often i beat j."
        )
    at_least("wins", "object(s)", len(table), 2)
    np.fill_diagonal(table, 0)
    if np.isnan(table).any() or (table < 0).any():
        raise ArgumentError(
            "`wins` holds a missing or negative value; numbers of wins, 0 where there are none, are needed."
        )
    return table


def _reference_object(reference: int | None, k: int) -> None:
    if reference is not None and (isinstance(reference, bool) or reference not in range(k)):
        raise ArgumentError(f"`reference` is {reference!r}; the index of an object, 0 to {k - 1}, or None is needed.")


# full rankings


@dataclass(frozen=True, slots=True, eq=False)
class _RankingChoices:
    """What each distinct ranking says: sets faced (patterns, sets), choices made, and who stood above whom."""

    sets: BoolArray
    faced: FloatArray
    chosen: FloatArray
    above: FloatArray

    def fit(self, times: FloatArray) -> _ChoiceFit:
        return _fit_choices(self.sets, times @ self.faced, times @ self.chosen)

    def preferred(self, times: FloatArray) -> BoolArray:
        """[r, i, j]: somebody in resample r ranked i above j."""
        k = self.sets.shape[1]
        return (times @ self.above).reshape(-1, k, k) > 0


def _full_rankings(rankings: ArrayLike) -> tuple[NDArray[np.int64], int]:
    values = number_array("rankings", rankings, dimensions=2)
    k = values.shape[1]
    at_least("rankings", "object(s)", k, 2)
    complete, n_dropped = complete_rows(values)
    ordered = np.sort(complete, axis=1)
    for row, ranks in zip(ordered, complete, strict=True):
        if (np.diff(row) == 0).any():
            raise ArgumentError(
                f"`rankings` holds {ranks.tolist()}, with tied ranks; the Plackett-Luce model has no ties."
            )
        if (row != np.arange(1, k + 1)).any():
            raise ArgumentError(f"`rankings` holds {ranks.tolist()}; each row needs the ranks 1 (best) to {k}.")
    return complete.astype(np.int64), n_dropped


def _ranking_choices(patterns: NDArray[np.int64]) -> _RankingChoices:
    n_patterns, k = patterns.shape
    offered = patterns[:, None, :] >= np.arange(1, k)[:, None]
    sets, number = np.unique(offered.reshape(-1, k), axis=0, return_inverse=True)
    faced = np.zeros((n_patterns, len(sets)))
    np.add.at(faced, (np.repeat(np.arange(n_patterns), k - 1), number.ravel()), 1.0)
    above = (patterns[:, :, None] < patterns[:, None, :]).reshape(n_patterns, k * k)
    return _RankingChoices(sets, faced, (patterns < k).astype(np.float64), above.astype(np.float64))


def _bootstrapped_abilities(
    choices: _RankingChoices, everyone: FloatArray, resamples: int, rng: np.random.Generator | None, level: float
) -> tuple[tuple[Interval, ...], str]:
    """An interval per object and why there is none; resamples in which the fit has no maximum are left out."""
    k = choices.sets.shape[1]
    if resamples == 0 or rng is None:
        return (undefined_interval(level, "none asked for"),) * k, ""
    n = int(everyone.sum())
    draws = np.full((resamples, k), nan)
    for done in range(0, resamples, RESAMPLES_AT_ONCE):
        times = rng.multinomial(n, everyone[0] / n, size=min(RESAMPLES_AT_ONCE, resamples - done)).astype(np.float64)
        usable = _strongly_connected(choices.preferred(times))
        draws[done : done + len(times)][usable] = choices.fit(times[usable]).abilities
    intervals = tuple(percentile_interval(column, level, unit="participants") for column in draws.T)
    undefined = not all(interval.defined for interval in intervals)
    return intervals, "Nearly every resample was separated, so there are no bootstrap intervals." if undefined else ""


def _strongly_connected(preferred: BoolArray) -> BoolArray:
    """For each graph (graphs, objects, objects): does a path lead from each object to each other?"""
    k = preferred.shape[1]
    reached = preferred | np.eye(k, dtype=np.bool_)
    for _ in range(max(k - 1, 1).bit_length()):
        reached = np.matmul(reached, reached)
    return np.asarray(reached.all(axis=(1, 2)))
