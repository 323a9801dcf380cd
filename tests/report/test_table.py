"""Tables: number style, and the five ways to render one.

Expected texts are written by hand. Independent readers: csv, json and html.parser of the standard library,
and markdown-it-py 4.3 for Markdown. The style of p (three digits, no leading zero, "< .001") follows the APA
Publication Manual, 7th edition, section 6.36 (from memory).
"""

from __future__ import annotations

import csv
import io
import json
import math
from decimal import Decimal
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench.errors import ArgumentError
from workbench.report.table import (
    Column,
    Table,
    display_width,
    render,
    show,
    show_interval,
    show_p,
    to_csv,
    to_html,
    to_json,
    to_markdown,
    to_text,
    wrapped,
)

NAN = math.nan
NUMBER = Column("x", "x", "number")
BOUNDED = Column("x", "x", "bounded")
P = Column("p", "p", "p")
COUNT = Column("n", "n", "count")
SHARE = Column("s", "s", "share")
TEXT = Column("t", "t")

PAIRS = Table(
    "pairs",
    "Pairwise comparisons",
    (
        Column("pair", "Pair"),
        Column("n", "n", "count"),
        Column("p", "p", "p", help="Exact & two-sided"),
        Column("shift", "Shift", "number", low="shift_low", high="shift_high"),
        Column("reason", "Reason"),
    ),
    (
        {
            "pair": "slosh, still",
            "n": 24,
            "p": 0.0123,
            "shift": -1.25,
            "shift_low": -2.0,
            "shift_high": -0.5,
            "reason": "",
        },
        {
            "pair": "ladle, still",
            "n": 23,
            "p": NAN,
            "shift": None,
            "shift_low": NAN,
            "shift_high": NAN,
            "reason": "All differences are zero.",
        },
    ),
    ("Holm over the pairs.",),
)


def one_column(value: object, column: Column = TEXT) -> Table:
    return Table("t", "T", (column,), ({column.key: value},))


# ------------------------------------------------------------------------------------- number style


@pytest.mark.parametrize(
    ("value", "column", "shown"),
    [
        (0.0004, P, "< .001"),
        (0.00099999, P, "< .001"),
        (0.001, P, ".001"),
        (0.012, P, ".012"),
        (0.0495, P, ".050"),
        (0.0494999, P, ".049"),
        (1.0, P, "1.000"),
        (0.0, P, "< .001"),
        (0.5, BOUNDED, ".50"),
        (-0.5, BOUNDED, "−.50"),
        (0.996, BOUNDED, "1.00"),
        (-0.996, BOUNDED, "−1.00"),
        (-1.3, BOUNDED, "−1.30"),
        (0.0, BOUNDED, ".00"),
        (0.53, Column("x", "x", "bounded", digits=0), "1"),
        (0.4, Column("x", "x", "bounded", digits=0), "0"),
        (0.53, NUMBER, "0.53"),
        (-0.004, NUMBER, "0.00"),
        (-0.0, NUMBER, "0.00"),
        (-0.0, COUNT, "0"),
        (5, NUMBER, "5.00"),
        (1e20, NUMBER, "100000000000000000000.00"),
        (1e300, NUMBER, f"{10**300}.00"),
        (24, COUNT, "24"),
        (24.0, COUNT, "24"),
        (-3, COUNT, "−3"),
        (0.58, SHARE, "58 %"),
        (0.145, SHARE, "15 %"),
        (1.0, SHARE, "100 %"),
        (0.0, SHARE, "0 %"),
        (-0.031, SHARE, "−3 %"),
        (math.inf, NUMBER, "∞"),
        (-math.inf, NUMBER, "−∞"),
        ("still", TEXT, "still"),
        ("-5", TEXT, "-5"),
        (-5, TEXT, "−5"),
        ("not tested", P, "not tested"),
        (True, TEXT, "yes"),
        (False, COUNT, "no"),
        (np.float64(0.25), BOUNDED, ".25"),
        (np.int64(7), COUNT, "7"),
        (np.bool_(True), TEXT, "yes"),
        (np.float32("nan"), NUMBER, "–"),
    ],
)
def test_show(value, column, shown):
    assert show(value, column) == shown


@pytest.mark.parametrize("value", [None, NAN, np.nan])
@pytest.mark.parametrize("column", [TEXT, COUNT, NUMBER, BOUNDED, P, SHARE])
def test_undefined_is_an_en_dash_in_every_column(value, column):
    assert show(value, column) == "–"


