"""Figures as SVG, each with a text alternative that holds its numbers.

Every figure is one column of a paper wide (85 mm), or two (175 mm) inside `two_columns`, and drawn by vl-convert
from a Vega-Lite description, without a network. Positions are worked out here in pixels from the data alone, never from the measured width of a font, so
that a figure is the same, byte for byte, on each run; there is one font and no see-through colour, since the order of
several fonts in a PDF is left to chance. Numbers take their style from
`workbench.report.table`. What is shown is computed elsewhere, but for the medians and quartiles of
`paired_points`.

Colours: Okabe & Ito 2008, Color Universal Design (their blue and vermillion, and tints of these). No
colour stands alone: beside it there is a number, a place or a shape, and tints keep their order in grey.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from math import ceil, floor, isclose, isfinite, isinf, log10, nan
from numbers import Integral
from typing import TYPE_CHECKING, Any, Literal

from workbench.errors import ArgumentError
from workbench.report.table import Column, Kind, display_width, file_stem, printable, show, show_interval, wrapped

if TYPE_CHECKING:
    import pandas as pd

BLUE = "#0072B2"
VERMILLION = "#D55E00"
BLACK = "#000000"
INK = "#1A1A1A"
GREY = "#595959"
LINE_GREY = "#8A8A8A"
PALE = "#E2E2E2"
NEUTRAL = "#CFCFCF"
WHITE = "#FFFFFF"

PAGE_WIDTH = 321  # 85 mm at 96 pixels an inch
WIDE_PAGE_WIDTH = 661  # 175 mm
POINTS_A_PIXEL = 0.75
SIDE = 3
FONT = "Helvetica, Arial, sans-serif"
SIZE = 10.5
SMALL = 9.5
HEADING = 12.0
LEADING = 12.5
MARGIN = 6.0
LABEL_LINES = 3
BAR = 17.0
BAR_GAP = 9.0
EM = 0.56  # the width of a character, generously: how much room a text needs is estimated from it

VEGA_LITE = "6.4"
"""The version of the drawing language that the descriptions are in."""

Mark = dict[str, Any]
Layer = dict[str, Any]
Labels = Sequence[tuple[str, str]]


_SIZE = re.compile(r' width="(\d+)" height="(\d+)"')


def _in_points(size: re.Match[str]) -> str:
    """The size of a drawing in points, of which there are 72 to an inch, in place of pixels, of which there are 96."""
    return "".join(
        f' {name}="{int(pixels) * POINTS_A_PIXEL}"'
        for name, pixels in zip(("width", "height"), size.groups(), strict=True)
    )


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawn figure: `name` is the stem of its file; `alternative` says in words and numbers what it shows."""

    name: str
    title: str
    svg: str
    alternative: str

    @property
    def millimetres(self) -> int:
        """How wide the figure is on paper: 85 or 175."""
        return 175 if f'width="{WIDE_PAGE_WIDTH}"' in self.svg[:300] else 85

    def pdf(self) -> bytes:
        """The figure as a vector page of its size."""
        import vl_convert

        return vl_convert.svg_to_pdf(_SIZE.sub(_in_points, self.svg, count=1))

    def png(self, *, scale: float = 2.5) -> bytes:
        """The figure in pixels: `scale` of them where the SVG has one, so 2.5 are 240 to an inch."""
        import vl_convert

        return vl_convert.svg_to_png(self.svg, scale=scale)


@dataclass(frozen=True, slots=True)
class _Page:
    """How wide a figure is, how wide the labels at its left are, and from where to where its plot reaches."""

    width: float
    label_width: float

    @property
    def plot(self) -> tuple[float, float]:
        return (self.label_width + 10.0, self.width - 8.0)


_ONE_COLUMN = _Page(float(PAGE_WIDTH - 2 * SIDE), 114.0)
_TWO_COLUMNS = _Page(float(WIDE_PAGE_WIDTH - 2 * SIDE), 190.0)
_page: ContextVar[_Page] = ContextVar("page", default=_ONE_COLUMN)


@contextmanager
def two_columns() -> Iterator[None]:
    """Figures drawn inside are two columns of a paper wide."""
    token = _page.set(_TWO_COLUMNS)
    try:
        yield
    finally:
        _page.reset(token)


# ------------------------------------------------------------------------------------- paired points


def paired_points(
    name: str,
    title: str,
    values: pd.DataFrame,
    *,
    conditions: Labels,
    axis: str,
    low: float | None = None,
    high: float | None = None,
) -> Figure:
    """One thin line per participant over the conditions, with each condition's median and quartiles drawn strongly.

    `values` has the columns participant, condition and value, one row for each participant and condition,
    NaN = missing; `conditions` are (id, label) from top to bottom; `axis` names the value axis, which runs
    from `low` to `high` where given. Points that would cover each other are set apart by a fixed rule.
    Quartiles interpolate linearly between ordered values. Raises ArgumentError for a column that is
    missing, a participant and condition given twice, a condition not among `conditions`, or a value
    outside low to high.
    """
    _check_labels("conditions", conditions)
    cells = _cells(values, [identity for identity, _ in conditions])
    _check_range(cells.values(), low, high)
    participants = list(dict.fromkeys(participant for participant, _ in cells))
    known = {
        identity: [value for (_, at), value in cells.items() if at == identity and isfinite(value)]
        for identity, _ in conditions
    }
    scale = _Scale(*_domain([value for column in known.values() for value in column], low, high))
    offsets = _offsets(cells, scale)
    spread = max((abs(offset) for offset in offsets.values()), default=0.0)

    entries = [(label, _median_note(known[identity])) for identity, label in conditions]
    rows, bottom = _rows(entries, top=MARGIN, least=2 * spread + 36)
    middles = {identity: row.middle for (identity, _), row in zip(conditions, rows, strict=True)}
    points = {key: {"x": scale(cells[key]), "y": middles[key[1]] - 8 + offset} for key, offset in offsets.items()}
    steps = [
        {**points[participant, one], "x2": points[participant, other]["x"], "y2": points[participant, other]["y"]}
        for participant in participants
        for (one, _), (other, _) in pairwise(conditions)
        if (participant, one) in points and (participant, other) in points
    ]
    summaries = [
        (_quartiles(known[identity]), middles[identity] + spread + 6) for identity, _ in conditions if known[identity]
    ]
    boxes = [{"x": scale(first), "x2": scale(third), "y": y} for (first, _, third), y in summaries]
    medians = [_upright(scale(median), y - 6, y + 6) for (_, median, _), y in summaries]
    axis_layers, height = _axis(scale, axis, top=MARGIN, bottom=bottom)
    layers = [
        *axis_layers,
        _lines(steps, _tint(INK, 0.4), 0.6),
        _dots(list(points.values()), BLUE, 17),
        _lines(boxes, INK, 4),
        _lines(medians, INK, 2.5),
        _texts(_crowds(points, offsets), SMALL, align="center"),
        *_row_texts(rows),
    ]
    told = [
        f"{_isolated(label)}: {_distribution_told(known[identity], len(participants))}"
        for identity, label in conditions
    ]
    shape = f"{_isolated(axis)}: {len(participants)} participants, a line each, over {len(conditions)} conditions"
    return _figure(name, title, layers, height, [shape, *told])


