"""A table described once and rendered late: for a terminal, CSV, JSON, Markdown or HTML, and by `latex` and `word`.

A `Table` holds raw values; rounding and the look of a number are decided here, in `show`, and nowhere
else. CSV and JSON are for machines and never rounded; the others are for people. What a table says
(its columns, title and notes) belongs to the modules that describe tables, and writing files does not
live here either.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Context, Decimal
from html import escape
from typing import Literal, get_args

import numpy as np

from workbench.errors import ArgumentError
from workbench.report.numbers import number_id, pieces, plain
from workbench.stats._checks import one_of

Kind = Literal["text", "count", "number", "bounded", "p", "share"]
Format = Literal["text", "csv", "json", "markdown", "html", "latex"]

UNDEFINED = "–"
MINUS = "−"

_HALF_UP = Context(prec=400, rounding=ROUND_HALF_UP)
_P_DIGITS = 3
_NARROWEST_TEXT = 16
_GAP = "  "
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: where its value stands in a row, what it is called, and how a person sees it.

    `kind`: "bounded" is a value that cannot pass 1 in magnitude (r, W, alpha) and is shown without a
    leading zero; "share" is a fraction of 1; `digits` counts for "number" and "bounded". Where `low`
    and `high` name two further keys of the row, people see "0.53 [0.31, 0.70]", and CSV and JSON have
    the three fields apart. `help` says in a sentence what the column means. Raises ArgumentError for
    an unknown kind, negative digits, or one bound without the other.
    """

    key: str
    label: str
    kind: Kind = "text"
    digits: int = 2
    low: str = ""
    high: str = ""
    help: str = ""

    def __post_init__(self) -> None:
        one_of("kind", self.kind, get_args(Kind))
        if self.digits < 0:
            raise ArgumentError(f"`digits` of column {self.key!r} is {self.digits}; 0 or more are needed.")
        if bool(self.low) != bool(self.high):
            raise ArgumentError(f"Column {self.key!r} names only one of `low` and `high`; both are needed, or neither.")

    @property
    def keys(self) -> tuple[str, ...]:
        return (self.key, self.low, self.high) if self.low else (self.key,)


