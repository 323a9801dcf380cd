"""The documents of a report, the numbers in them by id, and the check that they fit together."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from math import inf, isnan
from typing import Literal, get_args

import numpy as np

from workbench.errors import UsageError
from workbench.measure import Measure
from workbench.report.document import Report, to_markdown_document, to_page
from workbench.report.latex import macros, to_latex, to_latex_document
from workbench.report.numbers import PLAN, ids_in, number_id, plain, row_names
from workbench.report.reread import Reread, from_html, from_latex, from_markdown, from_word
from workbench.report.self_check import Grain, Inconsistency, Known, check_document
from workbench.report.table import Column, Table, show, shown_cell
from workbench.report.tables.joint import apart
from workbench.report.tables.reading import for_reading, words_of
from workbench.report.word import tables_document, to_word
from workbench.results.chain import Analysis
from workbench.results.pictures import Kind, Pictures
from workbench.study import Study

DocumentFormat = Literal["html", "docx", "latex", "markdown"]
FORMATS: tuple[DocumentFormat, ...] = get_args(DocumentFormat)
NAMES = {"html": "report.html", "docx": "report.docx", "latex": "report.tex", "markdown": "report.md"}
PAPER_TABLES = (
    "scales",
    "descriptives",
    "omnibus",
    "pairs",
    "preference",
    "code_by_condition",
    "code_exemplars",
    "participants_by_theme",
    "participants_by_code",
    "agreement",
    "joint",
    "side_by_side",
)
"""The tables of a paper, in its order."""
NO_COMMANDS = frozenset(
    (
        "scores",
        "findings",
        "missing",
        "missing_items",
        "participants_by_code",
        "participants_by_theme",
        "robustness",
        "checklist",
    )
)
"""Tables whose numbers get no LaTeX command: raw data, and what no sentence of a paper cites."""


def formats_of(words: str) -> tuple[DocumentFormat, ...]:
    """The formats named in "html,docx" or "all"; UsageError for one that there is not."""
    named = [word.strip() for word in words.split(",") if word.strip()]
    unknown = [word for word in named if word not in (*FORMATS, "all")]
    if unknown or not named:
        raise UsageError(
            f"--format is “{words}”; needed: {', '.join(FORMATS)}, several of them joined by commas, or all."
        )
    return FORMATS if "all" in named else tuple(one for one in FORMATS if one in named)


def documents(
    report: Report,
    tables: Sequence[Table],
    study: Study,
    formats: Collection[DocumentFormat],
    pictures: Pictures,
) -> Iterator[tuple[str, bytes]]:
    """Every file of the documents asked for, but the figures: (place in the results folder, content); what needs `pictures` comes last."""
    words = words_of(study)
    by_name = {table.name: table for table in tables}
    paper = [for_reading(one, words) for name in PAPER_TABLES if name in by_name for one in apart(by_name[name])]
    if "html" in formats:
        yield NAMES["html"], to_page(report).encode()
    if "latex" in formats:
        yield NAMES["latex"], to_latex_document(report).encode()
        yield "numbers.tex", macros(_commands(tables)).encode()
        for table in paper:
            yield f"tables/{table.name}.tex", to_latex(table).encode()
    if "markdown" in formats:
        yield NAMES["markdown"], to_markdown_document(report).encode()
    if "docx" in formats:
        yield "tables.docx", tables_document(paper, title=study.declared.title)
        yield NAMES["docx"], to_word(report, pictures.png)


def kinds_of_pictures(formats: Collection[DocumentFormat]) -> list[Kind]:
    """What figures are made into for the documents asked for."""
    wanted: dict[DocumentFormat, Kind] = {"docx": "png", "latex": "pdf"}
    return [kind for one, kind in wanted.items() if one in formats]


# --------------------------------------------------------------------------------------- numbers by id


def numbers(tables: Iterable[Table]) -> Iterator[tuple[str, Column, object]]:
    """(id, column whose style the number has, value) of every number in the tables, ends of intervals among them."""
    for table in tables:
        for name, row in zip(row_names(table.name, table.rows), table.rows, strict=True):
            for column in table.columns:
                if column.kind != "text":
                    for key in column.keys:
                        yield number_id(table.name, name, key), column, row[key]


def _commands(tables: Sequence[Table]) -> dict[str, str]:
    """What a person reads of each number that a paper may cite, by id; a p with its sign."""
    found = {}
    for identity, column, value in numbers(table for table in tables if table.name not in NO_COMMANDS):
        shown = show(value, column)
        found[identity] = f"= {shown}" if column.kind == "p" and not shown.startswith(("<", "–")) else shown
    return found


def trace_file(report: Report, tables: Sequence[Table]) -> str:
    """Every number by id, unrounded, and every sentence with the ids of its numbers."""
    sentences = [
        {"place": place, "text": plain(text), "numbers": ids_in(text)}
        for place, text in _sentences(report)
        if ids_in(text)
    ]
    values = {identity: _plain(value) for identity, _, value in numbers(tables)}
    return json.dumps({"format": 1, "sentences": sentences, "numbers": values}, ensure_ascii=False, indent=0) + "\n"


def _plain(value: object) -> object:
    value = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(value, float) and (isnan(value) or abs(value) == inf) else value


def _sentences(report: Report) -> Iterator[tuple[str, str]]:
    for one in report.headlines:
        yield one.label, one.short
        yield one.label, one.sentence
    for section in report.sections:
        for part in section.parts:
            for sentence in part.sentences:
                yield part.heading or section.title, sentence
            for table in part.tables:
                for note in table.notes:
                    yield table.title, note
                for row in table.rows:
                    for value in row.values():
                        if isinstance(value, str):
                            yield table.title, value


# ------------------------------------------------------------------------------------------ self-check


def check(files: dict[str, bytes], analysis: Analysis, tables: Sequence[Table]) -> tuple[list[Inconsistency], int]:
    """What does not fit in the documents among `files`, and how many checks were made."""
    known = known_of(analysis, tables)
    found: list[Inconsistency] = []
    made = 0
    for name, reader in _READERS.items():
        if name in files:
            problems, checks = check_document(name, reader(files[name]), known)
            found += problems
            made += checks
    return found, made


_READERS: dict[str, Callable[[bytes], Reread]] = {
    "report.html": lambda content: from_html(content.decode()),
    "report.docx": from_word,
    "tables.docx": from_word,
    "report.tex": lambda content: from_latex(content.decode()),
    "report.md": lambda content: from_markdown(content.decode()),
}


def known_of(analysis: Analysis, tables: Sequence[Table]) -> Known:
    """What the self-check knows: steps of the measures, exact p values, and every number as it is shown (of scores no document shows any)."""
    number, bounded, p = Column("x", ""), Column("x", "", "bounded"), Column("p", "", "p")
    two = Column("x", "", "number")
    exact = frozenset(
        (
            str(one.omnibus.result.df),
            str(one.omnibus.result.n_used),
            show(one.omnibus.result.chi_square, two),
            show(one.omnibus.test.p, p),
        )
        for one in analysis.comparisons
        if one.omnibus and one.omnibus.test.exact
    )
    shown: dict[str, tuple[str, ...]] = {}
    for table in (one for one in tables if one.name != "scores"):
        for name, row in zip(row_names(table.name, table.rows), table.rows, strict=True):
            for column in table.columns:
                for key in column.keys:
                    told = {show(row[key], column)} | ({shown_cell(row, column)} if key == column.key else set())
                    if table.name == PLAN and isinstance(row[key], (int, float)):
                        told |= {show(row[key], style) for style in (number, bounded)}
                    shown[number_id(table.name, name, key)] = tuple(sorted(told))
    grains = {one.label: grain(one) for one in analysis.evidence.measures}
    return Known(grains, exact, shown, len(analysis.evidence.study.participants))


def grain(measure: Measure) -> Grain:
    """From where to where a measure goes and in which steps: those of a mean of its items, where all values keep to them."""
    low, high = (-inf if isnan(measure.low) else measure.low, inf if isnan(measure.high) else measure.high)
    items = len(measure.items)
    if measure.source != "scale" or not items or low == -inf:
        return Grain(-inf, inf, 0.0)
    values = measure.values["value"].dropna().to_numpy(dtype=float)
    for step in (1.0, 1 / items):
        places = (values - low) / step
        if np.allclose(places, np.round(places), atol=1e-9):
            return Grain(low, high, step)
    return Grain(low, high, 0.0)
