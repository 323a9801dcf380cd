"""The report as one self-contained HTML page: nothing is fetched, nothing runs."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from importlib import resources

from workbench.report.figures import Figure
from workbench.report.table import Table, to_html


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a section: a heading of its own (or none), sentences, figures and tables, in this order."""

    heading: str = ""
    sentences: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the report. `anchor` is its address on the page."""

    anchor: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """What the report says, in order. `facts` are (name, value) pairs of the colophon."""

    title: str
    note: str
    language: str
    headlines: tuple[tuple[str, str, str], ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...] = field(default=())


def to_page(report: Report) -> str:
    """The report as HTML. All text is escaped; figures are inline SVG with their text alternative."""
    import jinja2

    source = resources.files("workbench.report").joinpath("report.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["unbroken"] = _unbroken
    return environment.from_string(source).render(report=report, table_html=to_html)


def _unbroken(text: str) -> str:
    """Text in which "p = .012" and "[.00, .16]" stay on one line."""
    return re.sub(r"(\[[^\]\s]+,) (?=[^\]\s]+\])", "\\1\u00a0", re.sub(r" ([=<>]) ", "\u00a0\\1\u00a0", text))
