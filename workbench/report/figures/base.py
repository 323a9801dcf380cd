"""What every figure is made of: colours and sizes, pages, scales, rows of labels, layers of marks, and the drawing itself.

Every figure is one column of a paper wide (85 mm), or two (175 mm) inside `two_columns`, and drawn by vl-convert
from a Vega-Lite description, without a network. Positions are worked out in pixels from the data alone, never from the
measured width of a font, so that a figure is the same, byte for byte, on each run. Numbers take their style from
`workbench.report.table`.

Colours: Okabe & Ito 2008, Color Universal Design (their blue and vermillion, and tints of these). No
colour stands alone: beside it there is a number, a place or a shape, and tints keep their order in grey.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from functools import lru_cache
from html import escape
from math import ceil, floor, log10
from typing import Any, Literal

from workbench.errors import ArgumentError
from workbench.report.figures.pdf import in_order
from workbench.report.table import Column, Kind, display_width, file_stem, printable, show, wrapped

BLUE = "#0072B2"
VERMILLION = "#D55E00"
BLACK = "#000000"
INK = "#1A1A1A"
GREY = "#595959"
LINE_GREY = "#8A8A8A"
PALE = "#E2E2E2"
NEUTRAL = "#CFCFCF"
WHITE = "#FFFFFF"

Scheme = Literal["paper", "screen dark"]
SCHEMES: Mapping[Scheme, Mapping[str, str]] = {
    "paper": {},
    "screen dark": {
        BLUE: "#56B4E9",
        BLACK: "#E9E6E1",
        INK: "#E9E6E1",
        GREY: "#AAA69E",
        LINE_GREY: "#85888E",
        PALE: "#3A3B3E",
        NEUTRAL: "#6F7277",
        WHITE: "#17181A",
    },
}
"""The colours that a scheme draws in place of the paper's; white is the ground. Blue becomes the palette's sky blue. All but PALE,
which is for grid lines, have a contrast of 3 to 1 or more with the ground."""

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

COUNT = Column("n", "n", "count")
NUMBER = Column("value", "Value", "number")


_SIZE = re.compile(r' width="(\d+)" height="(\d+)"')


def _in_points(size: re.Match[str]) -> str:
    """The size of a drawing in points, of which there are 72 to an inch, in place of pixels, of which there are 96."""
    return "".join(
        f' {name}="{int(pixels) * POINTS_A_PIXEL}"'
        for name, pixels in zip(("width", "height"), size.groups(), strict=True)
    )


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawn figure: `name` is the stem of its file; `alternative` says in words and numbers what it shows.

    `drawing` is what was drawn, as text, from which the figure is drawn in another scheme; "" where it was drawn elsewhere.
    """

    name: str
    title: str
    svg: str
    alternative: str
    drawing: str = field(default="", repr=False)

    def in_scheme(self, scheme: Scheme) -> Figure:
        """The same figure in the colours of `scheme`; one that was drawn elsewhere stays as it is."""
        if not self.drawing:
            return self
        svg = _accessible(_drawn(self.drawing, scheme), self.name, self.title, self.alternative)
        return replace(self, svg=svg)

    @property
    def millimetres(self) -> int:
        """How wide the figure is on paper: 85 or 175."""
        return 175 if f'width="{WIDE_PAGE_WIDTH}"' in self.svg[:300] else 85

    def pdf(self) -> bytes:
        """The figure as a vector page of its size."""
        import vl_convert

        return in_order(vl_convert.svg_to_pdf(_SIZE.sub(_in_points, self.svg, count=1)))

    def png(self, *, scale: float = 2.5) -> bytes:
        """The figure in pixels: `scale` of them where the SVG has one, so 2.5 are 240 to an inch."""
        import vl_convert

        return vl_convert.svg_to_png(self.svg, scale=scale)


@dataclass(frozen=True, slots=True)
class Page:
    """How wide a figure is, how wide the labels at its left are, and from where to where its plot reaches.

    `beside` is the room at the right of the plot.
    """

    width: float
    label_width: float
    beside: float = 8.0

    @property
    def plot(self) -> tuple[float, float]:
        return (self.label_width + 10.0, self.width - self.beside)


