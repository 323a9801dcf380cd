"""Agreement between raters: percent, chance-corrected coefficients, and alphas, also for sets of codes.

Ratings are (units, raters); None or NaN means that a rater did not rate a unit. Units with the same ratings
are counted once, and the bootstrap draws how often each such pattern (or each whole cluster) comes, instead of
copying units. Which codings of a study are compared is not decided here; spans are in `workbench.stats.unitizing`.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite, isnan, nan, sqrt
from numbers import Real
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from workbench.errors import ArgumentError
from workbench.stats._checks import (
    largest_magnitude,
    level_between_0_and_1,
    number_array,
    one_of,
    resampling,
    same_length,
    with_ties,
)
from workbench.stats.intervals import Interval, normal_interval, percentile_interval, undefined_interval
from workbench.stats.unitizing import Span as Span
from workbench.stats.unitizing import UnitizingAlpha as UnitizingAlpha
from workbench.stats.unitizing import one_minus_ratio, ratio
from workbench.stats.unitizing import unitizing_alpha as unitizing_alpha
from workbench.stats.unitizing import unitizing_of_texts as unitizing_of_texts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Code = float | int | str
Ratings = Sequence[Sequence[Any]] | NDArray[Any]
Clusters = Sequence[Any] | NDArray[Any]
Weights = Literal["linear", "quadratic"] | ArrayLike | None
Metric = Literal["nominal", "ordinal", "interval", "ratio"]
SetDistance = Literal["masi", "jaccard"]

CELLS_AT_ONCE = 4_000_000  # of resamples by patterns or categories: 32 MB an array
ROUNDING = 1e-12
LONGEST_KEY = 62  # bits of a whole number that can stand for a row of codes


@dataclass(frozen=True, slots=True, eq=False)
class PercentAgreement:
    """Share of agreeing pairs of ratings; `n_single_rated` and `n_unrated` units could not count.

    `interval` resamples units or clusters.
    """

    value: float
    interval: Interval
    n_units: int
    n_single_rated: int
    n_unrated: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class SpecificAgreement:
    """Agreement on the positive and on the negative code; the units left out as in PercentAgreement."""

    positive: float
    negative: float
    positive_interval: Interval
    negative_interval: Interval
    n_units: int
    n_single_rated: int
    n_unrated: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class AgreementCoefficient:
    """A chance-corrected coefficient, 1 = every pair agrees, 0 = as much as chance.

    `interval` is normal, from `standard_error`, and takes units as independent and ends at 1 at most;
    `bootstrap_interval` resamples units or clusters. `n_units` have two ratings or more.
    """

    value: float
    observed: float
    expected: float
    standard_error: float
    interval: Interval
    bootstrap_interval: Interval
    n_units: int
    n_single_rated: int
    n_unrated: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class AlphaCoefficient:
    """Krippendorff's alpha; `n_pairable` ratings stand in the `n_units` units with two ratings or more."""

    value: float
    observed_disagreement: float
    expected_disagreement: float
    interval: Interval
    n_units: int
    n_pairable: int
    n_single_rated: int
    n_unrated: int
    reason: str