def _cells(values: pd.DataFrame, conditions: Sequence[str]) -> dict[tuple[str, str], float]:
    """The value (NaN = missing) by participant and condition."""
    missing = [column for column in ("participant", "condition", "value") if column not in values.columns]
    if missing:
        raise ArgumentError(
            f"`values` lacks {', '.join(map(repr, missing))}; the columns participant, condition and value are needed."
        )
    numbers = [float(number) for number in values["value"].to_numpy(dtype=float, na_value=nan)]
    if any(map(isinf, numbers)):
        raise ArgumentError("`values` holds an infinite value; finite numbers and NaN (missing) are needed.")
    keys = list(zip(values["participant"].astype(str), values["condition"].astype(str), strict=True))
    twice = [key for key, count in Counter(keys).items() if count > 1]
    if twice:
        raise ArgumentError(
            f"`values` holds {twice[0]} more than once; one value for each participant and condition is needed."
        )
    foreign = sorted({condition for _, condition in keys} - set(conditions))
    if foreign:
        raise ArgumentError(
            f"`values` holds the condition(s) {', '.join(map(repr, foreign))}; "
            f"`conditions` names {', '.join(map(repr, conditions))}."
        )
    return dict(zip(keys, numbers, strict=True))


def _offsets(cells: Mapping[tuple[str, str], float], scale: _Scale) -> dict[tuple[str, str], float]:
    """How far each point stands off its condition's line, so that points at one place do not cover each other.

    The points of one place stand in the order of their participants' means, which keeps lines from crossing.
    """
    known = {key: value for key, value in cells.items() if isfinite(value)}
    means: dict[str, float] = {}
    for participant in dict.fromkeys(participant for participant, _ in known):
        own = [value for (whose, _), value in known.items() if whose == participant]
        means[participant] = sum(own) / len(own)
    places: dict[tuple[str, int], list[tuple[str, str]]] = {}
    for key in sorted(known, key=lambda key: means[key[0]]):
        places.setdefault((key[1], round(scale(known[key]) / DOT)), []).append(key)
    return {
        key: (place - (len(keys) - 1) / 2) * min(DOT, MOST_APART * DOT / len(keys))
        for keys in places.values()
        for place, key in enumerate(keys)
    }


DOT = 4.6
"""How far apart dots must be so as not to cover each other."""
MOST_APART = 26
"""Dots of one place that stand apart; of more, which cover each other, the number is written."""


def _crowds(points: Mapping[tuple[str, str], Mark], offsets: Mapping[tuple[str, str], float]) -> list[Mark]:
    """How many dots stand at a place, above those places where they cover each other."""
    places: dict[tuple[str, int], list[tuple[str, str]]] = {}
    for key, point in points.items():
        places.setdefault((key[1], round(point["x"] / DOT)), []).append(key)
    crowded = [min(keys, key=lambda key: offsets[key]) for keys in places.values() if len(keys) > MOST_APART]
    counts = {min(keys, key=lambda key: offsets[key]): len(keys) for keys in places.values()}
    return [
        {"x": points[key]["x"], "y": points[key]["y"] - 8, "text": str(counts[key]), "color": GREY} for key in crowded
    ]


def _quartiles(column: Sequence[float]) -> tuple[float, float, float]:
    import numpy as np

    first, median, third = np.quantile(column, [0.25, 0.5, 0.75])
    return float(first), float(median), float(third)


def _median_note(column: Sequence[float]) -> str:
    return f"Mdn {show(_quartiles(column)[1], _NUMBER)}, n = {len(column)}" if column else "no values"


def _distribution_told(column: Sequence[float], n_participants: int) -> str:
    missing = n_participants - len(column)
    counted = f"n = {len(column)}" + (f", {missing} missing" if missing else "")
    if not column:
        return f"not defined ({counted})"
    first, median, third = (show(number, _NUMBER) for number in _quartiles(column))
    least, most = show(min(column), _NUMBER), show(max(column), _NUMBER)
    return f"median {median}, quartiles {first} and {third}, from {least} to {most} ({counted})"


_NUMBER = Column("value", "Value", "number")


# ----------------------------------------------------------------------------------------- intervals


@dataclass(frozen=True, slots=True)
class _Estimate:
    label: str
    group: str
    value: float
    low: float
    high: float

    @property
    def defined(self) -> bool:
        return isfinite(self.value)

    @property
    def has_interval(self) -> bool:
        return self.low <= self.high

    def told(self, column: Column) -> str:
        if not self.defined:
            return "not defined"
        interval = show_interval(self.low, self.high, column) if self.has_interval else "(no interval)"
        return f"{show(self.value, column)} {interval}"


