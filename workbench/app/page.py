"""What every page is made of: its frame, sentences, tables, figures and findings.

Text of a study (labels, answers, names of files) goes to the screen escaped, as HTML or as options of a list, and never
through Markdown, which could fetch images and links. Labels of widgets are therefore fixed words.
"""

from __future__ import annotations

import base64
import os
import re
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from html import escape
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from workbench.app.held import Held, held
from workbench.app.launch import STUDY_VARIABLE
from workbench.app.navigation import PAGES
from workbench.app.uploads import IN_FOLDER, tables_in
from workbench.errors import Finding, StudyError, WorkbenchError
from workbench.report.table import Table, printable, to_html

if TYPE_CHECKING:
    from workbench.measure import Measure
    from workbench.report.figures import Figure
    from workbench.results.chain import Evidence

ROWS_IN_VIEW = 45
"""Rows beyond which a table scrolls in a frame of its own."""

CHANGING = threading.Lock()
"""Held while a file of the study is changed, so that two tabs do it one after the other."""

PLACES_NAMED = 12
"""How many places of one finding are named."""

TO_TOP = """export default function () {
  document.querySelector('[data-testid="stMain"]')?.scrollTo(0, 0);
}"""

SEVERITY_WORDS = {"blocks": "Blocks", "attention": "Worth a look", "note": "Note"}


def study_folder() -> Path:
    """The study folder that the app was opened for."""
    return Path(os.environ.get(STUDY_VARIABLE, "."))


def run_page(title: str, lead: str, show: Callable[[Held], None], *, reads: bool = True) -> None:
    """A page: heading, a sentence on what it is for, and what `show` shows of the study; faults are told in its place.

    `reads` says that the page needs everything that was collected, which may take a moment.
    """
    say(f"<h1>{text(title)}</h1><p class='soft'>{text(lead)}</p>")
    try:
        found = held(study_folder())
        if reads and not found.has("evidence"):
            with st.spinner("Reading the study …"):
                _ = found.evidence
        show(found)
    except StudyError as error:
        tell_faults(error)
        _way_to_the_table(error)
    except (WorkbenchError, OSError) as error:
        tell_error(error)


# ------------------------------------------------------------------------------------------- words


def text(words: object) -> str:
    """Words as they may stand in HTML, without what could run, steer or turn the reading direction."""
    return escape(printable(str(words))).replace("\n", "<br>")


def say(markup: str) -> None:
    """Markup of our own making, its words escaped by `text`."""
    dark = " dark" if st.context.theme.type == "dark" else ""
    st.html(f'<div class="wb{dark}">{markup}</div>')


def heading(words: str) -> None:
    say(f"<h2>{text(words)}</h2>")


def paragraph(words: str, kind: str = "") -> None:
    """A paragraph; `kind` is "lead", "soft", "why" (reasoning of the trade), "warn" or "done"."""
    say(f'<p class="{kind}" dir="auto">{text(words)}</p>')


def told(words: str, kind: str = "warn") -> None:
    """A message that a screen reader says at once."""
    say(f'<p class="{kind}" role="{"alert" if kind == "warn" else "status"}" dir="auto">{text(words)}</p>')


def tell_done(key: str) -> None:
    """The message that the last run left under `key` of the session, and the page scrolled up to where it stands."""
    place = st.empty()  # there without a message too, so that what stands below keeps its place and stays open
    if message := st.session_state.pop(key, ""):
        with place.container():
            told(message, "done")
            _to_top()(key=f"to top {key}")


@cache
def _to_top() -> Any:
    """What scrolls the page up, registered once: a page that changes below a reader stays scrolled where it was."""
    return st.components.v2.component("workbench_to_top", js=TO_TOP)


def empty(words: str, lines: str = "") -> None:
    """What to do where there is nothing to show, with lines for study.toml."""
    say(f"<p class='lead'>{text(words)}</p>" + (f'<pre tabindex="0">{text_lines(lines)}</pre>' if lines else ""))


def text_lines(lines: str) -> str:
    """Preformatted text, escaped, its line breaks kept."""
    return escape(printable(lines))


