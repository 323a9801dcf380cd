"""The report: what it holds, and as one self-contained HTML page (nothing is fetched, nothing runs) or one Markdown file."""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import resources

from workbench.report.figures import Figure
from workbench.report.table import Table, in_markdown, sentence_html, to_html, to_markdown


@dataclass(frozen=True, slots=True)
class Part:
    """A stretch of a section: a heading of its own (or none), sentences, figures and tables, in this order.

    `anchor` is its address on the page, where something leads to it.
    """

    heading: str = ""
    sentences: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the report. `anchor` is its address on the page."""

    anchor: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Headline:
    """One question and its answer: `short` in a line, `sentence` in full. `anchor` is where the details stand, or ""."""

    label: str
    standing: str
    short: str
    sentence: str
    anchor: str = ""
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Report:
    """What the report says, in order. `facts` are (name, value) pairs of the colophon; `lacks` says what the study does not have."""

    title: str
    note: str
    language: str
    headlines: tuple[Headline, ...]
    sections: tuple[Section, ...]
    cautions: tuple[str, ...]
    facts: tuple[tuple[str, str], ...] = field(default=())
    lacks: tuple[str, ...] = ()


def to_page(report: Report) -> str:
    """The report as HTML. All text is escaped; figures are inline SVG with their text alternative."""
    import jinja2
    from markupsafe import Markup

    source = resources.files("workbench.report").joinpath("report.html.jinja").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["told"] = lambda text: Markup(sentence_html(text))
    return environment.from_string(source).render(report=report, table_html=to_html)


def to_markdown_document(report: Report) -> str:
    """The report as one Markdown file; figures are files in `figures/`."""
    lines = [f"# {in_markdown(report.title)}", in_markdown(report.note), "## What was found"]
    lines += [f"**{in_markdown(one.label)}** ({one.standing}). {in_markdown(one.sentence)}" for one in report.headlines]
    lines += [in_markdown(one) for one in report.lacks]
    for section in report.sections:
        lines.append(f"## {in_markdown(section.title)}")
        for part in section.parts:
            lines += [f"### {in_markdown(part.heading)}"] if part.heading else []
            lines += [in_markdown(sentence) for sentence in part.sentences]
            for figure in part.figures:
                lines += [f"![{in_markdown(figure.alternative)}](figures/{figure.name}.svg)"]
            lines += [to_markdown(table).rstrip("\n") for table in part.tables]
    lines += ["## Read with care", "\n".join(f"- {in_markdown(caution)}" for caution in report.cautions)]
    lines += ["## Versions", "\n".join(f"- {in_markdown(name)}: {in_markdown(value)}" for name, value in report.facts)]
    return "\n\n".join(line for line in lines if line) + "\n"