_ONE_COLUMN = Page(float(PAGE_WIDTH - 2 * SIDE), 114.0)
_TWO_COLUMNS = Page(float(WIDE_PAGE_WIDTH - 2 * SIDE), 190.0)
_page: ContextVar[Page] = ContextVar("page", default=_ONE_COLUMN)


@contextmanager
def two_columns() -> Iterator[None]:
    """Figures drawn inside are two columns of a paper wide."""
    with drawn_on(_TWO_COLUMNS):
        yield


@contextmanager
def drawn_on(other: Page) -> Iterator[None]:
    """What is drawn inside stands on another page."""
    token = _page.set(other)
    try:
        yield
    finally:
        _page.reset(token)


def page() -> Page:
    """The page that figures are drawn for."""
    return _page.get()


# ------------------------------------------------------------------------------------------ checks


def check_labels(argument: str, labels: Labels) -> None:
    identities = [identity for identity, _ in labels]
    if not identities:
        raise ArgumentError(f"`{argument}` is empty; at least 1 (id, label) is needed.")
    if len(set(identities)) < len(identities):
        raise ArgumentError(
            f"`{argument}` names {Counter(identities).most_common(1)[0][0]!r} more than once; each id is needed once."
        )


# --------------------------------------------------------------------------------- scales and axes


@dataclass(frozen=True, slots=True)
class Scale:
    """From a value on the axis to its place across the plot."""

    low: float
    high: float
    kind: Kind = "number"

    def __call__(self, value: float) -> float:
        return page().plot[0] + (value - self.low) / (self.high - self.low) * (page().plot[1] - page().plot[0])

    def within(self, value: float) -> float:
        return self(min(max(value, self.low), self.high))

    def ticks(self) -> list[tuple[float, str]]:
        """The values that are marked, and their labels."""
        step = step_of(self.low, self.high)
        column = Column("tick", "Tick", self.kind, digits=max(0, -floor(log10(step) + 1e-9)))
        places = range(ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9) + 1)
        return [(place * step, show(place * step, column) if place else "0") for place in places]


def step_of(low: float, high: float) -> float:
    """A step of 1, 2 or 5 times a power of ten with at most six steps; whole numbers up to ten are all marked."""
    if float(low).is_integer() and float(high).is_integer() and 3 <= high - low <= 10:
        return 1.0
    power = 10.0 ** floor(log10((high - low) / 6))
    return next(step for step in (power, 2 * power, 5 * power, 10 * power) if (high - low) / step <= 6 + 1e-9)


def domain(numbers: Sequence[float], low: float | None, high: float | None) -> tuple[float, float]:
    """The ends of an axis: those given, moved outward to hold all `numbers`, and round where not given."""
    bottom = min([*numbers, *([] if low is None else [low])], default=0.0 if high is None else high - 1)
    top = max([*numbers, *([] if high is None else [high])], default=bottom + 1)
    if top <= bottom:
        bottom, top = bottom - 0.5, bottom + 0.5
    step = step_of(bottom, top)
    return (
        floor(bottom / step + 1e-9) * step if low is None else bottom,
        ceil(top / step - 1e-9) * step if high is None else top,
    )


def value_axis(scale: Scale, title: str, *, top: float, bottom: float) -> tuple[list[Layer | None], float]:
    """Grid lines, tick labels and the title of the value axis; and where they end. Where labels would touch, some are left out."""
    ticks = scale.ticks()
    apart = scale(ticks[1][0]) - scale(ticks[0][0]) if len(ticks) > 1 else page().width
    every = ceil(max(room_for(label, SMALL) for _, label in ticks) / apart) if ticks else 1
    labels = [{"x": scale(value), "y": bottom + 9, "text": label, "color": GREY} for value, label in ticks[::every]]
    lines = shortened(title, page().plot[1] - page().plot[0] + 2 * MARGIN, SMALL, 3) if title else []
    first = bottom + 9 + LEADING + 2
    title_texts = [
        {"x": sum(page().plot) / 2, "y": first + LEADING * place, "text": line, "color": INK}
        for place, line in enumerate(lines)
    ]
    layers = [
        line_layer([upright(scale(value), top, bottom) for value, _ in ticks], PALE, 0.8),
        line_layer([{"x": page().plot[0], "x2": page().plot[1], "y": bottom}], LINE_GREY, 0.8),
        text_layer(labels, SMALL, align="center"),
        text_layer(title_texts, SMALL, align="center"),
    ]
    return layers, first + LEADING * len(lines)