def percent_agreement(
    ratings: Ratings,
    *,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> PercentAgreement:
    """Share of the pairs of ratings of a unit that are the same, averaged over units.

    `ratings` (units, raters), None or NaN = missing. Units with fewer than two ratings have no pair and are
    left out and counted. Returns the share, 0 to 1, with a percentile interval by resampling units or whole
    `clusters` (units,), NaN with `resamples=0`. Raises ArgumentError for fewer than two raters.

    mean over units of sum_k r_ik (r_ik - 1) / (r_i (r_i - 1)), r_ik raters having chosen code k for unit i.
    Fleiss 1971, Psychological Bulletin 76:378; with missing ratings Gwet 2014, Handbook of Inter-Rater
    Reliability, 4th ed., chapter 2 (from memory).

    >>> percent_agreement([["a", "a"], ["a", "b"]]).value
    0.5
    """
    table = _coded("ratings", ratings, None)
    sampling = _sampling(table, level, clusters, resamples, rng)
    patterns = _patterns(table, at_least_ratings=2, clusters=sampling.clusters)
    if not patterns.n_units:
        none = undefined_interval(level, "percentile bootstrap")
        return PercentAgreement(nan, none, *table.units_by_ratings, "No unit has two ratings.")
    agreeing = _same_pairs(patterns.rows)

    def value(times: FloatArray) -> FloatArray:
        share: FloatArray = times @ agreeing / times.sum(axis=1)
        return share

    interval = _bootstrap(value, patterns, sampling)
    reason = " ".join(_why_no_bootstrap(interval, patterns, sampling))
    return PercentAgreement(float(value(patterns.times[None, :])[0]), interval, *table.units_by_ratings, reason)


def specific_agreement(
    ratings: Ratings,
    *,
    categories: Sequence[Code] = (0, 1),
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> SpecificAgreement:
    """How often another rater says positive where one did, and negative where one did.

    `ratings` (units, raters) of two codes; `categories` names the negative, then the positive one. Units with
    fewer than two ratings are left out and counted. Returns `positive` and `negative`, 0 to 1; NaN with a reason
    where nobody used that code. The intervals are percentile, by resampling units or whole `clusters` (units,).
    Raises ArgumentError when there are not exactly two categories.

    sum_i r_ik (r_ik - 1) / (r_i - 1) over sum_i r_ik; with two raters 2a / (2a + b + c).
    Cicchetti & Feinstein 1990, Journal of Clinical Epidemiology 43:551 (from memory).

    >>> specific_agreement([[1, 1], [1, 0], [0, 0], [0, 0]]).positive
    0.6666666666666666
    """
    if len(categories) != 2:
        raise ArgumentError(
            f"`categories` has {len(categories)} codes; two are needed: the negative, then the positive."
        )
    table = _coded("ratings", ratings, categories)
    sampling = _sampling(table, level, clusters, resamples, rng)
    patterns = _patterns(table, at_least_ratings=2, clusters=sampling.clusters)
    counts = patterns.counts
    same = counts * (counts - 1) / (counts.sum(axis=1, keepdims=True) - 1)

    def share(place: int) -> Callable[[FloatArray], FloatArray]:
        return lambda times: ratio(times @ same[:, place], times @ counts[:, place])

    negative, positive = (float(share(place)(patterns.times[None, :])[0]) for place in (0, 1))
    of_positive, of_negative = (_bootstrap(share(place), patterns, sampling) for place in (1, 0))
    unused = [repr(code) for code, share in zip(table.categories, (negative, positive), strict=True) if isnan(share)]
    reason = f"No unit with two ratings holds {' or '.join(unused)}." if unused else ""
    return SpecificAgreement(positive, negative, of_positive, of_negative, *table.units_by_ratings, reason)


def cohen_kappa(
    ratings: Ratings,
    *,
    weights: Weights = None,
    categories: Sequence[Code] | None = None,
    level: float = 0.95,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> AgreementCoefficient:
    """Cohen's kappa of two raters, plain or weighted, with its large-sample standard error.

    `ratings` (units, 2). `weights`: None, "linear", "quadratic", or agreement weights (categories, categories)
    with 1 on the diagonal; distances are between the values of numbers and between places of strings in
    `categories`. `categories` fixes the possible codes and their order. `clusters` (units,) are resampled whole.
    Units that only one of them rated are left out and counted: kappa's table has no place for them. Returns the
    coefficient, undefined where chance agreement is 1. Raises ArgumentError for anything but two raters, a code
    outside `categories`, or weights on strings without `categories`.

    (po - pe) / (1 - pe), pe from each rater's own margins. Cohen 1960, Educational and Psychological
    Measurement 20:37; Cohen 1968, Psychological Bulletin 70:213; Fleiss, Cohen & Everitt 1969, ibid. 72:323.

    >>> round(cohen_kappa([[0, 0], [0, 0], [1, 1], [0, 1]]).value, 3)
    0.5
    """
    request = _request(ratings, weights, categories, level, clusters, resamples, rng, two_raters=True)
    return _cohen(request)


def scott_pi(
    ratings: Ratings,
    *,
    weights: Weights = None,
    categories: Sequence[Code] | None = None,
    level: float = 0.95,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> AgreementCoefficient:
    """Scott's pi of two raters: chance agreement from the margins of both together.

    Arguments and errors as in `cohen_kappa`. It is Fleiss' kappa for two raters, also where ratings are missing: a
    unit with one rating counts in how common each code is, and not in observed agreement. Returns the
    coefficient, undefined where chance agreement is 1.

    Scott 1955, Public Opinion Quarterly 19:321; standard error and missing ratings Gwet 2014, Handbook of
    Inter-Rater Reliability, 4th ed. (from memory).

    >>> round(scott_pi([[0, 0], [0, 0], [1, 1], [0, 1]]).value, 3)
    0.467
    """
    request = _request(ratings, weights, categories, level, clusters, resamples, rng, two_raters=True)
    return _from_prevalence(request, _expected_by_prevalence)


def fleiss_kappa(
    ratings: Ratings,
    *,
    weights: Weights = None,
    categories: Sequence[Code] | None = None,
    level: float = 0.95,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> AgreementCoefficient:
    """Fleiss' kappa of two or more raters, who need not be the same people for each unit.

    `ratings` (units, raters); the other arguments and errors as in `cohen_kappa`. A unit with one rating counts in
    how common each code is, and not in observed agreement. Returns the coefficient, undefined where chance
    agreement is 1. The standard error is Gwet's, not the one under "no agreement" that Fleiss printed.

    (pa - pe) / (1 - pe), pe = sum_kl w_kl p_k p_l. Fleiss 1971, Psychological Bulletin 76:378; standard error,
    weights and missing ratings Gwet 2008, British Journal of Mathematical and Statistical Psychology 61:29, and
    2014, Handbook of Inter-Rater Reliability, 4th ed. (both from memory).

    >>> round(fleiss_kappa([[1, 1, 1], [2, 2, 1], [2, 2, 2]]).value, 3)
    0.55
    """
    request = _request(ratings, weights, categories, level, clusters, resamples, rng)
    return _from_prevalence(request, _expected_by_prevalence)


def brennan_prediger(
    ratings: Ratings,
    *,
    weights: Weights = None,
    categories: Sequence[Code] | None = None,
    level: float = 0.95,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> AgreementCoefficient:
    """Brennan and Prediger's coefficient: every possible code is equally likely by chance.

    Arguments and errors as in `fleiss_kappa`. Name every code that could have been used in `categories`: without it
    the codes seen are taken for the possible ones. Returns the coefficient; where one code was used throughout it
    is 1 by construction, and `reason` says so.

    pe = sum_kl w_kl / q^2 over q categories. Brennan & Prediger 1981, Educational and Psychological Measurement
    41:687; standard error Gwet 2014 (both from memory).

    >>> brennan_prediger([[0, 0], [0, 0], [1, 1], [0, 1]]).value
    0.5
    """
    request = _request(ratings, weights, categories, level, clusters, resamples, rng)
    return _from_prevalence(request, _expected_when_uniform, one_category_defined=True)


def gwet_ac(
    ratings: Ratings,
    *,
    weights: Weights = None,
    categories: Sequence[Code] | None = None,
    level: float = 0.95,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> AgreementCoefficient:
    """Gwet's AC1, and with weights AC2: little moved by how common a code is.

    Arguments and errors as in `fleiss_kappa`. Name every code that could have been used in `categories`: without it
    the codes seen are taken for the possible ones. A unit with one rating counts in how common each code is.
    Returns the coefficient; where one code was used throughout it is 1 by construction, and `reason` says so.

    pe = sum_kl w_kl / (q (q - 1)) * sum_k p_k (1 - p_k). Gwet 2008, British Journal of Mathematical and
    Statistical Psychology 61:29; Gwet 2014, Handbook of Inter-Rater Reliability, 4th ed. (both from memory).

    >>> round(gwet_ac([[0, 0], [0, 0], [1, 1], [0, 1]]).value, 3)
    0.529
    """
    request = _request(ratings, weights, categories, level, clusters, resamples, rng)
    return _from_prevalence(request, _expected_by_uncertainty, one_category_defined=True)


def krippendorff_alpha(
    ratings: Ratings,
    *,
    metric: Metric = "nominal",
    categories: Sequence[Code] | None = None,
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> AlphaCoefficient:
    """Krippendorff's alpha of two or more raters with any ratings missing.

    `ratings` (units, raters). `metric`: "nominal", "ordinal" (strings need `categories` for their order),
    "interval" or "ratio" (numbers; for ratio none below 0). Units with one rating are left out entirely. `interval`
    is a percentile bootstrap over units or over whole `clusters` (units,); NaN with `resamples=0`. Returns the
    coefficient, undefined where all pairable ratings are the same. Raises ArgumentError for codes that do not suit
    the metric.

    1 - Do / De, from the coincidences of pairable values. Krippendorff 2011, Computing Krippendorff's
    Alpha-Reliability.

    >>> krippendorff_alpha([[1, 1], [2, 2], [1, None]]).value
    1.0
    """
    one_of("metric", metric, ("nominal", "ordinal", "interval", "ratio"))
    table = _coded("ratings", ratings, categories)
    if metric == "ordinal":
        return _alpha(table, None, _sampling(table, level, clusters, resamples, rng))
    return _alpha(table, _metric_distances(table, metric), _sampling(table, level, clusters, resamples, rng))


def set_alpha(
    label_sets: Ratings,
    *,
    distance: SetDistance = "masi",
    clusters: Clusters | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> AlphaCoefficient:
    """Krippendorff's alpha where each rating is a set of codes.

    `label_sets` (units, raters) of sets (or lists, tuples) of codes; None or NaN = not rated, an empty set = rated
    and nothing applies. `distance`: "masi" or "jaccard"; two empty sets are at distance 0. The rest as in
    `krippendorff_alpha`. Raises ArgumentError for a rating that is not a set of codes.

    jaccard: 1 - |a & b| / |a | b|; masi: 1 - m |a & b| / |a | b|, m = 1 for equal sets, 2/3 where one holds the other,
    1/3 where they overlap. Passonneau 2006, LREC.

    >>> set_alpha([[{"a"}, {"a"}], [{"a", "b"}, {"b", "a"}], [set(), set()]]).value
    1.0
    """
    one_of("distance", distance, ("masi", "jaccard"))
    table = _coded_sets("label_sets", label_sets)
    return _alpha(table, _set_distances(table, distance), _sampling(table, level, clusters, resamples, rng))


# ratings to numbered codes


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Ratings as places (units, raters) in `categories`, -1 = missing."""

    codes: IntArray
    categories: tuple[Any, ...]
    order_given: bool

    @property
    def n_ratings(self) -> IntArray:
        return np.asarray((self.codes >= 0).sum(axis=1), dtype=np.int64)

    @property
    def units_by_ratings(self) -> tuple[int, int, int]:
        """How many units have two ratings or more, one, and none."""
        n_ratings = self.n_ratings
        return int((n_ratings >= 2).sum()), int((n_ratings == 1).sum()), int((n_ratings == 0).sum())

    @property
    def numeric(self) -> bool:
        return not any(isinstance(code, str) for code in self.categories)


def _coded(name: str, ratings: Ratings, categories: Sequence[Code] | None) -> _Table:
    cells, shape = _cells(name, ratings)
    distinct = None
    if isinstance(ratings, np.ndarray) and ratings.dtype.kind in "biuf":
        values, distinct = np.unique(ratings, return_inverse=True)
        cells = values.tolist()
    try:
        seen = {cell for cell in cells if not _missing(cell)}
    except TypeError:
        raise ArgumentError(f"`{name}` holds a list or set; each rating must be one number or string.") from None
    possible = [] if categories is None else list(categories)
    same_code = _same_codes(name, seen, possible)
    if categories is None:
        order = sorted(set(same_code.values()), key=lambda code: (isinstance(code, str), code))
    else:
        order = [same_code[code] for code in possible]
        _no_code_twice(order)
        outside = [code for code in seen if same_code[code] not in order]
        if outside:
            raise ArgumentError(
                f"`{name}` holds {_listed(outside)}, not among `categories`; name every possible code there."
            )
    places = {code: place for place, code in enumerate(order)}
    place_of = {cell: places[same_code[cell]] for cell in seen}
    codes = np.array([place_of.get(cell, -1) for cell in cells], dtype=np.int64)
    return _Table((codes if distinct is None else codes[distinct]).reshape(shape), tuple(order), categories is not None)


def _coded_sets(name: str, label_sets: Ratings) -> _Table:
    cells, shape = _cells(name, label_sets)
    sets = [None if _missing(cell) else _label_set(name, cell) for cell in cells]
    order = sorted({labels for labels in sets if labels is not None}, key=lambda labels: sorted(map(repr, labels)))
    places = {labels: place for place, labels in enumerate(order)}
    codes = np.array([-1 if labels is None else places[labels] for labels in sets], dtype=np.int64).reshape(shape)
    return _Table(codes, tuple(order), False)


def _cells(name: str, ratings: Ratings) -> tuple[list[Any], tuple[int, int]]:
    """All ratings in one list, and (units, raters)."""
    if hasattr(ratings, "__array__"):
        array = np.asarray(ratings)
        if array.ndim != 2:
            raise ArgumentError(f"`{name}` has {array.ndim} dimension(s) {array.shape}; (units, raters) are needed.")
        if array.dtype.kind == "U" and (array == "nan").any():
            raise ArgumentError(
                f"`{name}` is an array of text that holds 'nan', a missing value turned into text; use dtype=object."
            )
        n_units, n_raters = array.shape
        cells = array.ravel().tolist()
    else:
        rows = [[row] if isinstance(row, str) or not hasattr(row, "__iter__") else list(row) for row in ratings]
        n_units, n_raters = len(rows), len(rows[0]) if rows else 0
        if any(len(row) != n_raters for row in rows):
            raise ArgumentError(
                f"`{name}` has rows of unequal length; each unit needs one place per rater, None where missing."
            )
        cells = [cell for row in rows for cell in row]
    if n_raters < 2:
        raise ArgumentError(
            f"`{name}` has {n_raters} rater(s); agreement needs at least 2 (units are rows, raters columns)."
        )
    return cells, (n_units, n_raters)


def _missing(cell: object) -> bool:
    return cell is None or (isinstance(cell, (float, np.floating)) and isnan(cell))


def _label_set(name: str, cell: object) -> frozenset[Hashable]:
    if not isinstance(cell, (set, frozenset, list, tuple)):
        raise ArgumentError(f"`{name}` holds {cell!r}; a set of codes, or None where a unit was not rated, is needed.")
    return frozenset(cell)


def _same_codes(name: str, seen: set[Any], possible: list[Any]) -> dict[Any, Code]:
    """Each code, and the code that stands for it: numbers that agree to 1e-9 of the largest are one code."""
    numbers: list[Any] = []
    same_code: dict[Any, Code] = {}
    for source, code in [*((name, code) for code in seen), *(("categories", code) for code in possible)]:
        if isinstance(code, str):
            same_code[code] = code
        elif isinstance(code, (Real, np.bool_)) and isfinite(code):
            numbers.append(code)
        else:
            raise ArgumentError(f"`{source}` holds {code!r}; codes are finite numbers or strings.")
    values = np.array(numbers, dtype=np.float64)
    if (values != np.round(values)).any():
        values = with_ties(values, largest_magnitude(values))
    same_code.update(
        zip(numbers, (int(value) if value.is_integer() else value for value in values.tolist()), strict=True)
    )
    return same_code


def _no_code_twice(order: list[Code]) -> None:
    twice = {code for code in order if order.count(code) > 1}
    if twice:
        raise ArgumentError(f"`categories` names {_listed(twice)} more than once; each code is needed once.")


def _listed(codes: Any) -> str:
    return ", ".join(sorted(map(repr, codes))[:5])


# patterns of ratings, counted once, and their resampling


@dataclass(frozen=True, slots=True, eq=False)
class _Sampling:
    level: float
    clusters: NDArray[Any] | None
    resamples: int
    rng: np.random.Generator | None


@dataclass(frozen=True, slots=True, eq=False)
class _Patterns:
    """Distinct ratings `rows` (patterns, raters), how many units show each, and how many codes there are.

    `in_clusters` (clusters, patterns) says how often each comes in each cluster, where units are clustered.
    """

    rows: IntArray
    times: FloatArray
    n_categories: int
    in_clusters: FloatArray | None = None

    @property
    def n_units(self) -> int:
        return int(self.times.sum())

    @property
    def counts(self) -> FloatArray:
        """How many raters gave each code (patterns, categories)."""
        return self._code_counts(np.arange(len(self.rows)), np.ones(len(self.rows)), len(self.rows))

    @property
    def drawn(self) -> str:
        return "units" if self.in_clusters is None else "clusters"

    @property
    def n_drawn(self) -> int:
        return self.n_units if self.in_clusters is None else len(self.in_clusters)

    def code_counts_of_groups(self) -> FloatArray:
        """How many ratings hold each code in each cluster, or else pattern (groups, categories)."""
        if self.in_clusters is None:
            return self.counts
        cluster, pattern = np.nonzero(self.in_clusters)
        return self._code_counts(cluster, self.in_clusters[cluster, pattern], len(self.in_clusters), pattern)

    def _code_counts(self, group: IntArray, often: FloatArray, n: int, pattern: IntArray | None = None) -> FloatArray:
        rows = self.rows if pattern is None else self.rows[pattern]
        counts = np.zeros(n * self.n_categories)
        for codes in rows.T:
            given = codes >= 0
            places = group[given] * self.n_categories + codes[given]
            counts += np.bincount(places, often[given], minlength=len(counts))
        return counts.reshape(n, self.n_categories)

    def group_draws(self, resamples: int, rng: np.random.Generator) -> Iterator[FloatArray]:
        """How often each cluster, or else pattern, comes in each resample, some resamples at a time."""
        n = self.n_drawn
        shares = self.times / n if self.in_clusters is None else np.full(n, 1 / n)
        at_once = max(1, CELLS_AT_ONCE // (len(self.rows) + self.n_categories + n))
        for done in range(0, resamples, at_once):
            yield rng.multinomial(n, shares, size=min(at_once, resamples - done)).astype(np.float64)

    def draws(self, resamples: int, rng: np.random.Generator) -> Iterator[FloatArray]:
        """How often each pattern comes in each resample, (some resamples, patterns) at a time."""
        for times in self.group_draws(resamples, rng):
            yield times if self.in_clusters is None else times @ self.in_clusters


def _patterns(
    table: _Table, *, at_least_ratings: int, in_order: bool = False, clusters: NDArray[Any] | None = None
) -> _Patterns:
    """The distinct rows of the units with enough ratings; who gave which counts only with `in_order`."""
    kept = table.n_ratings >= at_least_ratings
    codes = table.codes[kept] if in_order else np.sort(table.codes[kept], axis=1)
    rows, pattern, times = _distinct_rows(codes, len(table.categories))
    in_clusters = None
    if clusters is not None:
        labels, cluster = np.unique(clusters[kept], return_inverse=True)
        places = cluster * len(rows) + pattern
        often = np.bincount(places, minlength=len(labels) * len(rows)).astype(np.float64)
        in_clusters = often.reshape(len(labels), len(rows))
    return _Patterns(rows, times.astype(np.float64), len(table.categories), in_clusters)


def _distinct_rows(codes: IntArray, q: int) -> tuple[IntArray, IntArray, IntArray]:
    """The distinct rows of `codes` (units, raters), which of them each unit shows, and how often each comes."""
    n_raters = codes.shape[1]
    if n_raters * np.log2(q + 1) >= LONGEST_KEY:
        rows, pattern, times = np.unique(codes, axis=0, return_inverse=True, return_counts=True)
        return rows, pattern.ravel(), times
    keys = (codes + 1) @ (q + 1) ** np.arange(n_raters - 1, -1, -1, dtype=np.int64)
    _, first, pattern, times = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
    return codes[first], pattern, times


def _sampling(
    table: _Table, level: float, clusters: Clusters | None, resamples: int, rng: np.random.Generator | None
) -> _Sampling:
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    if clusters is None:
        return _Sampling(level, None, resamples, rng)
    same_length("clusters", clusters, "ratings", table.codes)
    if isinstance(clusters, np.ndarray) and clusters.dtype.kind in "biu":
        return _Sampling(level, np.unique(clusters, return_inverse=True)[1], resamples, rng)
    labels = list(clusters)
    if any(_missing(label) for label in labels):
        raise ArgumentError("`clusters` has a missing value; each unit needs the cluster it belongs to.")
    numbers = {
        label: number for number, label in enumerate(sorted(set(labels), key=lambda label: (str(type(label)), label)))
    }
    return _Sampling(level, np.array([numbers[label] for label in labels], dtype=np.int64), resamples, rng)


def _bootstrap(
    estimate: Callable[[FloatArray], FloatArray], patterns: _Patterns, sampling: _Sampling, *, of_groups: bool = False
) -> Interval:
    """The interval of an estimate from how often patterns come, or with `of_groups` clusters (else patterns)."""
    if sampling.resamples == 0 or sampling.rng is None:
        return undefined_interval(sampling.level, "none asked for")
    if patterns.n_drawn < 2:
        return undefined_interval(sampling.level, f"percentile bootstrap over {patterns.drawn}, needs two")
    draws = patterns.group_draws if of_groups else patterns.draws
    values = np.concatenate([estimate(times) for times in draws(sampling.resamples, sampling.rng)])
    return percentile_interval(values, sampling.level, unit=patterns.drawn)


def _why_no_bootstrap(interval: Interval, patterns: _Patterns, sampling: _Sampling) -> list[str]:
    if sampling.resamples == 0 or interval.defined:
        return []
    if patterns.n_drawn < 2:
        return [f"The bootstrap interval needs two {patterns.drawn} or more; there is {patterns.n_drawn}."]
    return ["The coefficient was undefined in nearly every resample, so it has no bootstrap interval."]


# coefficients corrected for chance


@dataclass(frozen=True, slots=True, eq=False)
class _Request:
    table: _Table
    weights: FloatArray
    sampling: _Sampling


def _request(
    ratings: Ratings,
    weights: Weights,
    categories: Sequence[Code] | None,
    level: float,
    clusters: Clusters | None,
    resamples: int,
    rng: np.random.Generator | None,
    *,
    two_raters: bool = False,
) -> _Request:
    table = _coded("ratings", ratings, categories)
    if two_raters and table.codes.shape[1] != 2:
        raise ArgumentError(
            f"`ratings` has {table.codes.shape[1]} raters; this coefficient needs exactly 2 (fleiss_kappa takes more)."
        )
    return _Request(table, _weight_matrix(weights, table), _sampling(table, level, clusters, resamples, rng))


def _weight_matrix(weights: Weights, table: _Table) -> FloatArray:
    q = len(table.categories)
    if weights is None:
        return np.eye(q)
    if isinstance(weights, str):
        one_of("weights", weights, ("linear", "quadratic"))
    if not (table.numeric or table.order_given):
        raise ArgumentError(
            "`weights` need an order of the codes, and strings have none; give `categories` in their order."
        )
    if isinstance(weights, str):
        return _weights_by_distance(_places(table), 1 if weights == "linear" else 2)
    matrix = number_array("weights", weights, dimensions=2)
    if matrix.shape != (q, q):
        raise ArgumentError(f"`weights` is {matrix.shape}; with {q} categories ({q}, {q}) is needed.")
    if (
        not ((matrix >= 0) & (matrix <= 1)).all()
        or (np.diag(matrix) != 1).any()
        or not np.allclose(matrix, matrix.T, rtol=0, atol=1e-12)
    ):
        raise ArgumentError("`weights` must be agreement weights: symmetric, from 0 to 1, with 1 on the diagonal.")
    return matrix


def _weights_by_distance(places: FloatArray, power: int) -> FloatArray:
    distances: FloatArray = np.abs(places[:, None] - places)
    largest = distances.max(initial=0.0)
    return 1 - (distances / largest if largest else distances) ** power


def _places(table: _Table) -> FloatArray:
    """Where the categories lie: numbers in ascending or descending order at their values, others at equal steps."""
    q = len(table.categories)
    if table.numeric:
        values = np.array(table.categories, dtype=np.float64)
        if (np.diff(values) > 0).all() or (np.diff(values) < 0).all():
            return values
    return np.arange(q, dtype=np.float64)


def _same_pairs(rows: IntArray) -> FloatArray:
    """The share of the pairs of ratings of each pattern (patterns, raters) that are the same."""
    same, pairs = np.zeros(len(rows)), np.zeros(len(rows))
    for first, second in combinations(rows.T, 2):
        both = (first >= 0) & (second >= 0)
        pairs += both
        same += both & (first == second)
    return ratio(same, pairs)


def _pair_agreement(counts: FloatArray, weights: FloatArray) -> FloatArray:
    """Mean weight over the pairs of ratings of each pattern; 0 where there is no pair."""
    n_ratings = counts.sum(axis=1)
    agreement = np.zeros(len(counts))
    agreeing = ((counts @ weights) * counts).sum(axis=1) - n_ratings
    np.divide(agreeing, n_ratings * (n_ratings - 1), out=agreement, where=n_ratings >= 2)
    return agreement


def _corrected(observed: FloatArray, expected: FloatArray) -> FloatArray:
    above_chance = 1 - expected
    coefficient = np.full(len(above_chance), nan)
    np.divide(observed - expected, above_chance, out=coefficient, where=above_chance > ROUNDING)
    return coefficient


def _cohen(request: _Request) -> AgreementCoefficient:
    weights, q = request.weights, len(request.table.categories)
    patterns = _patterns(request.table, at_least_ratings=2, in_order=True, clusters=request.sampling.clusters)
    first, second = patterns.rows.T
    pair_weights = weights[first, second]

    def margins(times: FloatArray) -> tuple[FloatArray, FloatArray]:
        n = times.sum(axis=1, keepdims=True)
        return times @ np.eye(q)[first] / n, times @ np.eye(q)[second] / n

    def agreement(times: FloatArray) -> tuple[FloatArray, FloatArray]:
        by_first, by_second = margins(times)
        return times @ pair_weights / times.sum(axis=1), ((by_first @ weights) * by_second).sum(axis=1)

    def standard_error(value: float, observed: float, expected: float) -> float:
        """Fleiss, Cohen & Everitt 1969, not assuming that kappa is 0."""
        (by_first,), (by_second,) = margins(patterns.times[None, :])
        mean_weights = (weights @ by_second)[first] + (by_first @ weights)[second]
        squares = (pair_weights * (1 - expected) - mean_weights * (1 - observed)) ** 2
        n = patterns.n_units
        variance = (patterns.times @ squares / n - (observed * expected - 2 * expected + observed) ** 2) / (
            n * (1 - expected) ** 4
        )
        return sqrt(max(variance, 0.0))

    return _coefficient(request, patterns, agreement, standard_error)


_Expected = Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
"""From prevalences (resamples, categories) and weights: chance agreement, and its gradient in the prevalences."""


def _expected_by_prevalence(prevalence: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    weighted = prevalence @ weights
    return (weighted * prevalence).sum(axis=1), 2 * weighted


def _expected_when_uniform(prevalence: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    return np.full(len(prevalence), weights.mean()), np.zeros_like(prevalence)


def _expected_by_uncertainty(prevalence: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
    q = len(weights)
    share = weights.sum() / (q * (q - 1)) if q > 1 else nan
    return share * (prevalence * (1 - prevalence)).sum(axis=1), share * (1 - 2 * prevalence)


def _from_prevalence(
    request: _Request, expected_of: _Expected, *, one_category_defined: bool = False
) -> AgreementCoefficient:
    """Coefficients whose chance agreement depends on how common each code is over all units with a rating."""
    weights = request.weights
    patterns = _patterns(request.table, at_least_ratings=1, clusters=request.sampling.clusters)
    counts = patterns.counts
    n_ratings = counts.sum(axis=1)
    shares = counts / n_ratings[:, None]
    paired = n_ratings >= 2
    pair_agreement = _pair_agreement(counts, weights)

    def prevalence(times: FloatArray) -> FloatArray:
        shares_of_units: FloatArray = times @ shares / times.sum(axis=1, keepdims=True)
        return shares_of_units

    def agreement(times: FloatArray) -> tuple[FloatArray, FloatArray]:
        n_paired = times @ paired
        observed = np.divide(times @ pair_agreement, n_paired, out=np.full(len(times), nan), where=n_paired > 0)
        return observed, expected_of(prevalence(times), weights)[0]

    def standard_error(value: float, observed: float, expected: float) -> float:
        """Gwet's linearization; he divides by n for two raters, by n - 1 for more."""
        overall = prevalence(patterns.times[None, :])
        (gradient,) = expected_of(overall, weights)[1]
        n, n_paired = patterns.n_units, patterns.times @ paired
        of_observed = n / n_paired * paired * (pair_agreement - expected) / (1 - expected)
        of_expected = (1 - value) / (1 - expected) * ((shares - overall) @ gradient)
        squares = patterns.times @ (of_observed - of_expected - value) ** 2
        n_raters = (request.table.codes >= 0).any(axis=0).sum()
        return sqrt(squares / (n * (n if n_raters == 2 else n - 1)))

    return _coefficient(request, patterns, agreement, standard_error, one_category_defined)


def _coefficient(
    request: _Request,
    patterns: _Patterns,
    agreement: Callable[[FloatArray], tuple[FloatArray, FloatArray]],
    standard_error: Callable[[float, float, float], float],
    one_category_defined: bool = False,
) -> AgreementCoefficient:
    """The coefficient of all units, its standard error and intervals, and why any of them is undefined."""
    level, units = request.sampling.level, request.table.units_by_ratings
    none = undefined_interval(level, "normal"), undefined_interval(level, "percentile bootstrap")
    if units[0] == 0:
        return AgreementCoefficient(nan, nan, nan, nan, *none, *units, "No unit has two ratings.")
    observed_all, expected_all = agreement(patterns.times[None, :])
    observed, expected = float(observed_all[0]), float(expected_all[0])
    value = float(_corrected(observed_all, expected_all)[0])
    one_category = _only_category(request.table, patterns)
    if one_category or isnan(value):
        reason = _why_undefined(one_category, len(request.table.categories), one_category_defined)
        return AgreementCoefficient(value, observed, expected, nan, *none, *units, reason)
    error, reasons = nan, ["The standard error needs two units or more."]
    if units[0] >= 2:
        error, reasons = standard_error(value, observed, expected), []
    interval = _interval(value, error, observed, level)
    bootstrap = _bootstrap(lambda times: _corrected(*agreement(times)), patterns, request.sampling)
    reasons += _why_no_bootstrap(bootstrap, patterns, request.sampling)
    return AgreementCoefficient(value, observed, expected, error, interval, bootstrap, *units, " ".join(reasons))


def _interval(value: float, error: float, observed: float, level: float) -> Interval:
    interval = normal_interval(value, error, level, high=1.0)
    if observed < 1 or not interval.defined:
        return interval
    return Interval(interval.low, interval.high, level, "normal; no disagreement was seen, so its width says nothing")


def _only_category(table: _Table, patterns: _Patterns) -> str:
    """The one code that all ratings hold, for a message; empty where there are two or more."""
    used = np.flatnonzero(patterns.counts.any(axis=0))
    return repr(table.categories[used[0]]) if len(used) == 1 else ""


def _why_undefined(one_category: str, n_categories: int, one_category_defined: bool) -> str:
    if not one_category:
        return "Agreement by chance is 1 with these weights, so the coefficient is undefined."
    if not one_category_defined:
        return f"All ratings are {one_category}, so agreement by chance is 1 and the coefficient is undefined."
    if n_categories == 1:
        return f"All ratings are {one_category} and no other code is known; name the possible ones in `categories`."
    return f"All ratings are {one_category}, so the coefficient is 1 whatever the raters could tell apart: this shows nothing."


# Krippendorff's alpha


class _Distances(Protocol):
    """Disagreement between codes: of pairs of places, and the sum over codes that counts are weighted by."""

    def between(self, a: IntArray, b: IntArray) -> FloatArray:
        """The disagreement of codes in places `a` and `b`, one by one."""

    def weighted(self, counts: FloatArray) -> FloatArray:
        """`counts` (n, categories) times the disagreements (categories, categories)."""


@dataclass(frozen=True, slots=True, eq=False)
class _MetricDistances:
    """Squared differences (categories, categories)."""

    matrix: FloatArray

    def between(self, a: IntArray, b: IntArray) -> FloatArray:
        return self.matrix[a, b]

    def weighted(self, counts: FloatArray) -> FloatArray:
        return counts @ self.matrix


def _metric_distances(table: _Table, metric: Metric) -> _MetricDistances:
    if metric == "nominal":
        return _MetricDistances(1 - np.eye(len(table.categories)))
    if not table.numeric:
        raise ArgumentError(
            f"`ratings` holds strings; the {metric} metric needs numbers (nominal, or ordinal with `categories`, take strings)."
        )
    values = np.array(table.categories, dtype=np.float64)
    differences = values[:, None] - values
    if metric == "interval":
        return _MetricDistances(differences**2)
    if (values < 0).any():
        raise ArgumentError(f"`ratings` holds {values.min():g}; the ratio metric needs numbers of 0 or more.")
    sums = values[:, None] + values
    ratios = np.zeros_like(sums)
    np.divide(differences, sums, out=ratios, where=sums > 0)
    return _MetricDistances(ratios**2)


@dataclass(frozen=True, slots=True, eq=False)
class _SetDistances:
    """Distances between sets of codes; `holds` (sets, codes), sparse, is 1 where a set holds a code.

    Sets without a code in common are at distance 1, so only those that have one are worked out.
    """

    holds: csr_array
    distance: SetDistance

    def between(self, a: IntArray, b: IntArray) -> FloatArray:
        shared = np.asarray((self.holds[a] * self.holds[b]).sum(axis=1), dtype=np.float64).ravel()
        return 1 - self._alike(shared, self._sizes[a], self._sizes[b])

    def weighted(self, counts: FloatArray) -> FloatArray:
        q, sizes = self.holds.shape[0], self._sizes
        at_once = max(1, CELLS_AT_ONCE // max(q, 1))
        result = np.tile(counts.sum(axis=1, keepdims=True), (1, q))
        for begin in range(0, q, at_once):
            shared = (self.holds[begin : begin + at_once] @ self.holds.T).tocoo()
            alike = self._alike(shared.data, sizes[begin + shared.row], sizes[shared.col])
            block = csr_array((alike, (shared.row, shared.col)), shape=shared.shape)
            result[:, begin : begin + at_once] -= (block @ counts.T).T
        empty = sizes == 0
        result[:, empty] -= counts[:, empty]
        return result

    @property
    def _sizes(self) -> FloatArray:
        return np.asarray(self.holds.sum(axis=1), dtype=np.float64).ravel()

    def _alike(self, shared: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
        """1 - distance of sets of `a` and `b` codes with `shared` in common."""
        union = a + b - shared
        overlap = np.ones(len(shared))
        np.divide(shared, union, out=overlap, where=union > 0)
        if self.distance == "jaccard":
            return overlap
        monotonicity = np.where(shared == np.minimum(a, b), 2 / 3, 1 / 3)
        monotonicity[union == shared] = 1.0
        return overlap * monotonicity


def _set_distances(table: _Table, distance: SetDistance) -> _SetDistances:
    places = {code: place for place, code in enumerate({code: None for labels in table.categories for code in labels})}
    held = [(row, places[code]) for row, labels in enumerate(table.categories) for code in labels]
    rows, columns = np.array(held, dtype=np.int64).reshape(-1, 2).T
    holds = csr_array((np.ones(len(held)), (rows, columns)), shape=(len(table.categories), max(len(places), 1)))
    return _SetDistances(holds, distance)


def _alpha(table: _Table, distances: _Distances | None, sampling: _Sampling) -> AlphaCoefficient:
    """Alpha of the pairable ratings; without `distances` the ordinal metric, which depends on the counts."""
    if distances is None and not (table.numeric or table.order_given):
        raise ArgumentError(
            "The ordinal metric needs an order of the codes, and strings have none; give `categories` in their order."
        )
    patterns = _patterns(table, at_least_ratings=2, clusters=sampling.clusters)
    units, n_pairable = table.units_by_ratings, int(patterns.times @ (patterns.rows >= 0).sum(axis=1))
    if units[0] == 0:
        none = undefined_interval(sampling.level, "percentile bootstrap")
        return AlphaCoefficient(nan, nan, nan, none, 0, 0, *units[1:], "No unit has two ratings.")
    if sampling.resamples == 0:  # nothing is drawn, so all units are one group
        patterns = replace(patterns, in_clusters=patterns.times[None, :])
    both = _ordinal_disagreement(patterns) if distances is None else _disagreement(patterns, distances)
    everything = patterns.times[None, :] if patterns.in_clusters is None else np.ones((1, len(patterns.in_clusters)))
    observed, expected = both(everything)
    alpha = float(one_minus_ratio(observed, expected)[0])
    if isnan(alpha):
        none = undefined_interval(sampling.level, "percentile bootstrap")
        reason = "All pairable ratings are the same, so no disagreement is possible and alpha is undefined."
        return AlphaCoefficient(
            nan, float(observed[0]), float(expected[0]), none, units[0], n_pairable, *units[1:], reason
        )
    interval = _bootstrap(lambda times: one_minus_ratio(*both(times)), patterns, sampling, of_groups=True)
    reason = " ".join(_why_no_bootstrap(interval, patterns, sampling))
    return AlphaCoefficient(
        alpha, float(observed[0]), float(expected[0]), interval, units[0], n_pairable, *units[1:], reason
    )


_Disagreement = Callable[[FloatArray], tuple[FloatArray, FloatArray]]
"""From how often each cluster, or else pattern, comes (resamples, groups): observed and expected disagreement."""


def _disagreement(patterns: _Patterns, distances: _Distances) -> _Disagreement:
    """For a metric that does not depend on the counts, so that sums over each cluster are made once."""
    rows = patterns.rows
    of_pattern = np.zeros(len(rows))
    for first, second in combinations(range(rows.shape[1]), 2):
        paired = (rows[:, first] >= 0) & (rows[:, second] >= 0)
        of_pattern[paired] += 2 * distances.between(rows[paired, first], rows[paired, second])
    of_pattern /= (rows >= 0).sum(axis=1) - 1
    of_group = of_pattern if patterns.in_clusters is None else patterns.in_clusters @ of_pattern
    counts = patterns.code_counts_of_groups()
    in_group = counts.sum(axis=1)
    few_groups = len(counts) <= counts.shape[1]
    between_groups = distances.weighted(counts) @ counts.T if few_groups else None

    def both(times: FloatArray) -> tuple[FloatArray, FloatArray]:
        n = times @ in_group
        if between_groups is not None:
            chance = ((times @ between_groups) * times).sum(axis=1)
        else:
            totals = times @ counts
            chance = (distances.weighted(totals) * totals).sum(axis=1)
        return times @ of_group / n, chance / (n * (n - 1))

    return both


def _ordinal_disagreement(patterns: _Patterns) -> _Disagreement:
    """For the ordinal metric: squared differences between the categories' mid-ranks, which every resample has its own of."""
    counts = patterns.counts
    n_ratings = counts.sum(axis=1)

    def both(times_of_groups: FloatArray) -> tuple[FloatArray, FloatArray]:
        times = times_of_groups if patterns.in_clusters is None else times_of_groups @ patterns.in_clusters
        totals = times @ counts
        n = totals.sum(axis=1)
        mid_ranks = np.cumsum(totals, axis=1) - totals / 2
        of_pattern = 2 * (n_ratings * (mid_ranks**2 @ counts.T) - (mid_ranks @ counts.T) ** 2) / (n_ratings - 1)
        between = 2 * (n * (totals * mid_ranks**2).sum(axis=1) - (totals * mid_ranks).sum(axis=1) ** 2)
        return (times * of_pattern).sum(axis=1) / n, between / (n * (n - 1))

    return both
