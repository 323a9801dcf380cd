"""Agreement on freely marked spans: the units of each transcript laid end to end, one continuum a transcript."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from workbench.analysis.ratings import Ratings
from workbench.codebook.model import version_age
from workbench.coding.codings import UNIT
from workbench.stats.agreement import unitizing_of_texts
from workbench.stats.unitizing import TextsUnitizing

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class SpanAgreement:
    """Alpha and overlap of spans in the `n_units` units that all raters rated.

    `n_unreadable` codings have no whole numbers in order as start and end, or an end beyond the text; `n_joined` overlapped an earlier one of the
    same rater and code and were joined to it. `lengths_known` is False where a unit's length was taken from the last end.
    """

    result: TextsUnitizing
    n_units: int
    n_unreadable: int
    n_joined: int
    lengths_known: bool


def span_agreement(
    rows: pd.DataFrame,
    ratings: Ratings,
    texts: Mapping[str, str],
    level: float,
    resamples: int,
    rng: np.random.Generator,
) -> SpanAgreement | None:
    """Agreement on start and end; None where no coding has them. They count code points of the unit's text."""
    marked = rows[(rows["code"] != "") & (rows["start"] != "") & (rows["end"] != "")]
    seen = {ratings.units[place] for place in np.flatnonzero(ratings.rated.all(axis=1))}
    if marked.empty or not seen:
        return None
    spans, n_unreadable = _spans(marked, seen, texts)
    n_joined = 0
    units = sorted(seen, key=lambda unit: (unit[0], version_age(unit[1])))
    participant = dict(zip(ratings.units, ratings.participants, strict=True))
    ends: dict[tuple[str, str], int] = {}
    for (unit, *_), pairs in spans.items():
        ends[unit] = max([ends.get(unit, 0), *(end for _, end in pairs)])
    laid: dict[str, tuple[list[tuple[str, int, int, str]], int]] = {}
    for unit in units:
        here, begin = laid.get(unit[0], ([], 0))
        for (where, rater, code), pairs in spans.items():
            if where == unit:
                joined = _joined(pairs)
                n_joined += len(pairs) - len(joined)
                here += [(rater, begin + start, begin + end, code) for start, end in joined]
        laid[unit[0]] = here, begin + (len(texts[unit[1]]) if unit[1] in texts else ends.get(unit, 0))
    transcripts = [name for name, (_, length) in laid.items() if length]
    if not transcripts:
        return None
    speaker = {unit[0]: participant[unit] for unit in units}
    result = unitizing_of_texts(
        [laid[name] for name in transcripts],
        raters=ratings.raters,
        codes=sorted({code for _, _, code in spans}),
        clusters=[speaker[name] for name in transcripts],
        resamples=resamples,
        rng=rng,
        level=level,
    )
    return SpanAgreement(result, len(units), n_unreadable, n_joined, all(unit in texts for _, unit in units))


Spans = dict[tuple[tuple[str, str], str, str], list[tuple[int, int]]]
"""(unit, rater, code): start and end of each span."""


def _spans(marked: pd.DataFrame, seen: set[tuple[str, str]], texts: Mapping[str, str]) -> tuple[Spans, int]:
    """The spans that can be read, and how many cannot."""
    found: Spans = {}
    unreadable = 0
    columns = [*UNIT, "rater", "code", "start", "end"]
    for transcript, unit, rater, code, start, end in marked[columns].itertuples(index=False):
        if (transcript, unit) not in seen:
            continue
        whole = start.isdecimal() and end.isdecimal() and int(start) < int(end)
        if whole and (unit not in texts or int(end) <= len(texts[unit])):
            found.setdefault(((transcript, unit), rater, code), []).append((int(start), int(end)))
        else:
            unreadable += 1
    return found, unreadable


def _joined(pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans in order, those that overlap made one."""
    joined: list[tuple[int, int]] = []
    for start, end in sorted(pairs):
        if joined and start < joined[-1][1]:
            joined[-1] = joined[-1][0], max(joined[-1][1], end)
        else:
            joined.append((start, end))
    return joined
