"""Agreement between raters who marked spans freely: Krippendorff's alpha for a continuum, and for several texts.

Ratings of units that were fixed beforehand live in `workbench.stats.agreement`.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import isnan, nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import ArgumentError
from workbench.stats._checks import at_least, level_between_0_and_1, resampling, same_length
from workbench.stats.intervals import Interval, percentile_interval, undefined_interval

FloatArray = NDArray[np.float64]
Span = tuple[Hashable, int, int, Hashable]
Text = tuple[Sequence[Span], int]


@dataclass(frozen=True, slots=True, eq=False)
class UnitizingAlpha:
    """Krippendorff's alpha for spans: over all codes, and for each code; disagreements are sums over codes."""

    value: float
    by_code: dict[Hashable, float]
    observed_disagreement: float
    expected_disagreement: float
    observed_by_code: dict[Hashable, float]
    expected_by_code: dict[Hashable, float]
    n_spans: int
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class TextsUnitizing:
    """Agreement on spans over several texts: alpha over all codes and for each, and how far marked places overlap.

    `overlap` is the places that two raters marked both of those that either marked. Intervals resample texts, or
    whole clusters of them.
    """

    value: float
    interval: Interval
    by_code: dict[Hashable, float]
    interval_by_code: dict[Hashable, Interval]
    overlap: dict[Hashable, float]
    overlap_interval: dict[Hashable, Interval]
    n_spans: int
    n_texts: int
    reason: str


def unitizing_alpha(
    spans: Sequence[Span],
    *,
    length: int,
    start: int = 0,
    raters: Sequence[Hashable] | None = None,
    codes: Sequence[Hashable] | None = None,
) -> UnitizingAlpha:
    """Krippendorff's alpha for spans that raters marked freely in one continuum.

    `spans` of (rater, start, end, code), half-open, in whole steps (characters, say) of a continuum that begins at
    `start` and is `length` long. `raters` names all who marked it, also one who found nothing; `codes` all codes.
    Returns alpha over all codes and for each; NaN with a reason for a code that nobody marked. Raises ArgumentError
    for a span outside the continuum, fewer than two raters, or two overlapping spans of one rater and code.

    1 - sum of Do / sum of De over codes. Krippendorff 2004, Content Analysis, 2nd ed., chapter 11.

    >>> unitizing_alpha([("R1", 0, 5, "heavy"), ("R2", 0, 5, "heavy")], length=20).value
    1.0
    """
    marked = _marked_spans(spans, length, start, raters, codes)
    observed = np.array([_span_disagreement(by_rater, length) for by_rater in marked.values()], dtype=np.float64)
    expected = np.array([_chance_span_disagreement(by_rater, length) for by_rater in marked.values()], dtype=np.float64)
    alphas = one_minus_ratio(observed, expected)
    unmarked = [repr(code) for code, alpha in zip(marked, alphas, strict=True) if isnan(alpha)]
    return UnitizingAlpha(
        float(one_minus_ratio(observed.sum(keepdims=True), expected.sum(keepdims=True))[0]),
        dict(zip(marked, alphas.tolist(), strict=True)),
        float(observed.sum()),
        float(expected.sum()),
        dict(zip(marked, observed.tolist(), strict=True)),
        dict(zip(marked, expected.tolist(), strict=True)),
        len(spans),
        _why_no_unitizing(marked, unmarked),
    )


