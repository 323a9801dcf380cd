"""Counts: ranks, answers, participants step by step, and grids of "n of so many"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from numbers import Integral

from workbench.errors import ArgumentError
from workbench.report.figures.base import (
    BAR,
    BAR_GAP,
    BLUE,
    COUNT,
    GREY,
    INK,
    LABEL_LINES,
    LEADING,
    MARGIN,
    NEUTRAL,
    SIZE,
    SMALL,
    VERMILLION,
    WHITE,
    Figure,
    Labels,
    Layer,
    Mark,
    box_layer,
    centered_lines,
    check_labels,
    finished,
    fitting_in,
    isolated,
    line_layer,
    note_layer,
    numbered_box_layers,
    page,
    room_for,
    row_texts,
    shortened,
    stacked_rows,
    text_layer,
    tinted,
    upright,
)
from workbench.report.table import display_width, show, wrapped


def stacked_ranks(name: str, title: str, counts: Mapping[str, Sequence[int]], *, conditions: Labels) -> Figure:
    """A bar for each condition: how many participants gave it rank 1, rank 2 and so on, the numbers written in it.

    `counts` holds for each condition id the counts of rank 1 (best), 2, ...; `conditions` are (id, label)
    from top to bottom. A segment too narrow for its number, with more than some 50 participants, goes
    without. Raises ArgumentError where ids do not match, lists are of unequal length, or something is not a count.
    """
    check_labels("conditions", conditions)
    _check_counts(counts, [identity for identity, _ in conditions])
    n_ranks = len(next(iter(counts.values())))
    tints = [tinted(BLUE, 1 - 0.88 * place / max(n_ranks - 1, 1)) for place in range(n_ranks)]
    layers, top = _rank_legend(tints)
    scale = page().width / max(*(sum(row) for row in counts.values()), 1)
    for identity, label in conditions:
        bar, top = _labelled_bar(label, counts[identity], tints, x=0.0, top=top, scale=scale)
        layers += bar
    note, height = note_layer("Numbers in the bars are participants.", top)
    layers.append(note)
    told = [f"{isolated(label)}: {_ranks_told(counts[identity])}" for identity, label in conditions]
    return finished(name, title, layers, height, ["Participants by the rank they gave, 1st is best", *told])


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
    x, y = room_for(lead, SMALL) + 9, MARGIN + LEADING / 2
    for place, tint in enumerate(tints, start=1):
        text = _ordinal(place)
        if x + 13 + room_for(text, SMALL) > page().width:
            x, y = 0.0, y + LEADING + 2
        swatches.append({"x": x, "x2": x + 9, "y": y - 4.5, "y2": y + 4.5, "fill": tint})
        texts.append({"x": x + 13, "y": y, "text": text, "color": INK})
        x += 13 + room_for(text, SMALL) + 9
    return [box_layer(swatches, outline=GREY), text_layer(texts, SMALL)], y + LEADING / 2 + 8


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
    shown = [show(point, COUNT) for point in points]
    left = max(map(_below_middle, counts.values()))
    right = max(sum(row) - _below_middle(row) for row in counts.values())
    scale = page().width / max(left + right, 1)
    layers, top = _point_legend(shown, anchors, tints)
    for label, row in counts.items():
        bar, below = _labelled_bar(label, row, tints, x=(left - _below_middle(row)) * scale, top=top, scale=scale)
        layers += [line_layer([upright(left * scale, below - BAR_GAP - BAR - 4, below - BAR_GAP + 4)], INK, 1.5), *bar]
        top = below
    note, height = note_layer(f"{_middle_told(shown)} Numbers in the bars are answers.", top)
    layers.append(note)
    told = [f"{isolated(label)}: {_answers_told(row, shown)}" for label, row in counts.items()]
    shape = f"Answers on each point, from {shown[0]} ({isolated(anchors[0])}) to {shown[-1]} ({isolated(anchors[1])})"
    return finished(name, title, layers, height, [shape, *told])


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
    return (
        [tinted(VERMILLION, share) for share in reversed(shares)] + middle + [tinted(BLUE, share) for share in shares]
    )


def _point_legend(
    points: Sequence[str], anchors: tuple[str, str], tints: Sequence[str]
) -> tuple[list[Layer | None], float]:
    """The response scale itself: its points over a strip of their tints, its anchors below the ends."""
    step = page().width / len(points)
    numbers = [
        {"x": step * (place + 0.5), "y": MARGIN + 4, "text": point, "color": GREY} for place, point in enumerate(points)
    ]
    strip = [
        {"x": step * place, "x2": step * (place + 1), "y": MARGIN + 12, "y2": MARGIN + 18, "fill": tint}
        for place, tint in enumerate(tints)
    ]
    layers = [text_layer(numbers, SMALL, align="center"), box_layer(strip)]
    sides = [shortened(anchor, page().width / 2 - 8, SMALL, 2) for anchor in anchors]
    low, high = (
        [{"x": x, "y": MARGIN + 26 + LEADING * place, "text": line, "color": INK} for place, line in enumerate(lines)]
        for lines, x in zip(sides, (0.0, page().width), strict=True)
    )
    layers += [text_layer(low, SMALL), text_layer(high, SMALL, align="right")]
    return layers, MARGIN + 26 + LEADING * max(map(len, sides)) + 4


def _labelled_bar(
    label: str, counts: Sequence[int], tints: Sequence[str], *, x: float, top: float, scale: float
) -> tuple[list[Layer | None], float]:
    """A bar of `counts` from `x` on, its label and n above it; also where the next one starts."""
    lines = shortened(label, page().width - 60, SIZE, 2)
    heading = [
        {"x": 0.0, "y": top + LEADING * (place + 0.5), "text": line, "color": INK} for place, line in enumerate(lines)
    ]
    n = [{"x": page().width, "y": top + LEADING / 2, "text": f"n = {sum(counts)}", "color": GREY}]
    y = top + LEADING * len(lines) + 3
    segments: list[Mark] = []
    for count, tint in zip(counts, tints, strict=True):
        text = str(count) if 0.55 * SMALL * len(str(count)) <= count * scale else ""
        segments.append({"x": x, "x2": x + count * scale, "y": y, "y2": y + BAR, "fill": tint, "text": text})
        x += count * scale
    segments = [segment for segment in segments if segment["x"] < segment["x2"]]
    return [
        text_layer(heading, SIZE),
        text_layer(n, SMALL, align="right"),
        *numbered_box_layers(segments),
    ], y + BAR + BAR_GAP


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
    top, box_width = MARGIN, 0.56 * page().width
    for label, n, remarks in steps:
        lines = shortened(f"{label}: {show(n, COUNT)}", box_width - 12, SIZE, 3)
        notes = [line for remark in remarks for line in shortened(remark, page().width - box_width - 26, SMALL, 3)]
        height = max(LEADING * len(lines) + 10, LEADING * len(notes) + 4)
        middle = top + height / 2
        if boxes:
            joints.append(upright(box_width / 2, boxes[-1]["y2"], top))
        boxes.append({"x": 0.0, "x2": box_width, "y": top, "y2": top + height, "fill": WHITE})
        texts += centered_lines(lines, box_width / 2, middle, INK)
        if notes:
            joints.append({"x": box_width, "x2": box_width + 14, "y": middle, "y2": middle})
            beside += centered_lines(notes, box_width + 19, middle, INK)
        top += height + 13
    layers = [
        line_layer(joints, GREY, 1.0),
        box_layer(boxes, outline=GREY),
        text_layer(texts, SIZE, align="center"),
        text_layer(beside, SMALL),
    ]
    told = [
        f"{isolated(label)} {show(n, COUNT)}" + (f" ({isolated(', '.join(remarks))})" if remarks else "")
        for label, n, remarks in steps
    ]
    return finished(name, title, layers, top - 8, told)


def count_grid(
    name: str, title: str, counts: Mapping[tuple[str, str], tuple[int, int]], *, rows: Labels, columns: Labels
) -> Figure:
    """A grid of "n of so many", the number written in each cell and the cell tinted by its share.

    `counts` holds (n, of) for each (row id, column id); `rows` and `columns` are (id, label). Where all
    cells, or all cells of a column, are out of the same number, that is said once. Column labels that do
    not fit become letters with a key below. Raises ArgumentError for a cell that is missing or foreign,
    an n that is not a count up to `of`, or more columns than fit.
    """
    check_labels("rows", rows)
    check_labels("columns", columns)
    _check_cells(counts, [(row, column) for row, _ in rows for column, _ in columns])
    width = (page().width - page().label_width - MARGIN) / len(columns)
    lefts = [page().label_width + MARGIN + width * place for place in range(len(columns))]
    headings, key = _column_headings([label for _, label in columns], width - 2)
    totals, below = _totals_told(counts, rows, columns)
    heading_texts, top = _heading_texts(headings, totals, [left + width / 2 for left in lefts])
    stacked, bottom = stacked_rows([(label, "") for _, label in rows], top=top, least=22)
    boxes: list[Mark] = [
        {"x": left, "x2": left + width, "y": place.top, "y2": place.top + place.height}
        | _cell(*counts[row, column], in_full=not (below or total))
        for (row, _), place in zip(rows, stacked, strict=True)
        for (column, _), left, total in zip(columns, lefts, totals, strict=True)
    ]
    _check_fit(len(columns), [box["text"] for box in boxes] + totals)
    note, height = note_layer(
        "\n".join([*([below] if below else []), *(f"{letter} = {label}" for letter, label in key)]), bottom + 6
    )
    layers = [
        *numbered_box_layers(boxes, outline=NEUTRAL),
        text_layer(heading_texts, SMALL, align="center"),
        *row_texts(stacked),
        note,
    ]
    told = [f"{isolated(label)}: {_cells_told(counts, row, columns)}" for row, label in rows]
    return finished(name, title, layers, height, [f"Counts in {len(rows)} rows and {len(columns)} columns", *told])


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
        return {"text": show(None, COUNT), "fill": WHITE}
    return {"text": f"{n}/{of}" if in_full else str(n), "fill": tinted(BLUE, 0.9 * n / of)}


def _check_fit(n_columns: int, texts: Sequence[str]) -> None:
    fitting = int((page().width - page().label_width - MARGIN) / max(0.55 * SMALL * len(text) for text in texts))
    if n_columns > fitting:
        raise ArgumentError(f"`columns` has {n_columns} columns; at most {fitting} fit into one column of a paper.")


def _cells_told(counts: Mapping[tuple[str, str], tuple[int, int]], row: str, columns: Labels) -> str:
    return ", ".join(f"{isolated(label)} {_count_told(*counts[row, column])}" for column, label in columns)


def _column_headings(labels: Sequence[str], room: float) -> tuple[list[list[str]], list[tuple[str, str]]]:
    """The lines of each heading; where words or lines would not fit, letters instead, and what they stand for."""
    fitting = fitting_in(room, SMALL)
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
