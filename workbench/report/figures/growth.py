"""Growth: how many codes the first interviews hold."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from workbench.errors import ArgumentError
from workbench.report.figures.base import (
    BLUE,
    COUNT,
    GREY,
    INK,
    LEADING,
    MARGIN,
    PALE,
    SMALL,
    VERMILLION,
    WHITE,
    Figure,
    dot_layer,
    finished,
    isolated,
    line_layer,
    note_layer,
    page,
    room_for,
    shortened,
    step_of,
    text_layer,
    upright,
)
from workbench.report.table import Column, show, show_interval


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
    left, right, top, bottom = 34.0, page().width - 8.0, MARGIN + 4, MARGIN + 154
    highest = max(max(high for *_, high in points), *collected, 1.0)
    step = max(step_of(0, highest), 1.0)
    ceiling = ceil(highest / step - 1e-9) * step
    ticks = [place * step for place in range(round(ceiling / step) + 1)]
    width = (right - left) / len(points)
    xs = [left + width * (place + 0.5) for place in range(len(points))]
    every = ceil(room_for("00", SMALL) * 1.4 / width)

    def y(value: float) -> float:
        return bottom - value / ceiling * (bottom - top)

    title_lines = shortened(across, right - left, SMALL, 2)
    words = [{"x": left - 6, "y": y(tick), "text": show(tick, COUNT), "color": GREY} for tick in ticks]
    below = [
        {"x": x, "y": bottom + 10, "text": str(number), "color": GREY}
        for place, ((number, *_), x) in enumerate(zip(points, xs, strict=True))
        if place % every == 0
    ]
    below += [
        {"x": (left + right) / 2, "y": bottom + 24 + LEADING * place, "text": line, "color": INK}
        for place, line in enumerate(title_lines)
    ]
    note, height = note_layer(
        f"{up}. Dots: mean over resampled orders, with the span of 95 in 100; diamonds: the order as listed.",
        bottom + 20 + LEADING * len(title_lines),
    )
    layers = [
        line_layer([{"x": left, "x2": right, "y": y(tick)} for tick in ticks], PALE, 0.8),
        line_layer([upright(x, y(low), y(high)) for (_, _, low, high), x in zip(points, xs, strict=True)], INK, 1.6),
        dot_layer([{"x": x, "y": y(value)} for (_, value, *_), x in zip(points, xs, strict=True)], BLUE, 44),
        dot_layer(
            [{"x": x, "y": y(value)} for value, x in zip(collected, xs, strict=True)],
            WHITE,
            34,
            shape="diamond",
            outline=VERMILLION,
        ),
        text_layer(words, SMALL, align="right"),
        text_layer(below, SMALL, align="center"),
        note,
    ]
    column = Column("value", up, "number", 1)
    told = [
        f"{number}: {show(value, column)} {show_interval(low, high, column)}, as listed {show(own, COUNT)}"
        for (number, value, low, high), own in zip(points, collected, strict=True)
    ]
    return finished(name, title, layers, height, [f"{isolated(up)} by {isolated(across)}", *told])
