"""Both strands of a study beside each other, on the same rows of conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from numbers import Integral

from workbench.errors import ArgumentError
from workbench.report.figures.base import (
    BLUE,
    COUNT,
    GREY,
    INK,
    LEADING,
    LINE_GREY,
    MARGIN,
    NEUTRAL,
    NUMBER,
    PAGE_WIDTH,
    PALE,
    SIZE,
    SMALL,
    VERMILLION,
    WHITE,
    Figure,
    Labels,
    Layer,
    Mark,
    Row,
    Scale,
    box_layer,
    centered_lines,
    check_labels,
    domain,
    dot_layer,
    drawn_on,
    finished,
    isolated,
    line_layer,
    note_layer,
    page,
    room_for,
    row_texts,
    shortened,
    stacked_rows,
    text_layer,
    tinted,
    upright,
    value_axis,
)
from workbench.report.table import show, show_interval

DOT = 3.4
"""How far apart the dots of one value stand, and how wide they are."""
MOST_HIGH = 34.0
"""How high the dots of one value may stand; beyond it they stand closer."""
CODE_LINE = 14.0
LETTER = 13.0
"""How far from a letter its bar begins; bars are longer where codes have letters."""
BAR = 8.0
STANCES = ("for", "against", "neither")


@dataclass(frozen=True, slots=True)
class ConditionShown:
    """A condition as both strands show it.

    `values` are one per participant, with their `median` and its interval from `low` to `high` (NaN where there is none); `counts`
    are (for, against, neither) of each code, of `interviewed` participants.
    """

    label: str
    values: Sequence[float]
    median: float
    low: float
    high: float
    interviewed: int
    counts: Sequence[tuple[int, int, int]]


@dataclass(frozen=True, slots=True)
class _Places:
    """Where things stand across the figure: where labels and scores end, code names, bars, and the middle of each number."""

    label_width: float
    scores_end: float
    names: float
    names_end: float
    bars: tuple[float, float]
    numbers: tuple[float, float, float]


_ONE_COLUMN = _Places(80.0, 178.0, 190.0, 200.0, (203.0, 259.0), (271.0, 288.0, 306.0))
_TWO_COLUMNS = _Places(150.0, 345.0, 366.0, 530.0, (536.0, 592.0), (604.0, 624.0, 644.0))


def side_by_side(
    name: str,
    title: str,
    rows: Sequence[ConditionShown],
    *,
    codes: Labels,
    axis: str,
    low: float | None = None,
    high: float | None = None,
    remarks: Sequence[str] = (),
) -> Figure:
    """Left the scores in each condition: a faint dot per participant, the median and its interval. Right, on the same rows: how
    many of those interviewed raised each code about that condition, and in which stance.

    `rows` are the conditions from top to bottom; `codes` are (id, label), in the order of each row's `counts`; `axis` names the
    value axis, which runs from `low` to `high` where given; `remarks` stand below. A stance is told by fill, by outline and by its
    place, not by colour alone. Code labels that do not fit beside their bars become letters with a key below. Raises ArgumentError
    for no rows or codes, counts that do not fit `codes` or `interviewed`, or a value outside low to high.
    """
    check_labels("codes", codes)
    _check_rows(rows, len(codes), low, high)
    places = _ONE_COLUMN if page().width < PAGE_WIDTH else _TWO_COLUMNS
    with drawn_on(replace(page(), label_width=places.label_width, beside=page().width - places.scores_end)):
        names, key = _code_names([label for _, label in codes], places)
        if key:
            places = replace(places, bars=(places.names + LETTER, places.bars[1]))
        numbers = [value for row in rows for value in (*row.values, row.low, row.high) if isfinite(value)]
        scale = Scale(*domain(numbers, low, high))
        stacks = [_stacked_dots(row.values, scale) for row in rows]
        spread = max((abs(offset) for stack in stacks for _, offset in stack), default=0.0)
        legend, top = _legend(places)
        least = max(2 * spread + 26, CODE_LINE * len(codes) + 10)
        entries = [(row.label, _note_of(row)) for row in rows]
        placed, bottom = stacked_rows(entries, top=top, least=least, note_lines=4)
        below, height = _below(scale, axis, places, key, remarks, top=top, bottom=bottom)
        layers = [
            line_layer([{"x": 0.0, "x2": page().width, "y": place.top} for place in placed], PALE, 0.8),
            *below,
            *_scores(rows, stacks, placed, scale, spread),
            *_raised(rows, names, placed, places),
            *row_texts(placed),
            *legend,
        ]
        told = [_row_told(row, [label for _, label in codes]) for row in rows]
        n = max(len(row.values) for row in rows)
        shape = (
            f"{isolated(axis)}: a dot for each of at most {n} participants, with the median and its interval; beside it how many of those "
            "interviewed raised each code about the condition, by stance"
        )
        return finished(name, title, layers, height, [shape, *told, *(isolated(one.rstrip(".")) for one in remarks)])


def _check_rows(rows: Sequence[ConditionShown], n_codes: int, low: float | None, high: float | None) -> None:
    if not rows:
        raise ArgumentError("`rows` is empty; at least 1 row is needed.")
    for row in rows:
        if len(row.counts) != n_codes:
            raise ArgumentError(f"`rows` has {len(row.counts)} counts for {row.label!r}; {n_codes} are needed.")
        for counts in row.counts:
            if not all(isinstance(count, Integral) and count >= 0 for count in counts) or sum(counts) > row.interviewed:
                raise ArgumentError(
                    f"`rows` has {list(counts)} for {row.label!r}; whole numbers from 0 on are needed, together at most {row.interviewed}."
                )
        for value in row.values:
            if not isfinite(value) or (low is not None and value < low) or (high is not None and value > high):
                raise ArgumentError(
                    f"`rows` holds {value} for {row.label!r}; finite numbers from {low} to {high} are needed."
                )


def _code_names(labels: Sequence[str], places: _Places) -> tuple[list[str], list[str]]:
    """What stands beside the bars of each code: its label where all fit, else a letter; and the key of the letters."""
    if all(room_for(label, SMALL) <= places.names_end - places.names for label in labels):
        return list(labels), []
    letters = [chr(ord("a") + place % 26) * (place // 26 + 1) for place in range(len(labels))]
    return letters, [f"{letter} = {label}" for letter, label in zip(letters, labels, strict=True)]


def _stacked_dots(values: Sequence[float], scale: Scale) -> list[tuple[float, float]]:
    """(x, offset) of the dot of each value; those of one place stand one above the other."""
    places: dict[int, list[float]] = {}
    for value in values:
        places.setdefault(round(scale(value) / DOT), []).append(scale(value))
    return [
        (x, (place - (len(xs) - 1) / 2) * min(DOT, MOST_HIGH / len(xs)))
        for xs in places.values()
        for place, x in enumerate(sorted(xs))
    ]


def _note_of(row: ConditionShown) -> str:
    scores = f"Mdn {show(row.median, NUMBER)}, n = {len(row.values)}" if row.values else "no scores"
    return f"{scores}\n{row.interviewed} interviewed"


def _legend(places: _Places) -> tuple[list[Layer | None], float]:
    """What the fills stand for, then a heading over each strand; and where the rows start."""
    y = MARGIN + LEADING / 2
    texts: list[Mark] = []
    swatches: list[list[Mark]] = []
    x = 0.0
    for text, style in zip(("for", "against", "neither: mixed, both or not said"), _STYLES, strict=True):
        swatches.append([{"x": x + 0.7, "x2": x + 9.7, "y": y - BAR / 2, "y2": y + BAR / 2, "fill": style[0]}])
        texts.append({"x": x + 14, "y": y, "text": text, "color": INK})
        x += 14 + room_for(text, SMALL) + 10
    second = y + LEADING + 4
    headings = [
        {"x": page().plot[0], "y": second, "text": "Scores", "color": INK},
        {"x": places.names, "y": second, "text": "Raised by", "color": INK},
    ]
    over = [
        [{"x": middle - 4.5, "x2": middle + 4.5, "y": second - BAR / 2, "y2": second + BAR / 2, "fill": style[0]}]
        for middle, style in zip(places.numbers, _STYLES, strict=True)
    ]
    boxes = [
        box_layer(marks, outline=style[1], width=1.4)
        for several in (swatches, over)
        for marks, style in zip(several, _STYLES, strict=True)
    ]
    return [*boxes, text_layer(texts, SMALL), text_layer(headings, SIZE)], second + LEADING / 2 + 5


_STYLES = ((BLUE, BLUE), (WHITE, VERMILLION), (NEUTRAL, GREY))
"""Fill and outline of for, against, neither: full, hollow, pale."""


def _scores(
    rows: Sequence[ConditionShown],
    stacks: Sequence[Sequence[tuple[float, float]]],
    placed: Sequence[Row],
    scale: Scale,
    spread: float,
) -> list[Layer | None]:
    dots: list[Mark] = []
    spans: list[Mark] = []
    medians: list[Mark] = []
    absent: list[Mark] = []
    for row, stack, place in zip(rows, stacks, placed, strict=True):
        dots += [{"x": x, "y": place.middle - 6 + offset} for x, offset in stack]
        y = place.middle + spread + 4
        if isfinite(row.low):
            spans.append({"x": scale(row.low), "x2": scale(row.high), "y": y})
        if row.values:
            medians.append(upright(scale(row.median), y - 5, y + 5))
        else:
            absent += centered_lines(["no scores"], sum(page().plot) / 2, place.middle, GREY)
    return [
        dot_layer(dots, tinted(BLUE, 0.7), 8),
        line_layer(spans, INK, 2.2),
        line_layer(medians, INK, 2.5),
        text_layer(absent, SMALL, align="center"),
    ]


def _raised(
    rows: Sequence[ConditionShown], names: Sequence[str], placed: Sequence[Row], places: _Places
) -> list[Layer | None]:
    """A line per code in each row: its name, a bar of those interviewed filled by stance, and the three counts."""
    left, right = places.bars
    named: list[Mark] = []
    tracks: list[Mark] = []
    numbers: list[Mark] = []
    segments: dict[str, list[Mark]] = {stance: [] for stance in STANCES}
    for row, place in zip(rows, placed, strict=True):
        for line, (name, counts) in enumerate(zip(names, row.counts, strict=True)):
            y = place.middle + CODE_LINE * (line - (len(names) - 1) / 2)
            across = {"y": y - BAR / 2, "y2": y + BAR / 2}
            named.append({"x": places.names, "y": y, "text": name, "color": INK})
            tracks.append({"x": left, "x2": right, **across, "fill": WHITE})
            x = left
            for stance, count, style, middle in zip(STANCES, counts, _STYLES, places.numbers, strict=True):
                end = x + (right - left) * count / max(row.interviewed, 1)
                if count:
                    segments[stance].append({"x": x + 0.7, "x2": max(end - 0.7, x + 1.2), **across, "fill": style[0]})
                numbers.append({"x": middle, "y": y, "text": str(count), "color": INK if count else GREY})
                x = end
    return [
        text_layer(named, SMALL),
        box_layer(tracks, outline=LINE_GREY, width=0.6),
        *(
            box_layer(segments[stance], outline=style[1], width=1.4)
            for stance, style in zip(STANCES, _STYLES, strict=True)
        ),
        text_layer(numbers, SMALL, align="center"),
    ]


def _below(
    scale: Scale,
    axis: str,
    places: _Places,
    key: Sequence[str],
    remarks: Sequence[str],
    *,
    top: float,
    bottom: float,
) -> tuple[list[Layer | None], float]:
    """The axis of the scores, what it is called, the key of the codes and the remarks; and where all ends."""
    layers, under = value_axis(scale, "", top=top, bottom=bottom)
    lines = shortened(axis, places.names - MARGIN, SMALL, 3)
    titles = [{"x": 0.0, "y": under + LEADING * place, "text": line, "color": INK} for place, line in enumerate(lines)]
    beside = shortened("Bars: of those interviewed.", page().width - places.names, SMALL, 2)
    titles += [
        {"x": places.names, "y": bottom + 9 + LEADING * place, "text": line, "color": GREY}
        for place, line in enumerate(beside)
    ]
    note, height = note_layer("\n".join([*key, *remarks]), under + LEADING * (len(lines) - 0.5) + 5)
    return [*layers, text_layer(titles, SMALL), note], height


def _row_told(row: ConditionShown, codes: Sequence[str]) -> str:
    scores = f"no scores (n = {len(row.values)})"
    if row.values:
        interval = show_interval(row.low, row.high, NUMBER) if isfinite(row.low) else "(no interval)"
        scores = f"median {show(row.median, NUMBER)} {interval} (n = {len(row.values)})"
    raised = ", ".join(
        f"{isolated(code)} {_counts_told(counts)}" for code, counts in zip(codes, row.counts, strict=True)
    )
    return f"{isolated(row.label)}: {scores}; of {row.interviewed} interviewed: {raised}"


def _counts_told(counts: Sequence[int]) -> str:
    told = ", ".join(f"{show(count, COUNT)} {stance}" for stance, count in zip(STANCES, counts, strict=True))
    return f"{sum(counts)} ({told})" if sum(counts) else "0"