@pytest.mark.parametrize(
    ("value", "shown"), [(0.125, "0.13"), (-0.125, "−0.13"), (2.675, "2.68"), (0.285, "0.29"), (1.005, "1.01")]
)
def test_halves_are_rounded_away_from_zero_as_a_reader_of_the_csv_would(value, shown):
    assert show(value, NUMBER) == shown


@given(st.floats(-1e6, 1e6, allow_nan=False), st.integers(0, 6))
@settings(max_examples=150, deadline=None)
def test_a_shown_number_is_within_half_a_unit_of_its_value(value, digits):
    shown = show(value, Column("x", "x", "number", digits=digits)).replace("−", "-")
    assert abs(Decimal(shown) - Decimal(repr(value))) <= Decimal(5).scaleb(-digits - 1)
    assert len(shown.partition(".")[2]) == digits
    assert not (shown.startswith("-") and float(shown) == 0)


@given(st.floats(-1, 1, allow_nan=False))
@settings(max_examples=100, deadline=None)
def test_a_bounded_number_differs_from_a_plain_one_by_its_leading_zero_only(value):
    assert show(value, BOUNDED) == show(value, NUMBER).replace("0.", ".", 1 if abs(value) < 0.995 else 0)


@pytest.mark.parametrize(
    ("p", "shown"),
    [(0.012, "p = .012"), (0.0009, "p < .001"), (1, "p = 1.000"), (NAN, "p not defined"), (None, "p not defined")],
)
def test_p_in_a_sentence(p, shown):
    assert show_p(p) == shown


def test_interval():
    assert show_interval(0.31, 0.7, NUMBER) == "[0.31, 0.70]"
    assert show_interval(-0.31, 1, BOUNDED) == "[−.31, 1.00]"
    assert show_interval(NAN, math.inf, NUMBER) == "[–, ∞]"


# --------------------------------------------------------------------------------------------- checks


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"a": 1}, "row 1 lacks 'a_low', 'a_high';"),
        ({"a": 1, "a_low": 0, "a_high": 2, "b": 3}, "has 'b' too;"),
        ({"a": [1], "a_low": 0, "a_high": 2}, "row 1 has list under 'a'"),
        ({"a": 1, "a_low": Decimal(1), "a_high": 2}, "row 1 has Decimal under 'a_low'"),
    ],
)
def test_rows_that_do_not_fit_the_columns_are_refused(row, message):
    with pytest.raises(ArgumentError, match=message):
        Table("t", "T", (Column("a", "A", "number", low="a_low", high="a_high"),), (row,))


def test_a_count_must_be_whole():
    with pytest.raises(ArgumentError, match=r"24\.5 under 'n'"):
        one_column(24.5, COUNT)


def test_keys_must_be_unique_with_those_of_bounds():
    with pytest.raises(ArgumentError, match="'low' more than once"):
        Table("t", "T", (Column("a", "A", low="low", high="high"), Column("low", "B")), ())


def test_other_faults_of_a_description():
    with pytest.raises(ArgumentError, match="both are needed, or neither"):
        Column("a", "A", low="b")
    with pytest.raises(ArgumentError, match="`digits` of column 'a' is -1"):
        Column("a", "A", digits=-1)
    with pytest.raises(ArgumentError, match="'text', 'count', 'number', 'bounded', 'p', 'share'"):
        Column("a", "A", kind="percent")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="names a file"):
        Table("../omnibus", "T", (TEXT,), ())
    with pytest.raises(ArgumentError, match="at least 1 column"):
        Table("t", "T", (), ())
    with pytest.raises(ArgumentError, match="'text', 'csv', 'json', 'markdown', 'html', 'latex'"):
        render(PAIRS, "rtf")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="at least 20 places"):
        to_text(PAIRS, width=10)


# ----------------------------------------------------------------------------------------------- text


def test_text_is_aligned():
    assert to_text(PAIRS) == (
        "Pairwise comparisons\n"
        "\n"
        "Pair           n     p                 Shift  Reason\n"
        "────────────  ──  ────  ────────────────────  ─────────────────────────\n"
        "slosh, still  24  .012  −1.25 [−2.00, −0.50]\n"
        "ladle, still  23     –      –                 All differences are zero.\n"
        "\n"
        "Note. Holm over the pairs.\n"
    )