def intervals(
    name: str,
    title: str,
    rows: Sequence[tuple[str, str, float | None, float | None, float | None]],
    *,
    axis: str,
    low: float | None = None,
    high: float | None = None,
    reference: float | None = None,
    kind: Kind = "number",
) -> Figure:
    """A dot and an interval for each row: differences of pairs, reliability, agreement.

    `rows` are (label, group, value, low, high), NaN or None = undefined; the rows of a group stand together
    under its name, and an empty group has none. `axis` names the value axis, which runs from `low` to
    `high` where given; an interval that passes an end is cut there, with an arrow head. `reference` is
    the place of a dashed line, and `kind` the style of the numbers. A value that is not defined is listed
    as such; a value without an interval is a hollow dot. Raises ArgumentError for no rows, or an interval
    whose ends are swapped.
    """
    if not rows:
        raise ArgumentError("`rows` is empty; at least 1 row is needed.")
    column = Column("value", axis, kind)
    estimates = [
        _Estimate(label, group, *(nan if number is None else float(number) for number in numbers))
        for label, group, *numbers in rows
    ]
    crossed = next((estimate for estimate in estimates if estimate.low > estimate.high), None)
    if crossed:
        raise ArgumentError(
            f"`rows` has the interval {crossed.low} to {crossed.high} for {crossed.label!r}; "
            "its low end must not lie above its high end."
        )
    groups = list(dict.fromkeys(estimate.group for estimate in estimates))
    estimates.sort(key=lambda estimate: groups.index(estimate.group))
    scale = _interval_scale(estimates, low, high, reference, kind)
    top, reference_layers = _reference_label(reference, scale, column)

    placed, headings, bottom = _grouped_rows(estimates, column, top=top)
    drawn = [(estimate, row.middle) for estimate, row in placed if estimate.defined]
    spans = [(estimate, y) for estimate, y in drawn if estimate.has_interval]
    bare = [(estimate, y) for estimate, y in drawn if not estimate.has_interval]
    axis_layers, height = _axis(scale, axis, top=top, bottom=bottom)
    bars = [{"x": scale.within(estimate.low), "x2": scale.within(estimate.high), "y": y} for estimate, y in spans]
    cut_low = [{"x": _page.get().plot[0], "y": y} for estimate, y in spans if estimate.low < scale.low]
    cut_high = [{"x": _page.get().plot[1], "y": y} for estimate, y in spans if estimate.high > scale.high]
    layers = [
        *axis_layers,
        *reference_layers,
        _lines([] if reference is None else [_upright(scale(reference), top, bottom)], GREY, 1, dash=[4, 3]),
        _lines(bars, INK, 1.6),
        _dots(cut_low, INK, 40, shape="triangle-left"),
        _dots(cut_high, INK, 40, shape="triangle-right"),
        _dots([{"x": scale(estimate.value), "y": y} for estimate, y in spans], BLUE, 50),
        _dots([{"x": scale(estimate.value), "y": y} for estimate, y in bare], WHITE, 44, outline=BLUE),
        _texts(headings, HEADING),
        *_row_texts([row for _, row in placed]),
    ]
    told = [
        f"{_isolated(estimate.group)}{', ' * bool(estimate.group)}{_isolated(estimate.label)}: {estimate.told(column)}"
        for estimate in estimates
    ]
    line = "" if reference is None else f", with a line at {show(reference, column)}"
    return _figure(name, title, layers, height, [f"{_isolated(axis)}: values and intervals{line}", *told])


def _interval_scale(
    estimates: Sequence[_Estimate], low: float | None, high: float | None, reference: float | None, kind: Kind
) -> _Scale:
    """A scale that shows every value and, where an end is not given, every bound on that side."""
    numbers = [estimate.value for estimate in estimates] + [nan if reference is None else reference]
    numbers += [estimate.low for estimate in estimates if low is None and estimate.defined]
    numbers += [estimate.high for estimate in estimates if high is None and estimate.defined]
    return _Scale(*_domain([number for number in numbers if isfinite(number)], low, high), kind)


def _reference_label(reference: float | None, scale: _Scale, column: Column) -> tuple[float, list[Layer | None]]:
    """Where the rows start, and the value of the reference line above them unless a tick shows it."""
    if reference is None or any(isclose(reference, value, abs_tol=1e-9) for value, _ in scale.ticks()):
        return MARGIN, []
    label = [{"x": scale(reference), "y": MARGIN + 2, "text": show(reference, column), "color": GREY}]
    return MARGIN + LEADING, [_texts(label, SMALL, align="center")]


def _grouped_rows(
    estimates: Sequence[_Estimate], column: Column, *, top: float
) -> tuple[list[tuple[_Estimate, _Row]], list[Mark], float]:
    """Each estimate with its row, the headings of groups, and where the rows end."""
    placed: list[tuple[_Estimate, _Row]] = []
    headings: list[Mark] = []
    bottom = top
    for group in dict.fromkeys(estimate.group for estimate in estimates):
        lines = _shortened(group, _page.get().width, HEADING, 2) if group else []
        headings += [
            {"x": 0.0, "y": bottom + LEADING * (place + 0.5), "text": line, "color": INK}
            for place, line in enumerate(lines)
        ]
        members = [estimate for estimate in estimates if estimate.group == group]
        rows, bottom = _rows(
            [(member.label, member.told(column)) for member in members], top=bottom + LEADING * len(lines) + 2, least=20
        )
        placed += zip(members, rows, strict=True)
        bottom += 5
    return placed, headings, bottom


# ----------------------------------------------------------------------------------- bars and a grid


def stacked_ranks(name: str, title: str, counts: Mapping[str, Sequence[int]], *, conditions: Labels) -> Figure:
    """A bar for each condition: how many participants gave it rank 1, rank 2 and so on, the numbers written in it.

    `counts` holds for each condition id the counts of rank 1 (best), 2, ...; `conditions` are (id, label)
    from top to bottom. A segment too narrow for its number, with more than some 50 participants, goes
    without. Raises ArgumentError where ids do not match, lists are of unequal length, or something is not a count.
    """
    _check_labels("conditions", conditions)
    _check_counts(counts, [identity for identity, _ in conditions])
    n_ranks = len(next(iter(counts.values())))
    tints = [_tint(BLUE, 1 - 0.88 * place / max(n_ranks - 1, 1)) for place in range(n_ranks)]
    layers, top = _rank_legend(tints)
    scale = _page.get().width / max(*(sum(row) for row in counts.values()), 1)
    for identity, label in conditions:
        bar, top = _labelled_bar(label, counts[identity], tints, x=0.0, top=top, scale=scale)
        layers += bar
    note, height = _note("Numbers in the bars are participants.", top)
    layers.append(note)
    told = [f"{_isolated(label)}: {_ranks_told(counts[identity])}" for identity, label in conditions]
    return _figure(name, title, layers, height, ["Participants by the rank they gave, 1st is best", *told])