@dataclass(frozen=True, slots=True)
class Table:
    """What a table says: columns, rows of raw values by column key, a title, and notes below.

    `name` is the stem of its file and the name that a command asks for. `group` names columns whose values
    people read as a heading over the rows that share them; for machines they are columns like others. `row_names` name the rows in ids of numbers, where that is wanted. Values are text, whole numbers,
    floats or bools (of numpy, too); NaN and None are undefined. Raises ArgumentError where a row's keys are
    not exactly those that the columns name, a key is named twice, or a value does not fit its column.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[Mapping[str, object], ...]
    notes: tuple[str, ...] = ()
    group: tuple[str, ...] = ()
    row_names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        file_stem("name", self.name)
        if not self.columns:
            raise ArgumentError("`columns` is empty; at least 1 column is needed.")
        keys = [key for column in self.columns for key in column.keys]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        if twice:
            raise ArgumentError(
                f"`columns` names {', '.join(map(repr, twice))} more than once; each key is needed once."
            )
        for number, row in enumerate(self.rows, start=1):
            _check_keys(number, row, keys)
            for column in self.columns:
                _check_values(number, row, column)

    @property
    def read_columns(self) -> tuple[Column, ...]:
        """The columns that people read as columns."""
        return tuple(column for column in self.columns if column.key not in self.group)

    def groups(self) -> list[tuple[str, list[int]]]:
        """Heading and row numbers of each run of rows that share the values of `group`; one without heading without it."""
        headings = [column for column in self.columns if column.key in self.group]
        found: list[tuple[str, list[int]]] = []
        for number, row in enumerate(self.rows):
            heading = " · ".join(filter(None, (shown_cell(row, column) for column in headings)))
            if not found or found[-1][0] != heading:
                found.append((heading, []))
            found[-1][1].append(number)
        return found


def file_stem(argument: str, name: str) -> None:
    """Raise ArgumentError where `name` could not be the stem of a file."""
    if not re.fullmatch(r"[\w-]+", name):
        raise ArgumentError(
            f"`{argument}` is {name!r}; letters, digits, hyphens and underscores are needed, as it names a file."
        )


def _check_keys(number: int, row: Mapping[str, object], keys: Sequence[str]) -> None:
    missing = [key for key in keys if key not in row]
    foreign = [key for key in row if key not in keys]
    if missing or foreign:
        lacks = f" lacks {', '.join(map(repr, missing))};" if missing else ""
        has = f" has {', '.join(map(repr, foreign))} too;" if foreign else ""
        raise ArgumentError(f"`rows`: row {number}{lacks}{has} exactly the keys that the columns name are needed.")


def _check_values(number: int, row: Mapping[str, object], column: Column) -> None:
    for key in column.keys:
        value = _plain(row[key])
        if not (value is None or isinstance(value, (str, bool, int, float))):
            raise ArgumentError(
                f"`rows`: row {number} has {type(value).__name__} under {key!r}; "
                "text, a number, a bool or None is needed."
            )
        if column.kind == "count" and isinstance(value, float) and math.isfinite(value) and not value.is_integer():
            raise ArgumentError(f"`rows`: row {number} has {value} under {key!r}; a count must be a whole number.")


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value


def _undefined(value: object) -> bool:
    return value is None or (isinstance(value, float) and math.isnan(value))


# ------------------------------------------------------------------------------------- number style


def show(value: object, column: Column) -> str:
    """`value` as a person reads it in `column`; text stays as it is, undefined is an en dash.

    Numbers are rounded half away from zero on their shortest decimal form, so that whoever rounds the CSV by hand
    gets what is shown. A p has three digits, below .001 "< .001"; a share is in percent; minus is
    U+2212 and zero has none.

    >>> show(0.0004, Column("p", "p", "p")), show(-0.5, Column("r", "r", "bounded"))
    ('< .001', '−.50')
    """
    value = _plain(value)
    if _undefined(value):
        return UNDEFINED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return _shown_number(value, column).replace("-", MINUS)
    return plain(str(value))


def _shown_number(value: float, column: Column) -> str:
    if math.isinf(value):
        return "∞" if value > 0 else "-∞"
    match column.kind:
        case "text":
            return str(value)
        case "count":
            return _rounded(_decimal(value), 0)
        case "number":
            return _rounded(_decimal(value), column.digits)
        case "bounded":
            return _without_leading_zero(_rounded(_decimal(value), column.digits))
        case "share":
            return _rounded(_decimal(value) * 100, 0) + " %"
        case "p":
            return "< .001" if 0 <= value < 0.001 else _without_leading_zero(_rounded(_decimal(value), _P_DIGITS))


def _decimal(value: float) -> Decimal:
    return Decimal(repr(value))


def _rounded(value: Decimal, digits: int) -> str:
    rounded = value.quantize(Decimal(1).scaleb(-digits), context=_HALF_UP)
    return format(abs(rounded) if rounded == 0 else rounded, "f")


def _without_leading_zero(number: str) -> str:
    return re.sub(r"^(-?)0\.", r"\1.", number)


def show_p(p: float | None) -> str:
    """A p value for a sentence: "p = .012", "p < .001", "p not defined"."""
    if _undefined(_plain(p)):
        return "p not defined"
    shown = show(p, Column("p", "p", "p"))
    return f"p {shown}" if shown.startswith("<") else f"p = {shown}"


def show_interval(low: object, high: object, column: Column) -> str:
    """An interval in the number style of `column`: "[0.31, 0.70]"."""
    return f"[{show(low, column)}, {show(high, column)}]"


def _shown_parts(row: Mapping[str, object], column: Column) -> tuple[str, str]:
    """The value and its interval; an interval without both ends is not shown."""
    values = [_plain(row[key]) for key in column.keys]
    if len(values) == 1 or all(map(_undefined, values[1:])):
        return show(values[0], column), ""
    return show(values[0], column), show_interval(values[1], values[2], column)


def shown_cell(row: Mapping[str, object], column: Column) -> str:
    """A cell as people read it, the interval beside the value."""
    return " ".join(filter(None, _shown_parts(row, column)))


# --------------------------------------------------------------------------------------------- text


def display_width(text: str) -> int:
    """How many places of a terminal `text` takes: wide characters two, combining and invisible ones none."""
    return sum(map(_places, text))


def _places(character: str) -> int:
    if unicodedata.combining(character) or unicodedata.category(character) in ("Cf", "Me", "Mn"):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def printable(text: str) -> str:
    """`text` without what could steer a terminal, break XML or turn the reading direction of its surroundings.

    Line breaks stay, other control characters become spaces, lone surrogates and noncharacters the
    replacement character; directional embeddings and overrides are left out.
    """
    unified = plain(text).replace("\r\n", "\n").replace("\r", "\n").replace("\u2028", "\n").replace("\u2029", "\n")
    return "".join(map(_printable_character, unified))


def _printable_character(character: str) -> str:
    if character in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069":
        return ""
    if character != "\n" and unicodedata.category(character) == "Cc":
        return " "
    return "\ufffd" if 0xD800 <= ord(character) <= 0xDFFF or character in "\ufffe\uffff" else character


def wrapped(text: str, width: int) -> list[str]:
    """`text` in lines of at most `width` places, broken between words where it can be."""
    lines = []
    for paragraph in printable(text).split("\n"):
        line = ""
        for word in re.split(r"(?<![=<>]) (?![=<>])", paragraph):
            for piece in _pieces(word, width):
                joined = f"{line} {piece}" if line else piece
                if display_width(joined) <= width:
                    line = joined
                else:
                    lines += [line] * bool(line)
                    line = piece
        lines.append(line)
    return lines


def _pieces(word: str, width: int) -> Iterator[str]:
    """`word` in pieces that fit; a character stays with the marks and joiners that belong to it."""
    piece = ""
    for character in word:
        joined = _places(character) == 0 or piece.endswith("\u200d")
        if piece and not joined and display_width(piece + character) > width:
            yield piece
            piece = ""
        piece += character
    if piece:
        yield piece


def to_text(table: Table, *, width: int = 100) -> str:
    """`table` for a terminal of `width` places; one too wide is folded into a block of lines per row.

    Numbers stand right-aligned, with equal digits, so that their decimal points line up. Raises
    ArgumentError for a width below 20.
    """
    if width < 20:
        raise ArgumentError(f"`width` is {width}; at least 20 places are needed.")
    cells = [_aligned_cells(table, column) for column in table.read_columns]
    widths = _column_widths(table, cells, width)
    body = _grid(table, cells, widths) if widths else _blocks(table, width)
    if not table.rows:
        body.append("(no rows)")
    notes = [line for note in table.notes for line in wrapped(f"Note. {note}", width)]
    parts = [wrapped(table.title, width), body, notes]
    return "\n\n".join("\n".join(line.rstrip() for line in part) for part in parts if part) + "\n"


def _aligned_cells(table: Table, column: Column) -> list[str]:
    """The cells of one column; values and intervals are padded apart, so that both line up."""
    if column.kind == "text":
        return [shown_cell(row, column) for row in table.rows]
    parts = [_shown_parts(row, column) for row in table.rows]
    values, spans = (_equally_wide([printable(part[place]).replace("\n", " ") for part in parts]) for place in (0, 1))
    return [f"{value} {span}" if span else value for value, span in zip(values, spans, strict=True)]


def _equally_wide(texts: Sequence[str]) -> list[str]:
    width = max(map(display_width, texts), default=0)
    return [_padded(text, width, right=True) for text in texts]


def _padded(text: str, width: int, *, right: bool) -> str:
    space = " " * (width - display_width(text))
    return space + text if right else text + space


def _column_widths(table: Table, cells: list[list[str]], width: int) -> list[int]:
    """Widths that fit into `width`: as wide as wanted, or text and labels narrowed; empty where nothing fits."""
    wanted, widths = [], []
    for column, shown in zip(table.read_columns, cells, strict=True):
        label = printable(column.label)
        widest = max((display_width(line) for cell in shown for line in printable(cell).split("\n")), default=0)
        longest_word = max(map(display_width, label.split()), default=0)
        wanted.append(max(widest, display_width(label), 1))
        least = min(widest, _NARROWEST_TEXT) if column.kind == "text" else widest
        widths.append(min(wanted[-1], max(least, min(longest_word, _NARROWEST_TEXT), 1)))
    room = width - len(_GAP) * (len(widths) - 1) - sum(widths)
    if room < 0:
        return []
    while room and widths != wanted:
        neediest = max(range(len(widths)), key=lambda place: wanted[place] - widths[place])
        widths[neediest] += 1
        room -= 1
    return widths


def _grid(table: Table, cells: list[list[str]], widths: list[int]) -> list[str]:
    columns = table.read_columns
    labels = [wrapped(column.label, width) for column, width in zip(columns, widths, strict=True)]
    height = max(map(len, labels))
    lines = _grid_lines(table, [[""] * (height - len(label)) + label for label in labels], widths)
    lines.append(_GAP.join("─" * width for width in widths))
    for place, (heading, numbers) in enumerate(table.groups()):
        if heading:
            lines += [""] * bool(place) + wrapped(heading, sum(widths) + len(_GAP) * (len(widths) - 1))
        for number in numbers:
            lines += _grid_lines(
                table,
                [
                    wrapped(cell[number], width) if column.kind == "text" else [cell[number]]
                    for cell, column, width in zip(cells, columns, widths, strict=True)
                ],
                widths,
            )
    return lines


def _grid_lines(table: Table, cells: list[list[str]], widths: list[int]) -> list[str]:
    return [
        _GAP.join(
            _padded(cell[line] if line < len(cell) else "", width, right=column.kind != "text")
            for cell, column, width in zip(cells, table.read_columns, widths, strict=True)
        )
        for line in range(max(map(len, cells)))
    ]


def _blocks(table: Table, width: int) -> list[str]:
    """A block of "label  value" lines for each row, an empty line between blocks."""
    label_width = min(max(display_width(printable(column.label)) for column in table.columns), width // 3)
    lines: list[str] = []
    for row in table.rows:
        lines += [""] * bool(lines)
        for column in table.columns:
            label = wrapped(column.label, label_width)
            cell = wrapped(shown_cell(row, column), width - label_width - len(_GAP))
            for place in range(max(len(label), len(cell))):
                left = label[place] if place < len(label) else ""
                lines.append(
                    _padded(left, label_width, right=False) + _GAP + (cell[place] if place < len(cell) else "")
                )
    return lines


# --------------------------------------------------------------------------------- CSV, JSON, markup


def to_csv(table: Table) -> str:
    """`table` as RFC 4180 CSV, keys as header, unrounded; undefined is empty, infinity is INF.

    Text that a spreadsheet would take for a formula gets a leading apostrophe; numbers are not touched.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    keys = [key for column in table.columns for key in column.keys]
    writer.writerow([_csv_cell(key) for key in keys])
    writer.writerows([_csv_cell(row[key]) for key in keys] for row in table.rows)
    return out.getvalue()