def unitizing_of_texts(
    texts: Sequence[Text],
    *,
    raters: Sequence[Hashable],
    codes: Sequence[Hashable] | None = None,
    clusters: Sequence[Any] | None = None,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
    level: float = 0.95,
) -> TextsUnitizing:
    """Krippendorff's alpha for spans in several texts, and the overlap of what was marked.

    `texts` of (spans, length), each a continuum from 0 that all `raters` read; spans as in `unitizing_alpha`.
    `clusters` (texts,) are resampled whole. A gap ends where its text ends, so one text gives `unitizing_alpha`.
    Returns alpha and overlap, each with a percentile interval; NaN with a reason for a code that nobody marked.
    Raises ArgumentError as `unitizing_alpha`, and for no text.

    1 - Do / De with the sums of Do and De taken over all texts; overlap sum |a & b| / sum |a | b| over pairs of
    raters and texts. Krippendorff 2004, Content Analysis, 2nd ed., chapter 11; Jaccard 1901 (from memory).

    >>> unitizing_of_texts([([("R1", 0, 5, "heavy"), ("R2", 0, 5, "heavy")], 20)], raters=["R1", "R2"]).value
    1.0
    """
    at_least("texts", "texts", len(texts), 1)
    level_between_0_and_1("level", level)
    resampling(resamples, rng)
    groups = list(range(len(texts))) if clusters is None else list(clusters)
    same_length("clusters", groups, "texts", texts)
    all_codes = list(dict.fromkeys(span[3] for spans, _ in texts for span in spans)) if codes is None else list(codes)
    marked = [_marked_spans(spans, length, 0, raters, all_codes) for spans, length in texts]
    lengths = np.array([length for _, length in texts], dtype=np.float64)
    sums = {code: _text_sums([one[code] for one in marked], lengths) for code in all_codes}
    whole = np.ones((1, len(texts)))
    drawn = _text_draws(groups, resamples, rng)
    unit = "texts" if clusters is None else "clusters"

    def estimated(statistic: Callable[[FloatArray], FloatArray]) -> tuple[float, Interval]:
        value = float(statistic(whole)[0])
        if drawn is None or isnan(value):
            return value, undefined_interval(level, "none asked for" if resamples == 0 else f"needs two {unit}")
        return value, percentile_interval(statistic(drawn), level, unit=unit)

    def alpha(*chosen: _TextSums) -> tuple[float, Interval]:
        return estimated(lambda times: _alpha_over_codes(chosen, times))

    def overlap(one: _TextSums) -> tuple[float, Interval]:
        return estimated(lambda times: ratio(times @ one.both, times @ one.either))

    overall = alpha(*sums.values()) if sums else (nan, undefined_interval(level, "no codes"))
    alphas = {code: alpha(one) for code, one in sums.items()}
    overlaps = {code: overlap(one) for code, one in sums.items()}
    unmarked = [repr(code) for code, (value, _) in alphas.items() if isnan(value)]
    return TextsUnitizing(
        *overall,
        {code: value for code, (value, _) in alphas.items()},
        {code: interval for code, (_, interval) in alphas.items()},
        {code: value for code, (value, _) in overlaps.items()},
        {code: interval for code, (_, interval) in overlaps.items()},
        sum(len(spans) for spans, _ in texts),
        len(texts),
        _why_no_unitizing(sums, unmarked),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Sections:
    """One rater's continuum for one code: begin and length of the spans, and of the gaps between them."""

    starts: FloatArray
    lengths: FloatArray
    gap_starts: FloatArray
    gap_lengths: FloatArray


def _marked_spans(
    spans: Sequence[Span], length: int, start: int, raters: Sequence[Hashable] | None, codes: Sequence[Hashable] | None
) -> dict[Hashable, list[_Sections]]:
    """The sections of every rater, for every code."""
    _whole_number("length", length)
    _whole_number("start", start)
    at_least("length", "steps", length, 1)
    all_raters = list(dict.fromkeys(span[0] for span in spans)) if raters is None else list(dict.fromkeys(raters))
    all_codes = list(dict.fromkeys(span[3] for span in spans)) if codes is None else list(dict.fromkeys(codes))
    if len(all_raters) < 2:
        raise ArgumentError(
            f"`raters` has {len(all_raters)} rater(s); at least 2 are needed (name one who marked nothing, too)."
        )
    of: dict[tuple[Hashable, Hashable], list[tuple[int, int]]] = {
        (code, rater): [] for code in all_codes for rater in all_raters
    }
    for span in spans:
        rater, begin, end, code = span
        _whole_number("spans", begin)
        _whole_number("spans", end)
        if not start <= begin < end <= start + length:
            raise ArgumentError(f"`spans` holds {span!r}; {start} <= start < end <= {start + length} is needed.")
        if (code, rater) not in of:
            raise ArgumentError(
                f"`spans` holds {span!r}, whose rater is not in `raters` or whose code is not in `codes`."
            )
        of[code, rater].append((int(begin), int(end)))
    sections = {key: _sections(key, sorted(marked), start, start + length) for key, marked in of.items()}
    return {code: [sections[code, rater] for rater in all_raters] for code in all_codes}


def _whole_number(name: str, value: object) -> None:
    if not isinstance(value, (int, np.integer)) or isinstance(value, bool):
        raise ArgumentError(f"`{name}` holds {value!r}; whole steps of the continuum are needed.")


def _sections(key: tuple[Hashable, Hashable], marked: list[tuple[int, int]], start: int, end: int) -> _Sections:
    edges = np.array(marked, dtype=np.float64).reshape(-1, 2)
    if (edges[1:, 0] < edges[:-1, 1]).any():
        code, rater = key
        raise ArgumentError(
            f"`spans` of rater {rater!r} for code {code!r} overlap; spans of one rater and code must not."
        )
    gap_starts, gap_ends = np.append(start, edges[:, 1]), np.append(edges[:, 0], end)
    gaps = gap_ends > gap_starts
    return _Sections(edges[:, 0], edges[:, 1] - edges[:, 0], gap_starts[gaps], (gap_ends - gap_starts)[gaps])


def _span_disagreement(by_rater: list[_Sections], length: int) -> float:
    """Do: over all pairs of raters, squared distances of overlapping spans' ends, and lengths of spans in gaps."""
    m = len(by_rater)
    total = sum(_overlaps(a, b) + _in_gaps(a, b) + _in_gaps(b, a) for a, b in combinations(by_rater, 2))
    return 2 * total / (m * (m - 1) * length**2)


def _overlaps(a: _Sections, b: _Sections) -> float:
    begins = a.starts[:, None] - b.starts
    ends = begins + a.lengths[:, None] - b.lengths
    overlapping = (-a.lengths[:, None] < begins) & (begins < b.lengths)
    return float(((begins**2 + ends**2) * overlapping).sum())


def _in_gaps(marked: _Sections, other: _Sections) -> float:
    """Squared lengths of the spans that lie wholly within a gap of the other rater."""
    after = marked.starts[:, None] - other.gap_starts
    within = (after >= 0) & (after <= other.gap_lengths - marked.lengths[:, None])
    return float((marked.lengths[:, None] ** 2 * within).sum())


def _chance_span_disagreement(by_rater: list[_Sections], length: int) -> float:
    """De: the same over all ways of placing the spans and gaps of all raters at random."""
    spans = np.concatenate([sections.lengths for sections in by_rater])
    gaps = np.concatenate([sections.gap_lengths for sections in by_rater])
    if not len(spans):
        return 0.0
    of_spans = (len(spans) - 1) / 3 * (2 * spans**3 - 3 * spans**2 + spans)
    of_gaps = spans**2 * np.clip(gaps - spans[:, None] + 1, 0, None).sum(axis=1)
    steps = len(by_rater) * length
    places = steps * (steps - 1) - (spans * (spans - 1)).sum()
    return float(2 / length * (of_spans + of_gaps).sum() / places)


def _why_no_unitizing(marked: Mapping[Hashable, object], unmarked: list[str]) -> str:
    if not marked:
        return "No spans and no codes were given."
    return f"Nobody marked {', '.join(unmarked)}, or no gap was left, so alpha is undefined there." if unmarked else ""


@dataclass(frozen=True, slots=True, eq=False)
class _TextSums:
    """Of one code, by text: what Do and De add up, and marked places; `gaps` pairs spans of one text with gaps of another."""

    m: int
    lengths: FloatArray
    observed: FloatArray
    n_spans: FloatArray
    of_spans: FloatArray
    within: FloatArray
    gaps: FloatArray
    both: FloatArray
    either: FloatArray


def _text_sums(by_text: Sequence[list[_Sections]], lengths: FloatArray) -> _TextSums:
    n = len(by_text)
    pairs = [list(combinations(by_rater, 2)) for by_rater in by_text]
    observed = [sum(_overlaps(a, b) + _in_gaps(a, b) + _in_gaps(b, a) for a, b in one) for one in pairs]
    both = [sum(_shared_places(a, b) for a, b in one) for one in pairs]
    marked = [sum(a.lengths.sum() + b.lengths.sum() for a, b in one) for one in pairs]
    spans = [np.concatenate([one.lengths for one in by_rater]) for by_rater in by_text]
    gaps = [np.concatenate([one.gap_lengths for one in by_rater]) for by_rater in by_text]
    crossed = np.zeros((n, n))
    all_gaps, starts = np.concatenate(gaps), np.cumsum([0, *map(len, gaps)])
    for text, lengths_here in enumerate(spans):
        fits = np.clip(all_gaps - lengths_here[:, None] + 1, 0, None).T @ lengths_here**2
        crossed[text] = np.diff(np.concatenate([[0.0], np.cumsum(fits)])[starts])
    return _TextSums(
        len(by_text[0]),
        lengths,
        np.array(observed),
        np.array([len(one) for one in spans], dtype=np.float64),
        np.array([(2 * one**3 - 3 * one**2 + one).sum() / 3 for one in spans]),
        np.array([(one * (one - 1)).sum() for one in spans]),
        crossed,
        np.array(both),
        np.array(marked) - np.array(both),
    )


def _shared_places(a: _Sections, b: _Sections) -> float:
    begins = np.maximum(a.starts[:, None], b.starts)
    ends = np.minimum((a.starts + a.lengths)[:, None], b.starts + b.lengths)
    return float(np.clip(ends - begins, 0, None).sum())


def _alpha_over_codes(sums: Sequence[_TextSums], times: FloatArray) -> FloatArray:
    """Alpha where each text comes `times` (resamples, texts)."""
    length, m = times @ sums[0].lengths, sums[0].m
    observed, expected = np.zeros(len(times)), np.zeros(len(times))
    for one in sums:
        observed += 2 * (times @ one.observed) / (m * (m - 1) * length**2)
        chance = (times @ one.n_spans - 1) * (times @ one.of_spans) + ((times @ one.gaps) * times).sum(axis=1)
        expected += 2 / length * chance / (m * length * (m * length - 1) - times @ one.within)
    return one_minus_ratio(observed, expected)


def _text_draws(groups: Sequence[Any], resamples: int, rng: np.random.Generator | None) -> FloatArray | None:
    """How often each text comes in each resample (resamples, texts); None where there is nothing to draw."""
    labels = list(dict.fromkeys(groups))
    if resamples == 0 or rng is None or len(labels) < 2:
        return None
    places = [labels.index(group) for group in groups]
    return rng.multinomial(len(labels), np.full(len(labels), 1 / len(labels)), size=resamples)[:, places].astype(
        np.float64
    )


def ratio(part: FloatArray, whole: FloatArray) -> FloatArray:
    """part / whole, elementwise; NaN where there is no whole."""
    share = np.full(len(whole), nan)
    np.divide(part, whole, out=share, where=whole > 0)
    return share


def one_minus_ratio(observed: FloatArray, expected: FloatArray) -> FloatArray:
    """Alpha from both disagreements; NaN where none is possible."""
    return 1 - ratio(observed, expected)