def test_decimal_points_line_up():
    table = Table("t", "T", (NUMBER,), tuple({"x": value} for value in (1.5, -123.25, 10, 0.001)))
    assert len({line.index(".") for line in to_text(table).splitlines()[4:]}) == 1


def test_long_text_is_wrapped_and_nothing_is_lost():
    words = [f"word{number}" for number in range(60)]
    text = to_text(one_column(" ".join(words)), width=40)
    assert text.split()[3:] == words
    assert max(map(display_width, text.splitlines())) <= 40


@pytest.mark.parametrize("width", [20, 30, 50, 72, 200])
def test_no_line_is_wider_than_asked_for_and_no_cell_is_cut(width):
    text = to_text(PAIRS, width=width)
    assert max(map(display_width, text.splitlines())) <= width
    unwrapped = " ".join(text.split())
    for part in ("slosh, still", "24", ".012", "−1.25", "[−2.00,", "−0.50]", "zero."):
        assert part in unwrapped


def test_a_table_too_wide_becomes_a_block_per_row():
    assert to_text(PAIRS, width=40).split("\n\n")[1] == (
        "Pair    slosh, still\nn       24\np       .012\nShift   −1.25 [−2.00, −0.50]\nReason"
    )


def test_a_table_without_rows_says_so():
    assert "(no rows)" in to_text(Table("t", "T", (TEXT,), ()))


def test_wide_and_combining_characters_keep_columns_aligned():
    table = Table("t", "T", (TEXT, COUNT), ({"t": "日本", "n": 1}, {"t": "e\u0301a", "n": 2}, {"t": "abcd", "n": 3}))
    assert to_text(table).splitlines()[4:] == ["日本  1", "e\u0301a    2", "abcd  3"]


def test_text_cannot_steer_a_terminal():
    text = to_text(one_column("a\x1b[31mred\x07\u202eb\x9b"))
    assert not any(character in text for character in "\x1b\x07\u202e\x9b")
    assert "[31mred" in text


@given(st.text(max_size=60), st.integers(2, 30))
@settings(max_examples=150, deadline=None)
def test_wrapping_keeps_every_visible_character(text, width):
    lines = wrapped(text, width)
    assert all(display_width(line) <= width for line in lines)
    kept = [character for character in text if character.isalnum()]
    assert [character for line in lines for character in line if character.isalnum()] == kept


def test_a_joined_emoji_is_not_torn_apart():
    assert wrapped("👩\u200d🔬" * 3, 4) == ["👩\u200d🔬"] * 3


# ------------------------------------------------------------------------------------------ CSV, JSON


def test_csv():
    assert to_csv(PAIRS) == (
        "pair,n,p,shift,shift_low,shift_high,reason\r\n"
        '"slosh, still",24,0.0123,-1.25,-2.0,-0.5,\r\n'
        '"ladle, still",23,,,,,All differences are zero.\r\n'
    )


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", '=HYPERLINK("x")'])
def test_csv_starts_no_formula(text):
    table = Table("t", "T", (Column(text, "A"), Column("n", "n", "number")), ({text: text, "n": -1.5},))
    header, cells = csv.reader(io.StringIO(to_csv(table), newline=""))
    assert header == [f"'{text}", "n"]
    assert cells == [f"'{text}", "-1.5"]


@given(st.text(max_size=20).filter(lambda text: not text.startswith(("=", "+", "-", "@", "\t", "\r"))), st.floats())
@settings(max_examples=150, deadline=None)
def test_csv_comes_back_as_it_went_in(text, number):
    table = Table("t", "T", (TEXT, NUMBER), ({"t": text, "x": number},))
    _, (read_text, read_number) = csv.reader(io.StringIO(to_csv(table), newline=""))
    assert read_text == text
    assert math.isnan(number) if read_number == "" else float(read_number) == number


def test_csv_infinity_and_bools_use_the_words_of_the_table_schema():
    table = Table("t", "T", (NUMBER, TEXT), ({"x": math.inf, "t": True}, {"x": -math.inf, "t": False}))
    assert to_csv(table).splitlines()[1:] == ["INF,true", "-INF,false"]