def _ranks_told(counts: Sequence[int]) -> str:
    ranks = ", ".join(f"{_ordinal(place)} by {count}" for place, count in enumerate(counts, start=1))
    return f"{ranks} (n = {sum(counts)})"


def _ordinal(number: int) -> str:
    if number % 100 in (11, 12, 13):
        return f"{number}th"
    return str(number) + {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")


def _rank_legend(tints: Sequence[str]) -> tuple[list[Layer | None], float]:
    """Which tint stands for which rank, in as many lines as it takes."""
    lead = "Ranked"
    texts: list[Mark] = [{"x": 0.0, "y": MARGIN + LEADING / 2, "text": lead, "color": GREY}]
    swatches: list[Mark] = []
    x, y = _room(lead, SMALL) + 9, MARGIN + LEADING / 2
    for place, tint in enumerate(tints, start=1):
        text = _ordinal(place)
        if x + 13 + _room(text, SMALL) > _page.get().width:
            x, y = 0.0, y + LEADING + 2
        swatches.append({"x": x, "x2": x + 9, "y": y - 4.5, "y2": y + 4.5, "fill": tint})
        texts.append({"x": x + 13, "y": y, "text": text, "color": INK})
        x += 13 + _room(text, SMALL) + 9
    return [_boxes(swatches, outline=GREY), _texts(texts, SMALL)], y + LEADING / 2 + 8


def diverging_bars(
    name: str,
    title: str,
    counts: Mapping[str, Sequence[int]],
    *,
    points: Sequence[int],
    anchors: tuple[str, str],
) -> Figure:
    """A bar for each row label: its answers on a response scale, laid out to both sides of the scale's middle.

    `counts` holds for each row label the counts of answers on each of `points`, lowest first; `anchors` are
    the words at the low and the high end. With an odd number of points the marks of the middle halve the
    answers on the middle one; with an even number they stand between the two middle ones. A segment too
    narrow for its number goes without. Raises ArgumentError for fewer than 2 points, no rows, a list of
    another length, or something that is not a count.
    """
    if len(points) < 2:
        raise ArgumentError(f"`points` has {len(points)} point(s); at least 2 are needed.")
    _check_counts(counts, list(counts), length=len(points))
    tints = _diverging_tints(len(points))
    shown = [show(point, _COUNT) for point in points]
    left = max(map(_below_middle, counts.values()))
    right = max(sum(row) - _below_middle(row) for row in counts.values())
    scale = _page.get().width / max(left + right, 1)
    layers, top = _point_legend(shown, anchors, tints)
    for label, row in counts.items():
        bar, below = _labelled_bar(label, row, tints, x=(left - _below_middle(row)) * scale, top=top, scale=scale)
        layers += [_lines([_upright(left * scale, below - BAR_GAP - BAR - 4, below - BAR_GAP + 4)], INK, 1.5), *bar]
        top = below
    note, height = _note(f"{_middle_told(shown)} Numbers in the bars are answers.", top)
    layers.append(note)
    told = [f"{_isolated(label)}: {_answers_told(row, shown)}" for label, row in counts.items()]
    shape = f"Answers on each point, from {shown[0]} ({_isolated(anchors[0])}) to {shown[-1]} ({_isolated(anchors[1])})"
    return _figure(name, title, layers, height, [shape, *told])


def _below_middle(row: Sequence[int]) -> float:
    """How many answers lie below the middle of the scale, those on its middle point counted half."""
    half = len(row) // 2
    return sum(row[:half]) + (row[half] / 2 if len(row) % 2 else 0)


def _middle_told(points: Sequence[str]) -> str:
    half = len(points) // 2
    if len(points) % 2:
        return f"Marks: the middle of the scale; answers of {points[half]} stand half on each side."
    return f"Marks: the middle of the scale, between {points[half - 1]} and {points[half]}."


def _answers_told(row: Sequence[int], points: Sequence[str]) -> str:
    answers = ", ".join(f"{count} answered {point}" for point, count in zip(points, row, strict=True))
    return f"{answers} (n = {sum(row)})"


def _diverging_tints(n_points: int) -> list[str]:
    """Vermillion below the middle and blue above, darkest at the ends; grey in the middle."""
    half = n_points // 2
    shares = [0.25 + 0.75 * place / max(half - 1, 1) for place in range(half)] if half > 1 else [0.8]
    middle = [NEUTRAL] if n_points % 2 else []
    return [_tint(VERMILLION, share) for share in reversed(shares)] + middle + [_tint(BLUE, share) for share in shares]


def _point_legend(
    points: Sequence[str], anchors: tuple[str, str], tints: Sequence[str]
) -> tuple[list[Layer | None], float]:
    """The response scale itself: its points over a strip of their tints, its anchors below the ends."""
    step = _page.get().width / len(points)
    numbers = [
        {"x": step * (place + 0.5), "y": MARGIN + 4, "text": point, "color": GREY} for place, point in enumerate(points)
    ]
    strip = [
        {"x": step * place, "x2": step * (place + 1), "y": MARGIN + 12, "y2": MARGIN + 18, "fill": tint}
        for place, tint in enumerate(tints)
    ]
    layers = [_texts(numbers, SMALL, align="center"), _boxes(strip)]
    sides = [_shortened(anchor, _page.get().width / 2 - 8, SMALL, 2) for anchor in anchors]
    low, high = (
        [{"x": x, "y": MARGIN + 26 + LEADING * place, "text": line, "color": INK} for place, line in enumerate(lines)]
        for lines, x in zip(sides, (0.0, _page.get().width), strict=True)
    )
    layers += [_texts(low, SMALL), _texts(high, SMALL, align="right")]
    return layers, MARGIN + 26 + LEADING * max(map(len, sides)) + 4


def flow(name: str, title: str, steps: Sequence[tuple[str, float, Sequence[str]]]) -> Figure:
    """Boxes one below the other, joined by lines: how many there were at each step, and remarks beside it.

    `steps` holds (label, n, remarks); NaN = not stated. Raises ArgumentError without a step.
    """
    if not steps:
        raise ArgumentError("`steps` is empty; at least 1 step is needed.")
    boxes: list[Mark] = []
    joints: list[Mark] = []
    texts: list[Mark] = []
    beside: list[Mark] = []
    top, box_width = MARGIN, 0.56 * _page.get().width
    for label, n, remarks in steps:
        lines = _shortened(f"{label}: {show(n, _COUNT)}", box_width - 12, SIZE, 3)
        notes = [
            line for remark in remarks for line in _shortened(remark, _page.get().width - box_width - 26, SMALL, 3)
        ]
        height = max(LEADING * len(lines) + 10, LEADING * len(notes) + 4)
        middle = top + height / 2
        if boxes:
            joints.append(_upright(box_width / 2, boxes[-1]["y2"], top))
        boxes.append({"x": 0.0, "x2": box_width, "y": top, "y2": top + height, "fill": WHITE})
        texts += _stacked(lines, box_width / 2, middle, INK)
        if notes:
            joints.append({"x": box_width, "x2": box_width + 14, "y": middle, "y2": middle})
            beside += _stacked(notes, box_width + 19, middle, INK)
        top += height + 13
    layers = [
        _lines(joints, GREY, 1.0),
        _boxes(boxes, outline=GREY),
        _texts(texts, SIZE, align="center"),
        _texts(beside, SMALL),
    ]
    told = [
        f"{_isolated(label)} {show(n, _COUNT)}" + (f" ({_isolated(', '.join(remarks))})" if remarks else "")
        for label, n, remarks in steps
    ]
    return _figure(name, title, layers, top - 8, told)


def _stacked(lines: Sequence[str], x: float, middle: float, color: str) -> list[Mark]:
    """Lines of text around a middle."""
    first = middle - LEADING * (len(lines) - 1) / 2
    return [{"x": x, "y": first + LEADING * place, "text": line, "color": color} for place, line in enumerate(lines)]


def _labelled_bar(
    label: str, counts: Sequence[int], tints: Sequence[str], *, x: float, top: float, scale: float
) -> tuple[list[Layer | None], float]:
    """A bar of `counts` from `x` on, its label and n above it; also where the next one starts."""
    lines = _shortened(label, _page.get().width - 60, SIZE, 2)
    heading = [
        {"x": 0.0, "y": top + LEADING * (place + 0.5), "text": line, "color": INK} for place, line in enumerate(lines)
    ]
    n = [{"x": _page.get().width, "y": top + LEADING / 2, "text": f"n = {sum(counts)}", "color": GREY}]
    y = top + LEADING * len(lines) + 3
    segments: list[Mark] = []
    for count, tint in zip(counts, tints, strict=True):
        text = str(count) if 0.55 * SMALL * len(str(count)) <= count * scale else ""
        segments.append({"x": x, "x2": x + count * scale, "y": y, "y2": y + BAR, "fill": tint, "text": text})
        x += count * scale
    segments = [segment for segment in segments if segment["x"] < segment["x2"]]
    return [_texts(heading, SIZE), _texts(n, SMALL, align="right"), *_numbered_boxes(segments)], y + BAR + BAR_GAP


def _note(text: str, top: float) -> tuple[Layer | None, float]:
    """A grey note below a figure, each of its lines in at most two, and where it ends."""
    lines = [line for entry in text.splitlines() for line in _shortened(entry, _page.get().width, SMALL, 2)]
    texts = [
        {"x": 0.0, "y": top + LEADING * (place + 0.5), "text": line, "color": GREY} for place, line in enumerate(lines)
    ]
    return _texts(texts, SMALL), top + LEADING * len(lines) + 2


def count_grid(
    name: str, title: str, counts: Mapping[tuple[str, str], tuple[int, int]], *, rows: Labels, columns: Labels
) -> Figure:
    """A grid of "n of so many", the number written in each cell and the cell tinted by its share.

    `counts` holds (n, of) for each (row id, column id); `rows` and `columns` are (id, label). Where all
    cells, or all cells of a column, are out of the same number, that is said once. Column labels that do
    not fit become letters with a key below. Raises ArgumentError for a cell that is missing or foreign,
    an n that is not a count up to `of`, or more columns than fit.
    """
    _check_labels("rows", rows)
    _check_labels("columns", columns)
    _check_cells(counts, [(row, column) for row, _ in rows for column, _ in columns])
    width = (_page.get().width - _page.get().label_width - MARGIN) / len(columns)
    lefts = [_page.get().label_width + MARGIN + width * place for place in range(len(columns))]
    headings, key = _column_headings([label for _, label in columns], width - 2)
    totals, below = _totals_told(counts, rows, columns)
    heading_texts, top = _heading_texts(headings, totals, [left + width / 2 for left in lefts])
    stacked, bottom = _rows([(label, "") for _, label in rows], top=top, least=22)
    boxes: list[Mark] = [
        {"x": left, "x2": left + width, "y": place.top, "y2": place.top + place.height}
        | _cell(*counts[row, column], in_full=not (below or total))
        for (row, _), place in zip(rows, stacked, strict=True)
        for (column, _), left, total in zip(columns, lefts, totals, strict=True)
    ]
    _check_fit(len(columns), [box["text"] for box in boxes] + totals)
    note, height = _note(
        "\n".join([*([below] if below else []), *(f"{letter} = {label}" for letter, label in key)]), bottom + 6
    )
    layers = [
        *_numbered_boxes(boxes, outline=NEUTRAL),
        _texts(heading_texts, SMALL, align="center"),
        *_row_texts(stacked),
        note,
    ]
    told = [f"{_isolated(label)}: {_cells_told(counts, row, columns)}" for row, label in rows]
    return _figure(name, title, layers, height, [f"Counts in {len(rows)} rows and {len(columns)} columns", *told])


def _totals_told(
    counts: Mapping[tuple[str, str], tuple[int, int]], rows: Labels, columns: Labels
) -> tuple[list[str], str]:
    """What all cells of a column are out of, for its heading; or, where they all agree, a note for the grid."""
    totals = [{counts[row, column][1] for row, _ in rows} for column, _ in columns]
    everywhere = set().union(*totals)
    if len(everywhere) == 1 and 0 not in everywhere:
        return [""] * len(columns), f"Each cell is a count out of {min(everywhere)}."
    return [f"n = {min(total)}" if len(total) == 1 else "" for total in totals], ""


def _cell(n: int, of: int, *, in_full: bool) -> Mark:
    if not of:
        return {"text": show(None, _COUNT), "fill": WHITE}
    return {"text": f"{n}/{of}" if in_full else str(n), "fill": _tint(BLUE, 0.9 * n / of)}


def _check_fit(n_columns: int, texts: Sequence[str]) -> None:
    fitting = int(
        (_page.get().width - _page.get().label_width - MARGIN) / max(0.55 * SMALL * len(text) for text in texts)
    )
    if n_columns > fitting:
        raise ArgumentError(f"`columns` has {n_columns} columns; at most {fitting} fit into one column of a paper.")


def _cells_told(counts: Mapping[tuple[str, str], tuple[int, int]], row: str, columns: Labels) -> str:
    return ", ".join(f"{_isolated(label)} {_count_told(*counts[row, column])}" for column, label in columns)


def _column_headings(labels: Sequence[str], room: float) -> tuple[list[list[str]], list[tuple[str, str]]]:
    """The lines of each heading; where words or lines would not fit, letters instead, and what they stand for."""
    fitting = _fitting(room, SMALL)
    headings = [wrapped(label, fitting) for label in labels]
    if all(len(lines) <= LABEL_LINES for lines in headings) and all(
        display_width(word) <= fitting for label in labels for word in label.split()
    ):
        return headings, []
    letters = [chr(ord("A") + place % 26) * (place // 26 + 1) for place in range(len(labels))]
    return [[letter] for letter in letters], list(zip(letters, labels, strict=True))


def _heading_texts(
    headings: Sequence[Sequence[str]], notes: Sequence[str], centers: Sequence[float]
) -> tuple[list[Mark], float]:
    """Headings that end on one line, notes below them, and where the grid starts."""
    deepest = max(map(len, headings))
    texts: list[Mark] = []
    for lines, note, x in zip(headings, notes, centers, strict=True):
        first = deepest - len(lines)
        texts += [
            {"x": x, "y": MARGIN + LEADING * (first + place + 0.5), "text": line, "color": INK}
            for place, line in enumerate(lines)
        ]
        texts += [{"x": x, "y": MARGIN + LEADING * (deepest + 0.5), "text": note, "color": GREY}] * bool(note)
    return texts, MARGIN + LEADING * (deepest + any(notes)) + 3


def _count_told(n: int, of: int) -> str:
    return f"{n} of {of}" if of else "not defined (0 of 0)"


_COUNT = Column("n", "n", "count")


# ------------------------------------------------------------------------------------------- growth


def growth(
    name: str,
    title: str,
    points: Sequence[tuple[int, float, float, float]],
    collected: Sequence[float],
    *,
    across: str,
    up: str,
) -> Figure:
    """How a count grows: for each step a dot with a span over resampled orders, and a diamond for the order as it was.

    `points` are (step, value, low, high) from left to right, `collected` the values of the order as it was; `across`
    and `up` name the axes, and values begin at 0. Raises ArgumentError for no points, or lists of unequal length.
    """
    if not points or len(points) != len(collected):
        raise ArgumentError(
            f"`points` has {len(points)} entries and `collected` {len(collected)}; as many of each, 1 or more, are needed."
        )
    left, right, top, bottom = 34.0, _page.get().width - 8.0, MARGIN + 4, MARGIN + 154
    highest = max(max(high for *_, high in points), *collected, 1.0)
    step = max(_step(0, highest), 1.0)
    ceiling = ceil(highest / step - 1e-9) * step
    ticks = [place * step for place in range(round(ceiling / step) + 1)]
    width = (right - left) / len(points)
    xs = [left + width * (place + 0.5) for place in range(len(points))]
    every = ceil(_room("00", SMALL) * 1.4 / width)

    def y(value: float) -> float:
        return bottom - value / ceiling * (bottom - top)

    title_lines = _shortened(across, right - left, SMALL, 2)
    words = [{"x": left - 6, "y": y(tick), "text": show(tick, _COUNT), "color": GREY} for tick in ticks]
    below = [
        {"x": x, "y": bottom + 10, "text": str(number), "color": GREY}
        for place, ((number, *_), x) in enumerate(zip(points, xs, strict=True))
        if place % every == 0
    ]
    below += [
        {"x": (left + right) / 2, "y": bottom + 24 + LEADING * place, "text": line, "color": INK}
        for place, line in enumerate(title_lines)
    ]
    note, height = _note(
        f"{up}. Dots: mean over resampled orders, with the span of 95 in 100; diamonds: the order as listed.",
        bottom + 20 + LEADING * len(title_lines),
    )
    layers = [
        _lines([{"x": left, "x2": right, "y": y(tick)} for tick in ticks], PALE, 0.8),
        _lines([_upright(x, y(low), y(high)) for (_, _, low, high), x in zip(points, xs, strict=True)], INK, 1.6),
        _dots([{"x": x, "y": y(value)} for (_, value, *_), x in zip(points, xs, strict=True)], BLUE, 44),
        _dots(
            [{"x": x, "y": y(value)} for value, x in zip(collected, xs, strict=True)],
            WHITE,
            34,
            shape="diamond",
            outline=VERMILLION,
        ),
        _texts(words, SMALL, align="right"),
        _texts(below, SMALL, align="center"),
        note,
    ]
    column = Column("value", up, "number", 1)
    told = [
        f"{number}: {show(value, column)} {show_interval(low, high, column)}, as listed {show(own, _COUNT)}"
        for (number, value, low, high), own in zip(points, collected, strict=True)
    ]
    return _figure(name, title, layers, height, [f"{_isolated(up)} by {_isolated(across)}", *told])


# -------------------------------------------------------------------------------------------- checks


def _check_labels(argument: str, labels: Labels) -> None:
    identities = [identity for identity, _ in labels]
    if not identities:
        raise ArgumentError(f"`{argument}` is empty; at least 1 (id, label) is needed.")
    if len(set(identities)) < len(identities):
        raise ArgumentError(
            f"`{argument}` names {Counter(identities).most_common(1)[0][0]!r} more than once; each id is needed once."
        )


def _check_range(values: Iterable[float], low: float | None, high: float | None) -> None:
    for value in values:
        if (low is not None and value < low) or (high is not None and value > high):
            raise ArgumentError(f"`values` holds {value}, outside `low` {low} to `high` {high}.")


def _check_counts(counts: Mapping[str, Sequence[int]], identities: Sequence[str], *, length: int | None = None) -> None:
    if not counts:
        raise ArgumentError("`counts` is empty; at least 1 row is needed.")
    if set(counts) != set(identities):
        raise ArgumentError(
            f"`counts` is for {', '.join(map(repr, counts))}; it must be for {', '.join(map(repr, identities))}."
        )
    needed = length or len(next(iter(counts.values())))
    for label, row in counts.items():
        if len(row) != needed or needed == 0:
            raise ArgumentError(f"`counts` has {len(row)} numbers for {label!r}; {needed or 'at least 1'} are needed.")
        if not all(isinstance(count, Integral) and count >= 0 for count in row):
            raise ArgumentError(f"`counts` for {label!r} is {list(row)}; whole numbers from 0 on are needed.")


def _check_cells(counts: Mapping[tuple[str, str], tuple[int, int]], needed: Sequence[tuple[str, str]]) -> None:
    missing = [cell for cell in needed if cell not in counts]
    foreign = [cell for cell in counts if cell not in needed]
    if missing or foreign:
        fault = f"lacks {missing[0]}" if missing else f"has {foreign[0]} too"
        raise ArgumentError(f"`counts` {fault}; one (n, of) for each row and column is needed.")
    for cell, (n, of) in counts.items():
        if not (isinstance(n, Integral) and isinstance(of, Integral) and 0 <= n <= of):
            raise ArgumentError(
                f"`counts` has {n} of {of} for {cell}; whole numbers are needed, the first from 0 to the second."
            )


# ------------------------------------------------------------------------------------ scales and axes


@dataclass(frozen=True, slots=True)
class _Scale:
    """From a value on the axis to its place across the plot."""

    low: float
    high: float
    kind: Kind = "number"

    def __call__(self, value: float) -> float:
        return _page.get().plot[0] + (value - self.low) / (self.high - self.low) * (
            _page.get().plot[1] - _page.get().plot[0]
        )

    def within(self, value: float) -> float:
        return self(min(max(value, self.low), self.high))

    def ticks(self) -> list[tuple[float, str]]:
        """The values that are marked, and their labels."""
        step = _step(self.low, self.high)
        column = Column("tick", "Tick", self.kind, digits=max(0, -floor(log10(step) + 1e-9)))
        places = range(ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9) + 1)
        return [(place * step, show(place * step, column) if place else "0") for place in places]


def _step(low: float, high: float) -> float:
    """A step of 1, 2 or 5 times a power of ten with at most six steps; whole numbers up to ten are all marked."""
    if float(low).is_integer() and float(high).is_integer() and 3 <= high - low <= 10:
        return 1.0
    power = 10.0 ** floor(log10((high - low) / 6))
    return next(step for step in (power, 2 * power, 5 * power, 10 * power) if (high - low) / step <= 6 + 1e-9)


def _domain(numbers: Sequence[float], low: float | None, high: float | None) -> tuple[float, float]:
    """The ends of an axis: those given, moved outward to hold all `numbers`, and round where not given."""
    bottom = min([*numbers, *([] if low is None else [low])], default=0.0 if high is None else high - 1)
    top = max([*numbers, *([] if high is None else [high])], default=bottom + 1)
    if top <= bottom:
        bottom, top = bottom - 0.5, bottom + 0.5
    step = _step(bottom, top)
    return (
        floor(bottom / step + 1e-9) * step if low is None else bottom,
        ceil(top / step - 1e-9) * step if high is None else top,
    )


def _axis(scale: _Scale, title: str, *, top: float, bottom: float) -> tuple[list[Layer | None], float]:
    """Grid lines, tick labels and the title of the value axis; and where they end."""
    ticks = scale.ticks()
    labels = [{"x": scale(value), "y": bottom + 9, "text": label, "color": GREY} for value, label in ticks]
    lines = _shortened(title, _page.get().plot[1] - _page.get().plot[0] + 2 * MARGIN, SMALL, 3)
    first = bottom + 9 + LEADING + 2
    title_texts = [
        {"x": sum(_page.get().plot) / 2, "y": first + LEADING * place, "text": line, "color": INK}
        for place, line in enumerate(lines)
    ]
    layers = [
        _lines([_upright(scale(value), top, bottom) for value, _ in ticks], PALE, 0.8),
        _lines([{"x": _page.get().plot[0], "x2": _page.get().plot[1], "y": bottom}], LINE_GREY, 0.8),
        _texts(labels, SMALL, align="center"),
        _texts(title_texts, SMALL, align="center"),
    ]
    return layers, first + LEADING * len(lines)


# --------------------------------------------------------------------------------------------- labels


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of a figure: its label in lines, a grey note below, and its place."""

    lines: tuple[str, ...]
    notes: tuple[str, ...]
    top: float
    height: float

    @property
    def middle(self) -> float:
        return self.top + self.height / 2


def _rows(entries: Sequence[tuple[str, str]], *, top: float, least: float) -> tuple[list[_Row], float]:
    """Rows for (label, note), one below the other from `top`, each at least `least` high; and where they end."""
    rows = []
    for label, note in entries:
        lines = _shortened(label, _page.get().label_width, SIZE, LABEL_LINES)
        notes = _shortened(note, _page.get().label_width, SMALL, 2) if note else []
        row = _Row(tuple(lines), tuple(notes), top, max(least, LEADING * (len(lines) + len(notes)) + 7))
        rows.append(row)
        top += row.height
    return rows, top


def _row_texts(rows: Sequence[_Row]) -> list[Layer | None]:
    labels: list[Mark] = []
    notes: list[Mark] = []
    for row in rows:
        first = row.middle - LEADING * (len(row.lines) + len(row.notes) - 1) / 2
        places = [
            {"x": 0.0, "y": first + LEADING * place, "text": text} for place, text in enumerate(row.lines + row.notes)
        ]
        labels += [{**mark, "color": INK} for mark in places[: len(row.lines)]]
        notes += [{**mark, "color": GREY} for mark in places[len(row.lines) :]]
    return [_texts(labels, SIZE), _texts(notes, SMALL)]


def _room(text: str, size: float) -> float:
    return display_width(text) * EM * size


def _fitting(room: float, size: float) -> int:
    return max(1, int(room / (EM * size)))


def _shortened(text: str, room: float, size: float, most: int) -> list[str]:
    """`text` in at most `most` lines that fit; an ellipsis stands for what is left out."""
    fitting = _fitting(room, size)
    lines = wrapped(text, fitting)
    if len(lines) <= most:
        return lines
    kept = wrapped(lines[most - 1], max(1, fitting - 1))[0]
    return [*lines[: most - 1], f"{kept}…"]


def _isolated(text: str) -> str:
    """`text` for a sentence: words that run from right to left do not turn what stands around them."""
    plain = " ".join(printable(text).split())
    turns = any(unicodedata.bidirectional(character) in ("R", "AL") for character in plain)
    return f"\u2068{plain}\u2069" if turns else plain


# -------------------------------------------------------------------------------------------- drawing


def _tint(color: str, share: float) -> str:
    """`color` mixed with white: 1 is the colour itself, 0 is white."""
    parts = [int(color[place : place + 2], 16) for place in (1, 3, 5)]
    return "#" + "".join(f"{round(255 - (255 - part) * share):02X}" for part in parts)


def _readable_on(fill: str) -> str:
    """Black or white, whichever contrasts more with `fill` (contrast ratio of WCAG 2.2); at least 4.5 to 1."""
    parts = [int(fill[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return WHITE if 1.05 / (luminance + 0.05) > (luminance + 0.05) / 0.05 else BLACK


def _upright(x: float, y: float, y2: float) -> Mark:
    return {"x": x, "x2": x, "y": y, "y2": y2}


def _layer(marks: Sequence[Mark], style: Mapping[str, Any], *written: str) -> Layer | None:
    """A layer of `marks`, whose x and y are places in pixels; `written` names what else each mark says (fill, color, text)."""
    if not marks:
        return None
    rounded = [
        {key: round(value, 2) if isinstance(value, float) else value for key, value in mark.items()} for mark in marks
    ]
    encoding: dict[str, Any] = {
        key: {"field": key, "type": "quantitative", "scale": None, "axis": None} for key in ("x", "y")
    }
    encoding |= {key: {"field": key} for key in ("x2", "y2") if key in marks[0]}
    encoding |= {key: {"field": key, "type": "nominal"} | ({} if key == "text" else {"scale": None}) for key in written}
    return {"data": {"values": rounded}, "mark": dict(style), "encoding": encoding}


def _lines(marks: Sequence[Mark], color: str, width: float, *, dash: Sequence[float] | None = None) -> Layer | None:
    style = {"type": "rule", "color": color, "strokeWidth": width}
    return _layer(marks, style | ({"strokeDash": list(dash)} if dash else {}))


def _dots(
    marks: Sequence[Mark], fill: str, area: float, *, shape: str = "circle", outline: str = WHITE
) -> Layer | None:
    stroke = {"stroke": outline, "strokeWidth": 0.5 if outline == WHITE else 1.6}
    return _layer(marks, {"type": "point", "shape": shape, "size": area, "fill": fill, "opacity": 1} | stroke)


def _boxes(marks: Sequence[Mark], *, outline: str = WHITE) -> Layer | None:
    return _layer(marks, {"type": "rect", "stroke": outline, "strokeWidth": 0.8, "opacity": 1}, "fill")


def _numbered_boxes(marks: Sequence[Mark], *, outline: str = WHITE) -> list[Layer | None]:
    """Boxes with a text in the middle of each."""
    texts = [
        {
            "x": (mark["x"] + mark["x2"]) / 2,
            "y": (mark["y"] + mark["y2"]) / 2,
            "text": mark["text"],
            "color": _readable_on(mark["fill"]),
        }
        for mark in marks
        if mark["text"]
    ]
    return [_boxes(marks, outline=outline), _texts(texts, SMALL, align="center")]


def _texts(
    marks: Sequence[Mark],
    size: float,
    *,
    align: Literal["left", "center", "right"] = "left",
) -> Layer | None:
    style = {"type": "text", "align": align, "baseline": "middle", "fontSize": size}
    return _layer(marks, style, "text", "color")


def _figure(name: str, title: str, layers: Sequence[Layer | None], height: float, told: Sequence[str]) -> Figure:
    file_stem("name", name)
    alternative = f"{_isolated(title.rstrip('.'))}. {'. '.join(told)}."
    return Figure(name, title, _accessible(_drawn(layers, height), name, title, alternative), alternative)


def _drawn(layers: Sequence[Layer | None], height: float) -> str:
    import vl_convert

    return vl_convert.vegalite_to_svg(
        {
            "layer": [layer for layer in layers if layer is not None],
            "width": _page.get().width,
            "height": ceil(height),
            "padding": {"left": SIDE, "right": SIDE, "top": 0, "bottom": 0},
            "autosize": {"type": "none"},
            "background": WHITE,
            "config": {"aria": False, "font": FONT, "view": {"stroke": None}},
        },
        vl_version=VEGA_LITE,
    )


def _accessible(svg: str, name: str, title: str, alternative: str) -> str:
    """`svg` as one image with a title and a description, whose ids hold the figure's name."""
    described = (
        f'<title id="{name}-title">{escape(printable(title), quote=False)}</title>'
        f'<desc id="{name}-desc">{escape(alternative, quote=False)}</desc>'
    )
    opening, _, content = svg.partition(">")
    return f'{opening} role="img" aria-labelledby="{name}-title" aria-describedby="{name}-desc">{described}{content}\n'
