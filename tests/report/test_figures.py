"""Figures: what they show, read back from the SVG, and that they are safe, accessible and the same each time.

Places are checked against the figure's own tick labels or against hand-worked counts, never against the
functions that placed them. Medians and quartiles are those of Python's `statistics` module.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import statistics
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from contextlib import nullcontext
from math import inf, nan
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from workbench.errors import ArgumentError
from workbench.report.figures import (
    ConditionShown,
    Figure,
    count_grid,
    diverging_bars,
    flow,
    intervals,
    paired_points,
    side_by_side,
    stacked_ranks,
    two_columns,
)
from workbench.report.figures import base as figures
from workbench.report.figures.pdf import in_order

SVG = "{http://www.w3.org/2000/svg}"
CONDITIONS = [("still", "Still"), ("slosh", "Slosh"), ("ladle", "Ladle")]
AWKWARD = [
    "<script>alert('x')</script> & <b>bold</b>",
    "שלום עולם, נוסח שני",
    "👩\u200d🔬 laboratory 🧪",
    "word " * 40,
    "x" * 200,
    "bell\x07 and escape\x1b[31m and \u202eoverride",
    "]]> & \" ' </text></svg>",
    "",
]


def scores(**columns: list[float]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"participant": f"A{place:02d}", "condition": condition, "value": value}
            for condition, values in columns.items()
            for place, value in enumerate(values, start=1)
        ]
    )


SCORES = scores(still=[2, 3, 3, 4, nan, 6], slosh=[5, 5, 5, 6, 7, 6], ladle=[3.5, 4, 4.5, nan, 4, 2])
RANKS = {"still": [4, 3, 16], "slosh": [12, 7, 4], "ladle": [7, 13, 3]}
ROWS = [
    ("Slosh – still", "Realism", 1.25, 0.75, 1.67),
    ("Slosh – still", "Effort", nan, nan, nan),
    ("Ladle – still", "Realism", -0.5, -1.0, 0.08),
    ("Ladle – still", "Effort", 0.25, None, None),
]
CELLS = {("a", "still"): (3, 14), ("a", "slosh"): (14, 14), ("b", "still"): (0, 14), ("b", "slosh"): (5, 14)}


JOINT = [
    ("still", [2.0, 3.0, 3.0, 4.0, 6.0, 6.0], 3.5, 2.0, 6.0, [(1, 0, 9), (0, 11, 0)]),
    ("slosh", [5.0, 5.0, 5.0, 6.0, 7.0], 5.0, nan, nan, [(4, 1, 9), (0, 4, 0)]),
    ("ladle", [], nan, nan, nan, [(0, 0, 0), (14, 0, 0)]),
]


def joint(label: str = "", conditions: int = 3, codes: int = 2, interviewed: int = 14) -> Figure:
    rows = [
        ConditionShown(label or name, values, median, low, high, interviewed, (counts * codes)[:codes])
        for name, values, median, low, high, counts in (JOINT * 2)[:conditions]
    ]
    names = [(f"C{number}", label or f"Code {number}") for number in range(codes)]
    title, axis = label or "Title", label or "Realism (1 to 7)"
    remarks = [label or "Not mentioning something is not disagreeing with it."]
    return side_by_side("joint", title, rows, codes=names, axis=axis, low=1, high=7, remarks=remarks)


def drawn(label: str = "") -> dict[str, Figure]:
    """One figure of each sort; `label` stands in every place that takes text."""
    conditions = [(identity, label or name) for identity, name in CONDITIONS]
    title, axis = label or "Title", label or "Realism (1 to 7)"
    rows = [(label or name, label or group, *numbers) for name, group, *numbers in ROWS]
    return {
        "points": paired_points("points", title, SCORES, conditions=conditions, axis=axis, low=1, high=7),
        "intervals": intervals("intervals", title, rows, axis=axis, reference=0),
        "ranks": stacked_ranks("ranks", title, RANKS, conditions=conditions),
        "flow": flow(
            "flow", title, [(label or "Planned", nan, ()), ("Took part", 23, (axis, "1 left")), ("Analysed", 21, ())]
        ),
        "grid": count_grid(
            "grid", title, CELLS, rows=[("a", label or "A"), ("b", label or "B")], columns=conditions[:2]
        ),
        "bars": diverging_bars(
            "bars",
            title,
            {label or "Still": [1, 2, 4, 3, 2], "Slosh": [0, 1, 2, 3, 6]},
            points=range(1, 6),
            anchors=(axis, axis),
        ),
        "joint": joint(label),
    }


@pytest.fixture(scope="module")
def plain() -> dict[str, Figure]:
    return drawn()


def texts(figure: Figure) -> list[str]:
    return ["".join(element.itertext()) for element in ElementTree.fromstring(figure.svg).iter(f"{SVG}text")]


def place(element: ElementTree.Element) -> tuple[float, float]:
    x, y = re.fullmatch(r"translate\(([-\d.]+),([-\d.]+)\)", element.get("transform", "translate(0,0)")).groups()
    return float(x), float(y)


def on_axis(figure: Figure, first: str, last: str):
    """From a place across the figure to a value, by the tick labels `first` and `last`."""
    places = {element.text: place(element)[0] for element in ElementTree.fromstring(figure.svg).iter(f"{SVG}text")}
    low, high = (float(label.replace("−", "-")) for label in (first, last))
    return lambda x: low + (x - places[first]) / (places[last] - places[first]) * (high - low)


def marks(figure: Figure, tag: str, **attributes: str) -> list[ElementTree.Element]:
    names = {name.replace("_", "-"): value for name, value in attributes.items()}
    found = ElementTree.fromstring(figure.svg).iter(f"{SVG}{tag}")
    return [element for element in found if all(element.get(name) == value for name, value in names.items())]


def boxes(figure: Figure) -> list[tuple[float, float, float, float, str]]:
    """(x, y, width, height, fill) of each rectangle."""
    shapes = (
        (re.fullmatch(r"M([-\d.]+),([-\d.]+)h([\d.]+)v([\d.]+)h-[\d.]+Z", element.get("d", "")), element.get("fill"))
        for element in marks(figure, "path")
    )
    return [(*map(float, shape.groups()), fill) for shape, fill in shapes if shape and fill]


# --------------------------------------------------------------------------------- true of each figure


@pytest.mark.parametrize("sort", ["points", "intervals", "ranks", "grid", "bars", "joint"])
def test_each_figure_is_one_described_image(plain, sort):
    figure = plain[sort]
    root = ElementTree.fromstring(figure.svg)
    assert root.get("role") == "img"
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    title, description = root[0], root[1]
    assert (title.text, description.text) == ("Title", figure.alternative)
    assert (root.get("aria-labelledby"), root.get("aria-describedby")) == (title.get("id"), description.get("id"))
    assert {element.get("id") for element in root.iter() if element.get("id")} == {f"{sort}-title", f"{sort}-desc"}
    assert root.get("width") == "321"
    assert figure.name == sort


@pytest.mark.parametrize("sort", ["points", "intervals", "ranks", "grid", "bars", "joint"])
def test_a_figure_needs_nothing_from_elsewhere(plain, sort):
    without_namespaces = re.sub(r'xmlns(:\w+)?="[^"]*"', "", plain[sort].svg)
    assert not re.search(r"https?:|href|url\(|<image|<style|<script|@font-face", without_namespaces)


def test_figures_are_the_same_in_another_process_and_load_nothing_before_they_are_drawn(plain):
    code = (
        "import sys, json, hashlib\n"
        "import workbench.report.figures\n"
        "assert not {'altair', 'vl_convert', 'pandas'} & set(sys.modules), 'loaded too early'\n"
        "sys.path.insert(0, sys.argv[1])\n"
        "import test_figures\n"
        "print(json.dumps({k: hashlib.sha256(f.svg.encode()).hexdigest() for k, f in test_figures.drawn().items()}))\n"
    )
    folder = str(Path(__file__).parent)
    run = subprocess.run(
        [sys.executable, "-c", code, folder],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7"},
    )
    assert json.loads(run.stdout) == {
        sort: hashlib.sha256(figure.svg.encode()).hexdigest() for sort, figure in plain.items()
    }


def test_no_place_depends_on_a_font(plain, monkeypatch):
    monkeypatch.setattr(figures, "FONT", "monospace")
    for sort, figure in drawn().items():
        assert figure.svg == plain[sort].svg.replace("Helvetica, Arial, sans-serif", "monospace"), sort


@pytest.mark.parametrize("label", AWKWARD)
def test_awkward_labels_stay_text_and_whole_in_the_alternative(label):
    whole = " ".join(re.sub("[\x07\x1b]", " ", label).replace("\u202e", "").split())
    for sort, figure in drawn(label or " ").items():
        root = ElementTree.fromstring(figure.svg)
        assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
            "svg",
            "title",
            "desc",
            "rect",
            "g",
            "path",
            "text",
            "line",
        }
        assert whole in figure.alternative.replace("\u2068", "").replace("\u2069", ""), sort
        assert max(map(len, texts(figure))) <= 70, sort


@pytest.mark.parametrize("sort", ["points", "intervals", "ranks", "grid", "bars", "joint"])
def test_text_contrasts_with_its_ground(plain, sort):
    """At least 4.5 to 1, by the formula of WCAG 2.2 (relative luminance), worked out here again."""

    def luminance(color):
        linear = [
            part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
            for part in (int(color[at : at + 2], 16) / 255 for at in (1, 3, 5))
        ]
        return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))

    for element in marks(plain[sort], "text"):
        x, y = place(element)
        grounds = [
            fill
            for left, top, width, height, fill in boxes(plain[sort])
            if left < x < left + width and top < y < top + height
        ]
        light, dark = sorted((luminance(element.get("fill")), luminance((grounds or ["#FFFFFF"])[-1])), reverse=True)
        assert (light + 0.05) / (dark + 0.05) >= 4.5, element.text


def test_a_name_that_could_not_be_a_file_is_refused():
    with pytest.raises(ArgumentError, match="names a file"):
        stacked_ranks('a"/>', "T", RANKS, conditions=CONDITIONS)


# -------------------------------------------------------------------------------------- paired points


def test_points_stand_at_their_values(plain):
    value = on_axis(plain["points"], "1", "7")
    dots = sorted(value(place(dot)[0]) for dot in marks(plain["points"], "path", fill=figures.BLUE))
    assert dots == pytest.approx(sorted(SCORES["value"].dropna()), abs=0.01)


def test_points_at_one_value_do_not_cover_each_other(plain):
    places = [place(dot) for dot in marks(plain["points"], "path", fill=figures.BLUE)]
    assert len(set(places)) == len(places) == 16
    distances = [np.hypot(a[0] - b[0], a[1] - b[1]) for number, a in enumerate(places) for b in places[:number]]
    assert min(distances) > 4


def test_medians_and_quartiles_are_drawn(plain):
    value = on_axis(plain["points"], "1", "7")
    bars = marks(plain["points"], "line", stroke=figures.INK, stroke_width="4")
    ticks = marks(plain["points"], "line", stroke=figures.INK, stroke_width="2.5")
    for (condition, _), bar, tick in zip(CONDITIONS, bars, ticks, strict=True):
        known = SCORES.loc[SCORES["condition"] == condition, "value"].dropna().tolist()
        first, median, third = statistics.quantiles(known, n=4, method="inclusive")
        left = place(bar)[0]
        assert [value(left), value(left + float(bar.get("x2")))] == pytest.approx([first, third], abs=0.01)
        assert value(place(tick)[0]) == pytest.approx(median, abs=0.01)


def test_a_line_joins_neighboring_conditions_only(plain):
    """Six participants over three conditions make twelve steps; A05 lacks the first and A04 the last."""
    assert len(marks(plain["points"], "line", stroke_width="0.6")) == 10


def test_missing_values_are_told(plain):
    assert (
        "Still: median 3.00, quartiles 3.00 and 4.00, from 2.00 to 6.00 (n = 5, 1 missing)"
        in plain["points"].alternative
    )
    assert "Mdn 3.00, n = 5" in texts(plain["points"])


def test_a_condition_without_values_is_listed():
    figure = paired_points(
        "p", "T", scores(still=[1.0, 2.0], slosh=[nan, nan]), conditions=CONDITIONS[:2], axis="Score"
    )
    assert "no values" in texts(figure)
    assert "Slosh: not defined (n = 0, 2 missing)" in figure.alternative


def test_one_participant_and_equal_values_can_be_drawn():
    figure = paired_points("p", "T", scores(still=[4.0], slosh=[4.0]), conditions=CONDITIONS[:2], axis="Score")
    assert len(marks(figure, "path", fill=figures.BLUE)) == 2
    assert "median 4.00, quartiles 4.00 and 4.00" in figure.alternative


def test_no_values_at_all_can_be_drawn():
    figure = paired_points("p", "T", scores(still=[nan]), conditions=CONDITIONS[:1], axis="Score")
    assert not marks(figure, "path", fill=figures.BLUE)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (SCORES.drop(columns="value"), "lacks 'value'"),
        (pd.concat([SCORES, SCORES.head(1)]), "more than once"),
        (SCORES.replace("slosh", "coach"), "'coach'"),
        (SCORES.replace(7, 8), r"8\.0, outside"),
        (SCORES.replace(7, inf), "infinite"),
    ],
)
def test_values_that_do_not_fit_are_refused(values, message):
    with pytest.raises(ArgumentError, match=message):
        paired_points("p", "T", values, conditions=CONDITIONS, axis="Score", low=1, high=7)


# ------------------------------------------------------------------------------------------ intervals


def test_intervals_stand_at_their_values(plain):
    value = on_axis(plain["intervals"], "−1", "2")
    dots = [value(place(dot)[0]) for dot in marks(plain["intervals"], "path", fill=figures.BLUE)]
    assert dots == pytest.approx([1.25, -0.5], abs=0.01)
    bars = marks(plain["intervals"], "line", stroke_width="1.6")
    ends = [(value(place(bar)[0]), value(place(bar)[0] + float(bar.get("x2")))) for bar in bars]
    assert ends == [pytest.approx((0.75, 1.67), abs=0.01), pytest.approx((-1.0, 0.08), abs=0.01)]
    (line,) = marks(plain["intervals"], "line", stroke_dasharray="4,3")
    assert value(place(line)[0]) == pytest.approx(0, abs=0.01)


def test_groups_stand_together_and_undefined_values_are_listed(plain):
    shown = texts(plain["intervals"])
    assert shown.count("Realism") == shown.count("Effort") == 1
    assert shown.count("not defined") == 1
    assert "0.25 (no interval)" in shown
    (hollow,) = marks(plain["intervals"], "path", fill=figures.WHITE, stroke=figures.BLUE)
    assert on_axis(plain["intervals"], "−1", "2")(place(hollow)[0]) == pytest.approx(0.25, abs=0.01)
    told = ["Realism, Slosh – still: 1.25 [0.75, 1.67]", "Realism, Ladle – still: −0.50 [−1.00, 0.08]"]
    told += ["Effort, Slosh – still: not defined", "Effort, Ladle – still: 0.25 (no interval)"]
    assert ". ".join(told) in plain["intervals"].alternative


def test_an_interval_past_the_end_is_cut_with_an_arrow_head():
    rows = [("Alpha", "", 0.2, -0.6, 0.5), ("Omega", "", 0.8, 0.6, inf)]
    figure = intervals("i", "T", rows, axis="Alpha", low=0, high=1, kind="bounded", reference=0.7)
    value = on_axis(figure, "0", "1.0")
    bars = [
        (value(place(bar)[0]), value(place(bar)[0] + float(bar.get("x2"))))
        for bar in marks(figure, "line", stroke_width="1.6")
    ]
    assert bars == [pytest.approx((0, 0.5), abs=0.01), pytest.approx((0.6, 1), abs=0.01)]
    assert [value(place(arrow)[0]) for arrow in marks(figure, "path", fill=figures.INK)] == pytest.approx(
        [0, 1], abs=0.01
    )
    assert ".20 [−.60, .50]" in texts(figure)
    assert ".70" in texts(figure), "the reference is not on a tick, so its value is written"


def test_a_value_past_a_given_end_moves_the_end():
    figure = intervals("i", "T", [("Alpha", "", -0.4, nan, nan)], axis="Alpha", low=0, high=1)
    (dot,) = marks(figure, "path", fill=figures.WHITE, stroke=figures.BLUE)
    assert on_axis(figure, "0", "1.0")(place(dot)[0]) == pytest.approx(-0.4, abs=0.01)


def test_only_undefined_values_can_be_drawn():
    assert "not defined" in texts(intervals("i", "T", [("Alpha", "", None, None, None)], axis="Alpha"))


def test_rows_that_cannot_be_drawn_are_refused():
    with pytest.raises(ArgumentError, match="at least 1 row"):
        intervals("i", "T", [], axis="x")
    with pytest.raises(ArgumentError, match="must not lie above"):
        intervals("i", "T", [("Alpha", "", 0.5, 0.7, 0.3)], axis="x")


# --------------------------------------------------------------------------------------- bars and grid


def bar_rows(figure: Figure) -> list[list[tuple[float, float, str]]]:
    """(x, width, fill) of the segments of each bar, bars from top to bottom."""
    segments = [box for box in boxes(figure) if box[3] == figures.BAR]
    tops = sorted({y for _, y, *_ in segments})
    return [sorted((x, width, fill) for x, y, width, _, fill in segments if y == top) for top in tops]


def test_segments_are_as_long_as_their_counts_and_numbered(plain):
    rows = bar_rows(plain["ranks"])
    per_participant = rows[0][0][1] / 4
    for row, counts in zip(rows, RANKS.values(), strict=True):
        assert [width / per_participant for _, width, _ in row] == pytest.approx(counts, abs=0.01)
    shown = texts(plain["ranks"])
    for count in (4, 3, 16, 12, 7, 13):
        assert str(count) in shown
    assert shown.count("n = 23") == 3
    assert "Still: 1st by 4, 2nd by 3, 3rd by 16 (n = 23)" in plain["ranks"].alternative


def test_rank_tints_get_lighter_in_grey(plain):
    fills = [fill for _, _, fill in bar_rows(plain["ranks"])[0]]
    greys = [sum(int(fill[at : at + 2], 16) for at in (1, 3, 5)) for fill in fills]
    assert greys == sorted(set(greys))


def test_a_rank_that_nobody_gave_has_no_segment_but_is_told():
    figure = stacked_ranks("r", "T", {"still": [0, 12, 3]}, conditions=CONDITIONS[:1])
    assert len(bar_rows(figure)[0]) == 2
    assert "1st by 0, 2nd by 12, 3rd by 3 (n = 15)" in figure.alternative


def test_many_ranks_have_the_right_ordinals():
    figure = stacked_ranks("r", "T", {"still": [1] * 23}, conditions=CONDITIONS[:1])
    assert {"1st", "2nd", "3rd", "4th", "11th", "12th", "13th", "21st", "22nd", "23rd"} <= set(texts(figure))


def test_answers_diverge_about_the_middle(plain):
    """Of 1 2 4 3 2 answers 1 + 2 + 4/2 = 5 lie left of the middle; of 0 1 2 3 6 answers 0 + 1 + 2/2 = 2."""
    marked = {place(line)[0] for line in marks(plain["bars"], "line", stroke_width="1.5")}
    assert len(marked) == 1
    middle = marked.pop()
    still, slosh = bar_rows(plain["bars"])
    per_answer = still[0][1]
    assert [(middle - still[0][0]) / per_answer, (middle - slosh[0][0]) / per_answer] == pytest.approx([5, 2], abs=0.03)
    assert [width / per_answer for _, width, _ in slosh] == pytest.approx([1, 2, 3, 6], abs=0.01)
    assert (
        "Still: 1 answered 1, 2 answered 2, 4 answered 3, 3 answered 4, 2 answered 5 (n = 12)"
        in plain["bars"].alternative
    )
    assert "answers of 3 stand half on each side" in " ".join(texts(plain["bars"]))


def test_an_even_scale_has_its_middle_between_two_points():
    figure = diverging_bars("d", "T", {"Still": [2, 4, 6, 5]}, points=[1, 2, 3, 4], anchors=("never", "always"))
    middle = place(marks(figure, "line", stroke_width="1.5")[0])[0]
    third = bar_rows(figure)[0][2]
    assert third[0] == pytest.approx(middle, abs=0.02)
    assert "between 2 and 3" in " ".join(texts(figure))


def test_a_row_without_answers_can_be_drawn():
    figure = diverging_bars("d", "T", {"Still": [0, 0, 0]}, points=[-1, 0, 1], anchors=("low", "high"))
    assert {"−1", "n = 0"} <= set(texts(figure))


def test_counts_of_numpy_can_be_drawn(plain):
    figure = stacked_ranks("ranks", "Title", {key: np.array(row) for key, row in RANKS.items()}, conditions=CONDITIONS)
    assert figure == plain["ranks"]


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        ({}, "empty"),
        ({"still": [1, 2], "coach": [1, 2]}, "it must be for 'still', 'slosh'"),
        ({"still": [1, 2], "slosh": [1]}, "has 1 numbers for 'slosh'; 2 are needed"),
        ({"still": [], "slosh": []}, "at least 1 are needed"),
        ({"still": [1, 2], "slosh": [1, -2]}, "whole numbers from 0 on"),
        ({"still": [1, 2], "slosh": [1, 2.5]}, "whole numbers from 0 on"),
        ({"still": [1, 2], "slosh": [1, nan]}, "whole numbers from 0 on"),
    ],
)
def test_counts_that_are_none_are_refused(counts, message):
    with pytest.raises(ArgumentError, match=message):
        stacked_ranks("r", "T", counts, conditions=CONDITIONS[:2])


def test_points_and_counts_must_match():
    with pytest.raises(ArgumentError, match="3 numbers for 'Still'; 5 are needed"):
        diverging_bars("d", "T", {"Still": [1, 2, 3]}, points=range(1, 6), anchors=("low", "high"))
    with pytest.raises(ArgumentError, match="at least 2"):
        diverging_bars("d", "T", {"Still": [1]}, points=[1], anchors=("low", "high"))


def test_each_cell_has_its_number_and_a_tint_by_share(plain):
    cells = {(x, y): fill for x, y, _, height, fill in boxes(plain["grid"]) if height >= 22 and fill.startswith("#")}
    fills = [cells[key] for key in sorted(cells, key=lambda key: (key[1], key[0]))]
    darkness = [765 - sum(int(fill[at : at + 2], 16) for at in (1, 3, 5)) for fill in fills]
    shares = [3 / 14, 1, 0, 5 / 14]
    assert [dark / max(darkness) for dark in darkness] == pytest.approx(shares, abs=0.01)
    assert [text for text in texts(plain["grid"]) if text.isdigit()] == ["3", "14", "0", "5"]
    assert "Each cell is a count out of 14." in texts(plain["grid"])
    assert "A: Still 3 of 14, Slosh 14 of 14. B: Still 0 of 14, Slosh 5 of 14." in plain["grid"].alternative


def test_differing_totals_stand_in_the_cells_or_the_headings():
    counts = {**CELLS, ("a", "still"): (3, 13), ("b", "still"): (0, 0)}
    figure = count_grid("g", "T", counts, rows=[("a", "A"), ("b", "B")], columns=CONDITIONS[:2])
    assert {"3/13", "–", "14", "5", "n = 14"} <= set(texts(figure))
    assert "B: Still not defined (0 of 0), Slosh 5 of 14" in figure.alternative


def test_column_labels_that_do_not_fit_become_letters_with_a_key():
    columns = [("still", "Extraordinarily unwieldy version of the kitchen"), ("slosh", "Slosh")]
    counts = {(row, column): (1, 2) for row in "ab" for column in ("still", "slosh", "c", "d", "e")}
    columns += [("c", "C"), ("d", "D"), ("e", "E")]
    figure = count_grid("g", "T", counts, rows=[("a", "One"), ("b", "Two")], columns=columns)
    assert {"A", "B", "A = Extraordinarily unwieldy version of the kitchen", "B = Slosh"} <= set(texts(figure))


@pytest.mark.parametrize(
    ("counts", "message"),
    [
        ({key: CELLS[key] for key in list(CELLS)[1:]}, "lacks"),
        ({**CELLS, ("c", "still"): (1, 2)}, "has .* too"),
        ({**CELLS, ("a", "still"): (15, 14)}, "15 of 14"),
        ({**CELLS, ("a", "still"): (nan, 14)}, "nan of 14"),
    ],
)
def test_cells_that_do_not_fit_are_refused(counts, message):
    with pytest.raises(ArgumentError, match=message):
        count_grid("g", "T", counts, rows=[("a", "A"), ("b", "B")], columns=CONDITIONS[:2])


def test_more_columns_than_fit_are_refused():
    columns = [(f"c{number}", "C") for number in range(40)]
    with pytest.raises(ArgumentError, match="40 columns; at most"):
        count_grid("g", "T", {("a", column): (10, 20) for column, _ in columns}, rows=[("a", "A")], columns=columns)


def test_ids_are_needed_once():
    with pytest.raises(ArgumentError, match="'still' more than once"):
        stacked_ranks("r", "T", RANKS, conditions=[("still", "A"), ("still", "B")])
    with pytest.raises(ArgumentError, match="`columns` is empty"):
        count_grid("g", "T", {}, rows=[("a", "A")], columns=[])


def test_a_flow_says_each_step_and_what_stands_beside_it():
    figure = flow("f", "T", [("Planned", nan, ()), ("Took part", 23, ("1 withdrew",)), ("Analysed", 21, ())])
    assert figure.alternative == "T. Planned –. Took part 23 (1 withdrew). Analysed 21."
    assert texts(figure) == ["Planned: –", "Took part: 23", "Analysed: 21", "1 withdrew"]


def test_a_flow_needs_a_step():
    with pytest.raises(ArgumentError, match="`steps` is empty"):
        flow("f", "T", [])


# ------------------------------------------------------------------------------------------ both strands


def test_scores_stand_at_their_values_with_median_and_interval(plain):
    figure = plain["joint"]
    value = on_axis(figure, "2", "6")
    faint = [dot for dot in marks(figure, "path") if dot.get("fill") not in (None, figures.BLUE, figures.WHITE, "none")]
    dots = [place(dot) for dot in faint if "A" in dot.get("d", "") and dot.get("fill") not in (figures.NEUTRAL,)]
    assert sorted(value(x) for x, _ in dots) == pytest.approx(sorted(JOINT[0][1] + JOINT[1][1]), abs=0.01)
    assert len(set(dots)) == len(dots), "dots of one value stand one above the other"
    (span,) = marks(figure, "line", stroke=figures.INK, stroke_width="2.2")
    assert [value(place(span)[0]), value(place(span)[0] + float(span.get("x2")))] == pytest.approx([2, 6], abs=0.01)
    medians = marks(figure, "line", stroke=figures.INK, stroke_width="2.5")
    assert [value(place(one)[0]) for one in medians] == pytest.approx([3.5, 5], abs=0.01)
    assert {"no scores", "Mdn 5.00, n = 5", "14 interviewed"} <= set(texts(figure))


def test_bars_are_as_long_as_their_shares_in_fills_of_their_own(plain):
    figure = plain["joint"]
    bars = [box for box in boxes(figure) if box[3] == 8]
    tracks = [box for box in bars if box[2] == pytest.approx(56)]
    assert len(tracks) == 6, "a track of all those interviewed for each condition and code"
    filled = [box for box in bars if box[0] > 200 and box[2] < 55 and box[0] < 260]
    lengths = {}
    for _, _, width, _, fill in filled:
        lengths.setdefault(fill, []).append(round((width + 1.4) / 56 * 14))
    assert {fill: sorted(found) for fill, found in lengths.items()} == {
        figures.BLUE: [1, 4, 14],
        figures.WHITE: [1, 4, 11],
        figures.NEUTRAL: [9, 9],
    }
    outlines = {one.get("stroke") for one in marks(figure, "path", stroke_width="1.4")}
    assert outlines == {figures.BLUE, figures.VERMILLION, figures.GREY}
    told = (
        "still: median 3.50 [2.00, 6.00] (n = 6); of 14 interviewed: Code 0 10 (1 for, 0 against, 9 neither), Code 1 11"
    )
    assert told in figure.alternative
    assert "ladle: no scores (n = 0); of 14 interviewed: Code 0 0, Code 1 14 (14 for" in figure.alternative
    assert "slosh: median 5.00 (no interval) (n = 5)" in figure.alternative
    numbers = [text for text in texts(figure) if text.isdigit()]
    assert numbers.count("11") == numbers.count("14") == 1


def test_codes_are_named_beside_their_bars_where_they_fit():
    narrow = texts(joint())
    assert {"a = Code 0", "b = Code 1"} <= set(narrow)
    assert narrow.count("a") == 3
    with two_columns():
        assert texts(joint()).count("Code 0") == 3
        assert "a = " + "word " * 14 not in texts(joint("word " * 40))
        assert texts(joint("word " * 40)).count("a") == 3


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize("label", ["", "word " * 40, "x" * 200, "שלום עולם " * 20])
@pytest.mark.parametrize(("conditions", "codes", "interviewed"), [(4, 1, 14), (6, 5, 40), (6, 2, 140)])
def test_labels_of_both_strands_do_not_touch(wide, label, conditions, codes, interviewed):
    with two_columns() if wide else nullcontext():
        figure = joint(label, conditions, codes, interviewed)
    places = []
    for element in marks(figure, "text"):
        x, y = place(element)
        text = "".join(element.itertext())
        size = float(element.get("font-size").removesuffix("px"))
        width = len(text) * 0.5 * size
        left = x - {"start": 0, "middle": width / 2, "end": width}[element.get("text-anchor")]
        assert left >= -1, text
        assert left + width <= (655 if wide else 315) + 1, text
        places.append((left, left + width, y - 0.45 * size, y + 0.45 * size, text))
    for number, (left, right, top, bottom, text) in enumerate(places):
        for other_left, other_right, other_top, other_bottom, other in places[:number]:
            apart = right <= other_left or other_right <= left or bottom <= other_top or other_bottom <= top
            assert apart, (text, other)


def test_many_equal_scores_stay_in_their_row():
    rows = [ConditionShown("Still", [7.0] * 40, 7.0, 7.0, 7.0, 3, [(1, 1, 1)])]
    figure = side_by_side("j", "T", rows, codes=[("C", "C")], axis="Score", low=1, high=7)
    ys = [place(dot)[1] for dot in marks(figure, "path") if "A" in dot.get("d", "")]
    assert len(set(ys)) == 40
    assert max(ys) - min(ys) < 35


def test_rows_of_both_strands_that_do_not_fit_are_refused():
    shown = ConditionShown("Still", [4.0], 4.0, nan, nan, 3, [(1, 1, 1)])
    for rows, codes, message in (
        ([], [("C", "C")], "at least 1 row"),
        ([shown], [], "`codes` is empty"),
        ([shown], [("C", "C"), ("D", "D")], "1 counts for 'Still'; 2 are needed"),
        ([ConditionShown("Still", [4.0], 4.0, nan, nan, 2, [(1, 1, 1)])], [("C", "C")], "together at most 2"),
        ([ConditionShown("Still", [4.0], 4.0, nan, nan, 3, [(1, -1, 1)])], [("C", "C")], "whole numbers from 0"),
        ([ConditionShown("Still", [8.0], 8.0, nan, nan, 3, [(1, 1, 1)])], [("C", "C")], "from 1 to 7 are needed"),
        ([ConditionShown("Still", [nan], 4.0, nan, nan, 3, [(1, 1, 1)])], [("C", "C")], "finite numbers"),
    ):
        with pytest.raises(ArgumentError, match=message):
            side_by_side("j", "T", rows, codes=codes, axis="Score", low=1, high=7)


def test_ticks_whose_labels_would_touch_are_not_labelled():
    rows = [ConditionShown("Still", [1000.5, 1400.25], 1200.0, nan, nan, 0, [(0, 0, 0)])]
    shown = texts(side_by_side("j", "T", rows, codes=[("C", "C")], axis="Milliseconds"))
    assert [text for text in shown if re.fullmatch(r"1\d00", text)] in (["1000", "1200", "1400"], ["1000", "1300"])


# --------------------------------------------------------------------------------- on a dark screen, in a PDF


def brightness(color: str) -> float:
    """Relative luminance by the formula of WCAG 2.2, worked out here again."""
    parts = [int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return sum(weight * part for weight, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one: str, other: str) -> float:
    light, dark = sorted((brightness(one), brightness(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_colours_on_a_dark_screen_contrast_with_the_ground():
    dark = figures.SCHEMES["screen dark"]
    ground = dark[figures.WHITE]
    assert brightness(ground) < 0.02
    for color in (figures.BLUE, figures.VERMILLION, figures.NEUTRAL, figures.LINE_GREY):
        assert contrast(dark.get(color, color), ground) >= 3, color
    for color in (figures.INK, figures.GREY):
        assert contrast(dark[color], ground) >= 4.5


@pytest.mark.parametrize("sort", ["points", "intervals", "ranks", "grid", "bars", "joint", "flow"])
def test_a_dark_figure_shows_the_same_in_colours_that_can_be_read(plain, sort):
    paper, dark = plain[sort], plain[sort].in_scheme("screen dark")
    ground = figures.SCHEMES["screen dark"][figures.WHITE]
    assert dark.in_scheme("paper") == paper
    assert (texts(dark), dark.alternative, dark.name) == (texts(paper), paper.alternative, paper.name)
    without = [re.sub(r"#[0-9A-Fa-f]{6}", "", one.svg) for one in (paper, dark)]
    assert without[0] == without[1], "nothing but colours differs"
    for element in marks(dark, "text"):
        x, y = place(element)
        grounds = [
            fill
            for left, top, width, height, fill in boxes(dark)
            if left < x < left + width and top < y < top + height and fill.startswith("#")
        ]
        assert contrast(element.get("fill"), (grounds or [ground])[-1]) >= 4.5, element.text


def test_words_that_look_like_colours_stay_words():
    conditions = [("still", "#0072B2"), ("slosh", "on #0072B2 0.5"), ("ladle", "#FFFFFF")]
    figure = paired_points("p", "T", SCORES, conditions=conditions, axis="#1A1A1A").in_scheme("screen dark")
    assert {"#0072B2", "on #0072B2 0.5", "#FFFFFF", "#1A1A1A"} <= set(texts(figure))


def test_a_figure_drawn_elsewhere_stays_as_it_is():
    figure = Figure("f", "T", "<svg/>", "T.")
    assert figure.in_scheme("screen dark") is figure


def test_a_pdf_that_needs_several_fonts_is_the_same_each_time():
    """vl-convert itself writes the fonts in an order left to chance."""
    figure = drawn("Label שלום ελληνικά 日本")["flow"]
    made = {figure.pdf() for _ in range(8)}
    assert len(made) == 1
    (pdf,) = made
    assert len(set(re.findall(rb"/BaseFont /\w+\+([\w-]+)", pdf))) >= 2, "no second font is installed here"
    start = int(re.search(rb"startxref\n(\d+)\n%%EOF$", pdf)[1])
    assert pdf[start:].startswith(b"xref\n0 ")
    for number, offset in enumerate(re.findall(rb"(\d{10}) 00000 n ", pdf[start:]), start=1):
        assert pdf[int(offset) :].startswith(b"%d 0 obj\n" % number)


def test_a_pdf_written_in_another_way_stays_as_it_is():
    for content in (
        b"",
        b"%PDF-1.7\nno table of objects",
        b"x\nxref\n0 1\n0000000000 65535 f \ntrailer\n<<>>\nstartxref\n2\n%%EOF",
    ):
        assert in_order(content) == content
