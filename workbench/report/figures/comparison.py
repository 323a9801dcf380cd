"""Measures across conditions: every participant's values, and estimates with their intervals.

What is shown is computed elsewhere, but for the medians and quartiles of `paired_points`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isclose, isfinite, isinf, nan
from typing import TYPE_CHECKING

from workbench.errors import ArgumentError
from workbench.report.figures.base import (
    BLUE,
    GREY,
    HEADING,
    INK,
    LEADING,
    MARGIN,
    NUMBER,
    SMALL,
    WHITE,
    Figure,
    Labels,
    Layer,
    Mark,
    Row,
    Scale,
    check_labels,
    domain,
    dot_layer,
    finished,
    isolated,
    line_layer,
    page,
    row_texts,
    shortened,
    stacked_rows,
    text_layer,
    tinted,
    upright,
    value_axis,
)
from workbench.report.table import Column, Kind, show, show_interval

if TYPE_CHECKING:
    import pandas as pd


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
    check_labels("conditions", conditions)
    cells = _cells(values, [identity for identity, _ in conditions])
    _check_range(cells.values(), low, high)
    participants = list(dict.fromkeys(participant for participant, _ in cells))
    known = {
        identity: [value for (_, at), value in cells.items() if at == identity and isfinite(value)]
        for identity, _ in conditions
    }
    scale = Scale(*domain([value for column in known.values() for value in column], low, high))
    offsets = _offsets(cells, scale)
    spread = max((abs(offset) for offset in offsets.values()), default=0.0)

    entries = [(label, _median_note(known[identity])) for identity, label in conditions]
    rows, bottom = stacked_rows(entries, top=MARGIN, least=2 * spread + 36)
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
    medians = [upright(scale(median), y - 6, y + 6) for (_, median, _), y in summaries]
    axis_layers, height = value_axis(scale, axis, top=MARGIN, bottom=bottom)
    layers = [
        *axis_layers,
        line_layer(steps, tinted(INK, 0.4), 0.6),
        dot_layer(list(points.values()), BLUE, 17),
        line_layer(boxes, INK, 4),
        line_layer(medians, INK, 2.5),
        text_layer(_crowds(points, offsets), SMALL, align="center"),
        *row_texts(rows),
    ]
    told = [
        f"{isolated(label)}: {_distribution_told(known[identity], len(participants))}" for identity, label in conditions
    ]
    shape = f"{isolated(axis)}: {len(participants)} participants, a line each, over {len(conditions)} conditions"
    return finished(name, title, layers, height, [shape, *told])


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


def _offsets(cells: Mapping[tuple[str, str], float], scale: Scale) -> dict[tuple[str, str], float]:
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
    return f"Mdn {show(_quartiles(column)[1], NUMBER)}, n = {len(column)}" if column else "no values"


def _distribution_told(column: Sequence[float], n_participants: int) -> str:
    missing = n_participants - len(column)
    counted = f"n = {len(column)}" + (f", {missing} missing" if missing else "")
    if not column:
        return f"not defined ({counted})"
    first, median, third = (show(number, NUMBER) for number in _quartiles(column))
    least, most = show(min(column), NUMBER), show(max(column), NUMBER)
    return f"median {median}, quartiles {first} and {third}, from {least} to {most} ({counted})"


def _check_range(values: Iterable[float], low: float | None, high: float | None) -> None:
    for value in values:
        if (low is not None and value < low) or (high is not None and value > high):
            raise ArgumentError(f"`values` holds {value}, outside `low` {low} to `high` {high}.")


# --------------------------------------------------------------------------------------- intervals


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
    axis_layers, height = value_axis(scale, axis, top=top, bottom=bottom)
    bars = [{"x": scale.within(estimate.low), "x2": scale.within(estimate.high), "y": y} for estimate, y in spans]
    cut_low = [{"x": page().plot[0], "y": y} for estimate, y in spans if estimate.low < scale.low]
    cut_high = [{"x": page().plot[1], "y": y} for estimate, y in spans if estimate.high > scale.high]
    layers = [
        *axis_layers,
        *reference_layers,
        line_layer([] if reference is None else [upright(scale(reference), top, bottom)], GREY, 1, dash=[4, 3]),
        line_layer(bars, INK, 1.6),
        dot_layer(cut_low, INK, 40, shape="triangle-left"),
        dot_layer(cut_high, INK, 40, shape="triangle-right"),
        dot_layer([{"x": scale(estimate.value), "y": y} for estimate, y in spans], BLUE, 50),
        dot_layer([{"x": scale(estimate.value), "y": y} for estimate, y in bare], WHITE, 44, outline=BLUE),
        text_layer(headings, HEADING),
        *row_texts([row for _, row in placed]),
    ]
    told = [
        f"{isolated(estimate.group)}{', ' * bool(estimate.group)}{isolated(estimate.label)}: {estimate.told(column)}"
        for estimate in estimates
    ]
    line = "" if reference is None else f", with a line at {show(reference, column)}"
    return finished(name, title, layers, height, [f"{isolated(axis)}: values and intervals{line}", *told])


def _interval_scale(
    estimates: Sequence[_Estimate], low: float | None, high: float | None, reference: float | None, kind: Kind
) -> Scale:
    """A scale that shows every value and, where an end is not given, every bound on that side."""
    numbers = [estimate.value for estimate in estimates] + [nan if reference is None else reference]
    numbers += [estimate.low for estimate in estimates if low is None and estimate.defined]
    numbers += [estimate.high for estimate in estimates if high is None and estimate.defined]
    return Scale(*domain([number for number in numbers if isfinite(number)], low, high), kind)


def _reference_label(reference: float | None, scale: Scale, column: Column) -> tuple[float, list[Layer | None]]:
    """Where the rows start, and the value of the reference line above them unless a tick shows it."""
    if reference is None or any(isclose(reference, value, abs_tol=1e-9) for value, _ in scale.ticks()):
        return MARGIN, []
    label = [{"x": scale(reference), "y": MARGIN + 2, "text": show(reference, column), "color": GREY}]
    return MARGIN + LEADING, [text_layer(label, SMALL, align="center")]


def _grouped_rows(
    estimates: Sequence[_Estimate], column: Column, *, top: float
) -> tuple[list[tuple[_Estimate, Row]], list[Mark], float]:
    """Each estimate with its row, the headings of groups, and where the rows end."""
    placed: list[tuple[_Estimate, Row]] = []
    headings: list[Mark] = []
    bottom = top
    for group in dict.fromkeys(estimate.group for estimate in estimates):
        lines = shortened(group, page().width, HEADING, 2) if group else []
        headings += [
            {"x": 0.0, "y": bottom + LEADING * (place + 0.5), "text": line, "color": INK}
            for place, line in enumerate(lines)
        ]
        members = [estimate for estimate in estimates if estimate.group == group]
        rows, bottom = stacked_rows(
            [(member.label, member.told(column)) for member in members], top=bottom + LEADING * len(lines) + 2, least=20
        )
        placed += zip(members, rows, strict=True)
        bottom += 5
    return placed, headings, bottom
