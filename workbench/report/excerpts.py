"""Excerpts for reading: as text, Markdown, or a page that stands alone. As tables they are in `tables.excerpts`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import escape

from workbench.coding.reading import Excerpt, Excerpts, Said
from workbench.report.table import in_markdown, printable, wrapped
from workbench.report.tables.excerpts import By, about_words, excerpt_notes, in_groups, title_of
from workbench.study import Study

RIGHT_TO_LEFT = frozenset(("ar", "ckb", "dv", "fa", "he", "ps", "sd", "ug", "ur", "yi"))
"""Languages (BCP 47) written from right to left."""

STYLE = """
body { font: 1rem/1.5 system-ui, sans-serif; max-width: 46rem; margin: 2rem auto; padding: 0 1rem; color: #1c1c1c; background: #fff; }
h1 { font-size: 1.4rem; } h2 { font-size: 1.15rem; margin-top: 2.5rem; border-bottom: 1px solid #767676; }
article { margin: 1.5rem 0; } h3 { font-size: 1rem; margin: 0 0 .25rem; }
p { margin: .25rem 0; white-space: pre-wrap; } .beside { color: #595959; }
blockquote { margin: .25rem 0; padding-inline-start: .75rem; border-inline-start: 3px solid #2f6690; white-space: pre-wrap; }
.translation { font-style: italic; padding-inline-start: .9rem; }
mark { background: #ffe58a; color: inherit; } footer { margin-top: 3rem; color: #595959; }
@media print { article { break-inside: avoid; } }
"""


def _heading(study: Study, one: Excerpt) -> str:
    return " · ".join(filter(None, (one.participant, one.unit, one.code, about_words(study, one), one.stance)))


def excerpts_text(study: Study, found: Excerpts, by: By, *, width: int) -> str:
    """The excerpts for a terminal."""
    lines = [*wrapped(title_of(found), width), ""]
    for heading, several in in_groups(study, found, by):
        lines += [*wrapped(f"{heading} ({len(several)})", width), "─" * min(width, 40)]
        for one in several:
            lines += [*wrapped(_heading(study, one), width), *_text_lines(one, width), ""]
    lines += [line for note in excerpt_notes(found) for line in wrapped(note, width)]
    return "\n".join(lines) + "\n"


def _text_lines(one: Excerpt, width: int) -> Iterator[str]:
    for said in one.before:
        yield from _set_in(f"{said.speaker}: {said.text}", "    ", width)
    yield from _set_in(one.marked(), "  | ", width)
    if one.translation:
        yield from _set_in(f"[{one.translation}]", "  | ", width)
    for said in one.after:
        yield from _set_in(f"{said.speaker}: {said.text}", "    ", width)


def _set_in(text: str, margin: str, width: int) -> Iterator[str]:
    return (margin + line for line in wrapped(text, width - len(margin)))


def excerpts_markdown(study: Study, found: Excerpts, by: By) -> str:
    """The excerpts in Markdown: the words as block quotes."""
    parts = [f"# {in_markdown(title_of(found))}"]
    for heading, several in in_groups(study, found, by):
        parts.append(f"## {in_markdown(heading)} ({len(several)})")
        for one in several:
            parts.append(f"**{in_markdown(_heading(study, one))}**")
            parts += [_beside_markdown(said) for said in one.before]
            parts.append(f"> {_plain_start(in_markdown(one.marked()))}")
            parts += [f"> *{in_markdown(one.translation)}*"] if one.translation else []
            parts += [_beside_markdown(said) for said in one.after]
    parts += [f"*Note.* {in_markdown(note)}" for note in excerpt_notes(found)]
    return "\n\n".join(parts) + "\n"


def _plain_start(text: str) -> str:
    """Words whose beginning is neither a heading nor a list."""
    return re.sub(r"^(\d*)(?=[#+\-.)])", r"\1\\", text)


def _beside_markdown(said: Said) -> str:
    return f"{in_markdown(said.speaker)}: {in_markdown(said.text)}"


def excerpts_html(study: Study, found: Excerpts, by: By) -> str:
    """The excerpts as a page that needs nothing else; each in its language and direction, coded words in <mark>."""
    title = _escaped(title_of(found))
    groups = "\n".join(
        f'<section>\n<h2 dir="auto">{_escaped(heading)} ({len(several)})</h2>\n{"".join(_article(study, one) for one in several)}</section>'
        for heading, several in in_groups(study, found, by)
    )
    notes = "".join(f"<p>{_escaped(note)}</p>\n" for note in excerpt_notes(found))
    language = escape(study.declared.language)
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta name="robots" content="noindex">\n'
        f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n"
        f'<p lang="{language}" dir="auto">{_escaped(study.declared.title)}</p>\n{groups}\n</main>\n'
        f"<footer>\n{notes}</footer>\n</body>\n</html>\n"
    )


def _article(study: Study, one: Excerpt) -> str:
    spoken = f'lang="{escape(one.language)}" dir="{direction(one.language)}"'
    before, coded, after = map(_escaped, one.parts())
    words = f"{before}<mark>{coded}</mark>{after}" if before or after else coded
    translated = (
        f'<p class="translation" lang="{escape(study.declared.language)}" dir="auto">{_escaped(one.translation)}</p>\n'
        if one.translation
        else ""
    )
    return (
        f'<article>\n<h3 dir="auto">{_escaped(_heading(study, one))}</h3>\n'
        f"{''.join(_beside_html(said, spoken) for said in one.before)}"
        f"<blockquote {spoken}>{words}</blockquote>\n{translated}"
        f"{''.join(_beside_html(said, spoken) for said in one.after)}</article>\n"
    )


def _beside_html(said: Said, spoken: str) -> str:
    return f'<p class="beside"><b>{_escaped(said.speaker)}</b> <span {spoken}>{_escaped(said.text)}</span></p>\n'


def direction(language: str) -> str:
    """The reading direction of a language for HTML: "rtl" where it is known to be, otherwise as the words themselves tell."""
    return "rtl" if language.casefold().partition("-")[0] in RIGHT_TO_LEFT else "auto"


def _escaped(text: str) -> str:
    return escape(printable(text))
