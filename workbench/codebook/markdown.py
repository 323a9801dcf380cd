"""One version of a codebook as a page to read and print, in Markdown, and back from the layout written here."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from workbench.codebook.model import EXAMPLES, ORIGINS, RULES, SIGNED, Code, Codebook, Theme
from workbench.codebook.tables import SEPARATOR
from workbench.errors import StudyError
from workbench.files import fault

_VERSION = {"parent_version": "Made from version", **SIGNED}
_FIELDS = {"label": "Label", "parent": "Below", **RULES, **EXAMPLES, **ORIGINS, **SIGNED}
_RETIRED = "Retired"
_NO_THEME = "Codes without a theme"
_SPECIAL = re.compile(r"^([ \t]*)(\\|#|\*\*)", re.MULTILINE)
_ESCAPED = re.compile(r"^([ \t]*)\\(\\|#|\*\*)", re.MULTILINE)


def codebook_markdown(codebook: Codebook) -> str:
    """The version as Markdown: a heading for each theme and code, a paragraph for each field that is filled."""
    parts = [f"# Codebook, version {codebook.version}", *_paragraphs(codebook, _VERSION)]
    for theme in codebook.themes:
        parts.append(f"## Theme `{theme.theme}`")
        parts += _paragraphs(theme, {"label": "Label", "definition": "Definition"})
        parts += [text for code in codebook.codes_of(theme.theme) for text in _code_paragraphs(code)]
    if loose := codebook.codes_of(""):
        parts.append(f"## {_NO_THEME}")
        parts += [text for code in loose for text in _code_paragraphs(code)]
    if codebook.retired:
        parts.append(f"## {_RETIRED}")
        parts += [text for name, why in codebook.retired.items() for text in (f"### `{name}`", _said("Reason", why))]
    return "\n\n".join(parts) + "\n"


def _paragraphs(thing: object, fields: dict[str, str]) -> list[str]:
    return [_said(words, getattr(thing, name)) for name, words in fields.items() if getattr(thing, name)]


def _said(words: str, text: str) -> str:
    return f"**{words}.** {_SPECIAL.sub(lambda found: f'{found[1]}{chr(92)}{found[2]}', text)}".rstrip()


def _code_paragraphs(code: Code) -> list[str]:
    told = replace(code, merged_from=SEPARATOR.join(code.merged_from))  # type: ignore[arg-type]
    return [f"### `{code.code}`", *_paragraphs(told, _FIELDS)]


def read_markdown(text: str, shown: str) -> Codebook:
    """The codebook in a page as `codebook_markdown` writes it.

    Raises StudyError for a page without the heading of a codebook, and for headings and fields that it does not write.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    title = re.fullmatch(r"# Codebook, version (\S+)", lines[0].strip()) if lines else None
    if title is None:
        remedy = "The first line says “# Codebook, version 2”, as the page that was written here does."
        raise StudyError([fault(shown, "line 1", "This page is no codebook.", remedy)])
    sections = _sections(lines[1:], shown)
    about: dict[str, Any] = {name: sections[0][1].get(words, "") for name, words in _VERSION.items()}
    codes: list[Code] = []
    themes: list[Theme] = []
    retired: dict[str, str] = {}
    theme, is_retired = "", False
    for heading, fields in sections[1:]:
        if named := re.fullmatch(r"## Theme `(.+)`", heading):
            theme, is_retired = named[1], False
            themes.append(Theme(theme, fields.get("Label", ""), fields.get("Definition", "")))
        elif heading == f"## {_RETIRED}":
            is_retired = True
        elif heading == f"## {_NO_THEME}":
            theme, is_retired = "", False
        elif is_retired:
            retired[heading[5:-1]] = fields.get("Reason", "")
        else:
            codes.append(_code(heading[5:-1], theme, fields))
    return Codebook(title[1], tuple(codes), tuple(themes), **about, retired=retired)


def _sections(lines: list[str], shown: str) -> list[tuple[str, dict[str, str]]]:
    """Each heading with the fields below it; what stands before the first heading comes first, under no heading."""
    headings = re.compile(rf"## Theme `.+`|## {_NO_THEME}|## {_RETIRED}|### `.+`")
    known = {*_VERSION.values(), *_FIELDS.values(), "Definition"}
    sections: list[tuple[str, dict[str, str]]] = [("", {})]
    field = ""
    faults = []
    for number, line in enumerate(lines, start=2):
        fields = sections[-1][1]
        begun = re.match(r"\*\*(.+?)\.\*\* ?(.*)", line)
        if headings.fullmatch(line.rstrip()):
            sections.append((line.rstrip(), {}))
            field = ""
        elif line.startswith("#") or (begun and begun[1] not in known) or (begun and begun[1] in fields):
            found = f"“{line[:60]}” is no heading and no field of a codebook, or stands here a second time."
            remedy = "Correct it; a line of text that begins with # or ** needs a backslash before it."
            faults.append(fault(shown, f"line {number}", found, remedy))
        elif begun:
            field = begun[1]
            fields[field] = begun[2]
        elif field:
            fields[field] += f"\n{line}"
        elif line.strip():
            found, remedy = "This text belongs to no field.", "Put the name of its field before it."
            faults.append(fault(shown, f"line {number}", found, remedy))
    if faults:
        raise StudyError(faults)
    return [
        (heading, {key: _ESCAPED.sub(r"\1\2", text).strip() for key, text in fields.items()})
        for heading, fields in sections
    ]


def _code(name: str, theme: str, fields: dict[str, str]) -> Code:
    plain: dict[str, Any] = {key: fields.get(words, "") for key, words in _FIELDS.items() if key != "merged_from"}
    merged = tuple(one for one in fields.get("Merged from", "").split(SEPARATOR) if one)
    return Code(code=name, theme=theme, **plain, merged_from=merged)