def test_json():
    content = json.loads(to_json(PAIRS))
    assert list(content) == ["name", "title", "columns", "rows", "notes"]
    assert [column["key"] for column in content["columns"]] == [
        "pair",
        "n",
        "p",
        "shift",
        "shift_low",
        "shift_high",
        "reason",
    ]
    assert content["columns"][3:5] == [{"key": "shift", "label": "Shift"}, {"key": "shift_low", "label": "Shift, low"}]
    assert content["rows"][0]["p"] == 0.0123
    assert content["rows"][1] == {
        "pair": "ladle, still", "n": 23, "p": None, "shift": None, "shift_low": None, "shift_high": None,
        "reason": "All differences are zero.",
    }  # fmt: skip
    assert content["notes"] == ["Holm over the pairs."]


def test_json_is_unrounded_and_readable():
    text = to_json(
        Table("t", "Größe", (NUMBER,), ({"x": 1 / 3}, {"x": -math.inf}, {"x": np.float64(0.1)}, {"x": True}))
    )
    assert "Größe" in text
    assert [row["x"] for row in json.loads(text)["rows"]] == [1 / 3, None, 0.1, True]


# -------------------------------------------------------------------------------------- Markdown, HTML


def test_markdown():
    assert to_markdown(PAIRS) == (
        "**Pairwise comparisons**\n"
        "\n"
        "| Pair | n | p | Shift | Reason |\n"
        "| --- | ---: | ---: | ---: | --- |\n"
        "| slosh, still | 24 | .012 | −1.25 \\[−2.00, −0.50\\] |  |\n"
        "| ladle, still | 23 | – | – | All differences are zero. |\n"
        "\n"
        "*Note.* Holm over the pairs.\n"
    )


class _Reader(HTMLParser):
    """The visible text of a caption and each cell, and every tag."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.cells: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._inside = False
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in ("td", "th", "caption"):
            self.cells.append("")
            self._inside = True
        if tag == "br" and self._inside:
            self.cells[-1] += "\n"

    def handle_endtag(self, tag):
        self._inside = self._inside and tag not in ("td", "th", "caption")

    def handle_data(self, data):
        if self._inside:
            self.cells[-1] += data


MARKUP = [
    "a | b", "a \\| b", "\\", "`code`", "**bold** _it_ ~~gone~~", "<script>alert(1)</script>", "[x](http://a.b)", "![x](y)",
    "&amp; &", "two\nlines", "$x$", "</td></table>", "# no heading", "\"quoted\" 'single'", "a\\", "| |",
]  # fmt: skip


@pytest.mark.parametrize("text", MARKUP)
def test_markdown_shows_markup_as_itself(text):
    markdown_it = pytest.importorskip("markdown_it")
    parser = markdown_it.MarkdownIt("commonmark").enable(["table", "strikethrough"])
    reader = _Reader(parser.render(to_markdown(Table("t", text, (TEXT, COUNT), ({"t": text, "n": 7},), (text,)))))
    assert reader.cells == ["t", "n", text, "7"]
    assert {tag for tag, _ in reader.tags} <= {"p", "strong", "em", "table", "thead", "tbody", "tr", "th", "td", "br"}


@pytest.mark.parametrize("text", MARKUP)
def test_html_shows_markup_as_itself(text):
    column = Column("n", "n", "count", help=text)
    reader = _Reader(to_html(Table("t", text, (TEXT, column), ({"t": text, "n": 7},), (text,))))
    assert reader.cells == [text, "t", "n", text, "7"]
    assert {tag for tag, _ in reader.tags} <= {"table", "caption", "thead", "tbody", "tr", "th", "td", "br", "p"}


def test_html_has_caption_scopes_numbers_and_notes():
    html = to_html(PAIRS)
    reader = _Reader(html)
    heads = [attributes for tag, attributes in reader.tags if tag == "th"]
    assert [head["scope"] for head in heads] == ["col"] * 5 + ["row"] * 2
    assert heads[2]["title"] == "Exact & two-sided"
    assert sum(attributes.get("class") == "num" for _, attributes in reader.tags) == 9
    assert "<caption>Pairwise comparisons</caption>" in html
    assert html.endswith('</table>\n<p class="note">Holm over the pairs.</p>\n')
    assert ">−1.25 [−2.00, −0.50]</td>" in html


@pytest.mark.parametrize("format", ["text", "csv", "json", "markdown", "html"])
def test_render_is_the_same_each_time(format):
    rows = tuple(dict(reversed(row.items())) for row in PAIRS.rows)
    again = Table(PAIRS.name, PAIRS.title, PAIRS.columns, rows, PAIRS.notes)
    assert render(PAIRS, format) == render(again, format)