# ------------------------------------------------------------------------------------------ labels


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a figure: its label in lines, a grey note below, and its place."""

    lines: tuple[str, ...]
    notes: tuple[str, ...]
    top: float
    height: float

    @property
    def middle(self) -> float:
        return self.top + self.height / 2


def stacked_rows(
    entries: Sequence[tuple[str, str]], *, top: float, least: float, note_lines: int = 2
) -> tuple[list[Row], float]:
    """Rows for (label, note), one below the other from `top`, each at least `least` high; and where they end."""
    rows = []
    for label, note in entries:
        lines = shortened(label, page().label_width, SIZE, LABEL_LINES)
        notes = shortened(note, page().label_width, SMALL, note_lines) if note else []
        row = Row(tuple(lines), tuple(notes), top, max(least, LEADING * (len(lines) + len(notes)) + 7))
        rows.append(row)
        top += row.height
    return rows, top


def row_texts(rows: Sequence[Row]) -> list[Layer | None]:
    labels: list[Mark] = []
    notes: list[Mark] = []
    for row in rows:
        first = row.middle - LEADING * (len(row.lines) + len(row.notes) - 1) / 2
        places = [
            {"x": 0.0, "y": first + LEADING * place, "text": text} for place, text in enumerate(row.lines + row.notes)
        ]
        labels += [{**mark, "color": INK} for mark in places[: len(row.lines)]]
        notes += [{**mark, "color": GREY} for mark in places[len(row.lines) :]]
    return [text_layer(labels, SIZE), text_layer(notes, SMALL)]


def room_for(text: str, size: float) -> float:
    return display_width(text) * EM * size


def fitting_in(room: float, size: float) -> int:
    return max(1, int(room / (EM * size)))


def shortened(text: str, room: float, size: float, most: int) -> list[str]:
    """`text` in at most `most` lines that fit; an ellipsis stands for what is left out."""
    fitting = fitting_in(room, size)
    lines = wrapped(text, fitting)
    if len(lines) <= most:
        return lines
    kept = wrapped(lines[most - 1], max(1, fitting - 1))[0]
    return [*lines[: most - 1], f"{kept}…"]


def isolated(text: str) -> str:
    """`text` for a sentence: words that run from right to left do not turn what stands around them."""
    plain = " ".join(printable(text).split())
    turns = any(unicodedata.bidirectional(character) in ("R", "AL") for character in plain)
    return f"\u2068{plain}\u2069" if turns else plain


def note_layer(text: str, top: float) -> tuple[Layer | None, float]:
    """A grey note below a figure, each of its lines in at most two, and where it ends."""
    lines = [line for entry in text.splitlines() for line in shortened(entry, page().width, SMALL, 2)]
    texts = [
        {"x": 0.0, "y": top + LEADING * (place + 0.5), "text": line, "color": GREY} for place, line in enumerate(lines)
    ]
    return text_layer(texts, SMALL), top + LEADING * len(lines) + 2


def centered_lines(lines: Sequence[str], x: float, middle: float, color: str) -> list[Mark]:
    """Lines of text around a middle."""
    first = middle - LEADING * (len(lines) - 1) / 2
    return [{"x": x, "y": first + LEADING * place, "text": line, "color": color} for place, line in enumerate(lines)]


# ----------------------------------------------------------------------------------------- drawing


def tinted(color: str, share: float) -> str:
    """`color` mixed with the ground: 1 is the colour itself, 0 is the ground. It is mixed when it is drawn, in `_color`."""
    return f"{color} {share!r}"


def readable_on(fill: str) -> str:
    """Black or white, whichever contrasts more with `fill`; at least 4.5 to 1."""
    return f"on {fill}"


def _color(told: str, scheme: Scheme) -> str:
    """What `told` is in `scheme`: a colour, a tint of it, or what is read on either."""
    if told.startswith("on "):
        return _black_or_white(_color(told.removeprefix("on "), scheme))
    name, _, share = told.partition(" ")
    color, ground = (SCHEMES[scheme].get(one, one) for one in (name, WHITE))
    if not share:
        return color
    mixed = (back - (back - front) * float(share) for front, back in zip(_parts(color), _parts(ground), strict=True))
    return "#" + "".join(f"{round(part):02X}" for part in mixed)


def _black_or_white(fill: str) -> str:
    """By the contrast ratio of WCAG 2.2."""
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in _parts(fill, 255)]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return "#FFFFFF" if 1.05 / (luminance + 0.05) > (luminance + 0.05) / 0.05 else "#000000"


def _parts(color: str, of: int = 1) -> list[float]:
    """Red, green and blue."""
    return [int(color[place : place + 2], 16) / of for place in (1, 3, 5)]


def upright(x: float, y: float, y2: float) -> Mark:
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


def line_layer(marks: Sequence[Mark], color: str, width: float, *, dash: Sequence[float] | None = None) -> Layer | None:
    style = {"type": "rule", "color": color, "strokeWidth": width}
    return _layer(marks, style | ({"strokeDash": list(dash)} if dash else {}))


def dot_layer(
    marks: Sequence[Mark], fill: str, area: float, *, shape: str = "circle", outline: str = WHITE
) -> Layer | None:
    stroke = {"stroke": outline, "strokeWidth": 0.5 if outline == WHITE else 1.6}
    return _layer(marks, {"type": "point", "shape": shape, "size": area, "fill": fill, "opacity": 1} | stroke)


def box_layer(marks: Sequence[Mark], *, outline: str = WHITE, width: float = 0.8) -> Layer | None:
    return _layer(marks, {"type": "rect", "stroke": outline, "strokeWidth": width, "opacity": 1}, "fill")


def numbered_box_layers(marks: Sequence[Mark], *, outline: str = WHITE) -> list[Layer | None]:
    """Boxes with a text in the middle of each."""
    texts = [
        {
            "x": (mark["x"] + mark["x2"]) / 2,
            "y": (mark["y"] + mark["y2"]) / 2,
            "text": mark["text"],
            "color": readable_on(mark["fill"]),
        }
        for mark in marks
        if mark["text"]
    ]
    return [box_layer(marks, outline=outline), text_layer(texts, SMALL, align="center")]


def text_layer(
    marks: Sequence[Mark],
    size: float,
    *,
    align: Literal["left", "center", "right"] = "left",
) -> Layer | None:
    style = {"type": "text", "align": align, "baseline": "middle", "fontSize": size}
    return _layer(marks, style, "text", "color")


def finished(name: str, title: str, layers: Sequence[Layer | None], height: float, told: Sequence[str]) -> Figure:
    """The figure of `layers`; `told` are the sentences of its text alternative, after the title."""
    file_stem("name", name)
    alternative = f"{isolated(title.rstrip('.'))}. {'. '.join(told)}."
    drawing = json.dumps(_description(layers, height), ensure_ascii=False)
    return Figure(name, title, _accessible(_drawn(drawing, "paper"), name, title, alternative), alternative, drawing)


def _description(layers: Sequence[Layer | None], height: float) -> dict[str, Any]:
    return {
        "layer": [layer for layer in layers if layer is not None],
        "width": page().width,
        "height": ceil(height),
        "padding": {"left": SIDE, "right": SIDE, "top": 0, "bottom": 0},
        "autosize": {"type": "none"},
        "config": {"aria": False, "font": FONT, "view": {"stroke": None}},
    }


@lru_cache(maxsize=128)
def _drawn(drawing: str, scheme: Scheme) -> str:
    """The SVG of a drawing, its colours those of `scheme`."""
    import vl_convert

    description = json.loads(drawing)
    for layer in description["layer"]:
        for mark in (layer["mark"], *layer["data"]["values"]):
            mark |= {key: _color(mark[key], scheme) for key in ("color", "fill", "stroke") if key in mark}
    svg: str = vl_convert.vegalite_to_svg(description | {"background": _color(WHITE, scheme)}, vl_version=VEGA_LITE)
    return svg


def _accessible(svg: str, name: str, title: str, alternative: str) -> str:
    """`svg` as one image with a title and a description, whose ids hold the figure's name."""
    described = (
        f'<title id="{name}-title">{escape(printable(title), quote=False)}</title>'
        f'<desc id="{name}-desc">{escape(alternative, quote=False)}</desc>'
    )
    opening, _, content = svg.partition(">")
    return f'{opening} role="img" aria-labelledby="{name}-title" aria-describedby="{name}-desc">{described}{content}\n'