def facts(pairs: Iterable[tuple[str, object]]) -> None:
    """Names and values, one below the other."""
    say("<dl>" + "".join(f"<dt>{text(name)}</dt><dd dir='auto'>{text(value)}</dd>" for name, value in pairs) + "</dl>")


def handbook(name: str) -> None:
    """A page of the handbook: our own words, so through Markdown, but without its links to files."""
    words = resources.files("workbench").joinpath("handbook", f"{name}.md").read_text(encoding="utf-8")
    st.markdown(re.sub(r"\[([^\]]+)\]\([^)#:]*\.md[^)]*\)", r"\1", words))


# ------------------------------------------------------------------------------- tables and figures


def show_table(table: Table, words: Mapping[str, str], *, without: Sequence[str] = (), notes: bool = True) -> None:
    """A table as people read it; one with many rows scrolls, and can be scrolled by keyboard."""
    from workbench.report.tables.reading import for_reading

    shown = for_reading(table, words, without=without)
    show_markup(shown if notes else replace(shown, notes=()))


def show_markup(table: Table) -> None:
    """A table as it stands."""
    markup = to_html(table)
    body, end, notes = markup.partition("</table>")
    tall = " tall" if len(table.rows) > ROWS_IN_VIEW else ""
    label = escape(printable(table.title))
    say(f'<div class="wide{tall}" tabindex="0" role="region" aria-label="{label}">{body}{end}</div>{notes}')


def show_figures(*figures: Figure) -> None:
    """Figures beside each other, each with its caption and its content in words."""
    if figures:
        say(f'<div class="pair">{"".join(map(_figure, figures))}</div>')


def take_figures(*figures: Figure) -> None:
    """Buttons that save each figure for a paper, as vectors and as pixels; PDF and PNG are drawn when asked for."""
    for figure in figures:
        title, *buttons = st.columns([4, 1, 1, 1], vertical_alignment="center")
        with title:
            paragraph(figure.title, "soft")
        kinds: tuple[tuple[str, str | Callable[[], bytes], str], ...] = (
            ("SVG", figure.svg, "image/svg+xml"),
            ("PDF", figure.pdf, "application/pdf"),
            ("PNG", figure.png, "image/png"),
        )
        for column, (kind, content, mime) in zip(buttons, kinds, strict=True):
            name = f"{figure.name}.{kind.lower()}"
            column.download_button(f"Save as {kind}", content, name, mime, key=f"take {name}", on_click="ignore")


def _figure(figure: Figure) -> str:
    shown = figure.in_scheme("screen dark" if st.context.theme.type == "dark" else "paper")
    data = base64.b64encode(shown.svg.encode()).decode()
    return (
        f'<figure><img src="data:image/svg+xml;base64,{data}" alt="{text(figure.title)}">'
        f"<figcaption>{text(figure.title)}</figcaption>"
        f"<details><summary>The figure in words</summary><p>{text(figure.alternative)}</p></details></figure>"
    )


# -------------------------------------------------------------------------------- findings and faults


def finding_markup(finding: Finding, number: int | None = None) -> str:
    """A finding: what, where, and what to do."""
    named = f"{number}. " if number is not None else ""
    where = f"<p class='where'>{text(finding.where)}</p>" if finding.where else ""
    basis = f" <span class='soft'>(rests on: {text(finding.basis)})</span>" if finding.basis else ""
    return (
        f"<div class='finding' dir='auto'><p>{named}<span class='severity {finding.severity}'>"
        f"{SEVERITY_WORDS[finding.severity]}</span>: <b>{text(finding.kind)}</b></p>{where}"
        f"<p>{text(finding.found)} {text(finding.remedy)}{basis}</p></div>"
    )


def show_findings(findings: Sequence[Finding]) -> None:
    together = told_together(findings)
    say("".join(finding_markup(finding, number) for number, finding in enumerate(together, start=1)))