def _csv_cell(value: object) -> str:
    value = _plain(value)
    if _undefined(value):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and math.isinf(value):
        return "INF" if value > 0 else "-INF"
    if isinstance(value, (int, float)):
        return repr(value)
    text = plain(str(value))
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def to_json(table: Table) -> str:
    """`table` as JSON: {name, title, columns: [{key, label}], rows, notes}; unrounded, undefined and infinite null."""
    columns = [{"key": key, "label": label} for column in table.columns for key, label in _labelled_keys(column)]
    rows = [{entry["key"]: _json_value(row[entry["key"]]) for entry in columns} for row in table.rows]
    content = {
        "name": table.name,
        "title": plain(table.title),
        "columns": columns,
        "rows": rows,
        "notes": [plain(note) for note in table.notes],
    }
    return json.dumps(content, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def _labelled_keys(column: Column) -> list[tuple[str, str]]:
    labels = (column.label, f"{column.label}, low", f"{column.label}, high")
    return list(zip(column.keys, labels, strict=False))


def _json_value(value: object) -> object:
    value = plain(value) if isinstance(value, str) else _plain(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value


def to_markdown(table: Table) -> str:
    """`table` as a pipe table of GitHub Flavored Markdown, its title in bold above and its notes below."""
    columns = table.read_columns
    header = [in_markdown(column.label) for column in columns]
    dashes = ["---" if column.kind == "text" else "---:" for column in columns]
    body = []
    for heading, numbers in table.groups():
        body += [[f"**{in_markdown(heading)}**"] + [""] * (len(columns) - 1)] if heading else []
        body += [[in_markdown(shown_cell(table.rows[number], column)) for column in columns] for number in numbers]
    lines = [f"| {' | '.join(cells)} |" for cells in (header, dashes, *body)]
    title = in_markdown(table.title)
    notes = [f"*Note.* {in_markdown(note)}" for note in table.notes]
    parts = [f"**{title}**"] * bool(title) + ["\n".join(lines)] + notes
    return "\n\n".join(parts) + "\n"


def in_markdown(text: str) -> str:
    """`text` so that markup in it shows as itself: HTML by entities, Markdown by backslashes, a line break by <br>."""
    marked = re.sub(r"([\\`*_\[\]|~$])", r"\\\1", escape(printable(text).strip(), quote=False))
    return marked.replace("\n", "<br>")


def to_html(table: Table) -> str:
    """`table` as an HTML <table> with caption and scopes, followed by its notes; a number has the class "num"."""
    head = "".join(_header_cell(column) for column in table.read_columns)
    bodies = "\n".join(_html_body(table, heading, numbers) for heading, numbers in table.groups() or [("", [])])
    notes = "".join(f'<p class="note">{sentence_html(note)}</p>\n' for note in table.notes)
    caption = f"<caption>{_html(table.title)}</caption>"
    return f"<table>\n{caption}\n<thead>\n<tr>{head}</tr>\n</thead>\n{bodies}\n</table>\n{notes}"


def _html_body(table: Table, heading: str, numbers: Sequence[int]) -> str:
    span = len(table.read_columns)
    over = f'<tr><th scope="rowgroup" colspan="{span}" dir="auto">{_html(heading)}</th></tr>\n' if heading else ""
    rows = "\n".join(f"<tr>{''.join(_body_cells(table, number))}</tr>" for number in numbers)
    return f"<tbody>\n{over}{rows}\n</tbody>"


def _header_cell(column: Column) -> str:
    style = "" if column.kind == "text" else ' class="num"'
    explained = f' title="{escape(printable(column.help))}"' if column.help else ""
    return f'<th scope="col"{style}{explained}>{_html(column.label)}</th>'


def _body_cells(table: Table, number: int) -> Iterator[str]:
    """The cells of one row; a first column of text heads its row. Text takes its own reading direction."""
    row = table.rows[number]
    for place, column in enumerate(table.read_columns):
        shown = _html(shown_cell(row, column))
        if column.kind != "text":
            identity = number_id(table.name, table.row_names[number], column.key) if table.row_names else ""
            traced = f' data-id="{escape(identity)}"' if identity else ""
            yield f'<td class="num"{traced}>{shown}</td>'
        elif place == 0:
            yield f'<th scope="row" dir="auto">{shown}</th>'
        else:
            value = row[column.key]
            yield f'<td dir="auto">{sentence_html(value) if isinstance(value, str) else shown}</td>'


def _html(text: str) -> str:
    return escape(printable(text)).replace("\n", "<br>")


def sentence_html(text: str) -> str:
    """A sentence as HTML: each number in a <span> with its id; "p = .012" and "[.00, .16]" stay on one line."""
    return "".join(
        f'<span data-id="{escape(identity)}" title="{escape(identity)}">{_unbroken(_html(words))}</span>'
        if identity
        else _unbroken(_html(words))
        for words, identity in pieces(text)
    )


def _unbroken(text: str) -> str:
    return re.sub(r"(\[[^\]\s]+,) (?=[^\]\s]+\])", "\\1\u00a0", re.sub(r" (=|&lt;|&gt;) ", "\u00a0\\1\u00a0", text))


def render(table: Table, format: Format) -> str:
    """`table` in `format`; raises ArgumentError for one that is not among text, csv, json, markdown, html and latex."""
    from workbench.report.latex import to_latex

    one_of("format", format, get_args(Format))
    renderers = {
        "text": to_text,
        "csv": to_csv,
        "json": to_json,
        "markdown": to_markdown,
        "html": to_html,
        "latex": to_latex,
    }
    return renderers[format](table)