def told_together(findings: Sequence[Finding]) -> list[Finding]:
    """The findings, those that say the same of several places of a file as one."""
    places: dict[Finding, list[str]] = {}
    for finding in findings:
        places.setdefault(replace(finding, place=""), []).append(finding.place)
    return [replace(finding, place=_places(where)) for finding, where in places.items()]


def _places(where: Sequence[str]) -> str:
    more = f"; and {len(where) - PLACES_NAMED} more places" if len(where) > PLACES_NAMED else ""
    return "; ".join(where[:PLACES_NAMED]) + more


def tell_faults(
    error: StudyError, what: str = "the analysis", mend: str = "Mend the files, then load this page again."
) -> None:
    """Every fault at once, in the place of what cannot be shown; `what` is what they block, `mend` what to do."""
    count = len(told_together(error.findings))
    blocks = "Something blocks" if count == 1 else f"{count} things block"
    say(f"<p class='warn' role='alert'>{blocks} {text(what)}. Nothing was changed. {text(mend)}</p>")
    show_findings(error.findings)


def _way_to_the_table(error: StudyError) -> None:
    """To the page where a table that blocks can be read otherwise."""
    tables = [one.file for one in error.findings if one.file in tables_in(study_folder())]
    if tables and st.button("Read the table otherwise, or bring in a mended one"):
        go("responses", view="Bring in", where=IN_FOLDER, file=tables[0])


def tell_error(error: Exception) -> None:
    """A fault in the user's words; nothing was changed."""
    if isinstance(error, StudyError):
        tell_faults(error)
    elif isinstance(error, OSError):
        named = Path(str(error.filename)).name if error.filename else "A file"
        told(f"{named} cannot be read or written: {error.strerror or error}. Nothing was changed.")
    else:
        told(str(error))


def show_cautions(evidence: Evidence, measure: Measure) -> None:
    """What was found in the items of a measure and may change every result on it, with the way there."""
    study = evidence.study
    places = {f"item {item.rpartition('.')[2]}" for item in measure.items}
    for number, one in enumerate(evidence.findings, start=1):
        if one.severity == "attention" and one.place in places:
            say(f"<div class='caution'>{finding_markup(one)}</div>")
            if st.button(f"See the item: finding {number}", type="tertiary"):
                used = next(
                    name
                    for name, it in study.instruments.items()
                    if one.place.removeprefix("item ") in {i.id for i in it.items}
                )
                go("responses", view="Distributions", instrument=used)


# ------------------------------------------------------------------------------------------ the way


def go(page: str, **where: str) -> None:
    """Go to another page; `where` says what it should show first."""
    remember(**where)
    st.switch_page(next(one.file for one in PAGES if one.name == page))


def remember(**where: str) -> None:
    """Choose beforehand what the lists called so will show."""
    for key, value in where.items():
        st.session_state[f"at {key}"] = value
        st.session_state.pop(f"choice {key}", None)


def chosen(label: str, key: str, choices: Sequence[str], words: Mapping[str, str] | None = None) -> str:
    """A choice from a list, remembered from page to page; `label` is fixed words, never a study's."""
    widget = _as_remembered(key, choices)
    named = words or {}
    found: str = st.selectbox(label, choices, format_func=lambda one: named.get(one, one), key=widget)
    st.session_state[f"at {key}"] = found
    return found


def view(key: str, choices: Sequence[str]) -> str:
    """Which part of a page to show, remembered from page to page; `choices` are fixed words."""
    return picked("What to do", key, choices)


def picked(label: str, key: str, choices: Sequence[str]) -> str:
    """A choice between a few fixed words beside each other, remembered from page to page."""
    widget = _as_remembered(key, choices)
    found: str = st.radio(label, choices, horizontal=True, key=widget)
    st.session_state[f"at {key}"] = found
    return found


def _as_remembered(key: str, choices: Sequence[str]) -> str:
    """The key of a widget, set to what was chosen on an earlier visit, where that is still there."""
    widget = f"choice {key}"
    if st.session_state.get(widget) not in choices:
        before = st.session_state.get(f"at {key}")
        st.session_state[widget] = before if before in choices else choices[0]
    return widget
