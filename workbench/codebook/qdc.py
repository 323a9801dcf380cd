"""Codebooks in the REFI-QDA exchange standard 1.0: a QDC file for one version, out and in.

A code is a `Code` with its name; what else is known of it stands in its `Description`, each field after its name in
words. Parent codes hold their children. A theme is a `Set` of codes: the standard keeps sets apart from the tree of codes, as themes
are kept apart from parent codes here, and a set is never applied to text itself. What the standard has no place for is lost on
the way out: version, its author, date and reason, and the codes that were retired.

The form of `Set` and `MemberCode` in a codebook file is from memory (the published Codebook.xsd was out of reach): the
attribute of `MemberCode` is written as `guid`, and read as `guid` or, as in the project schema, `targetGUID`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from workbench.codebook.exchange_xml import guid, guid_in, inside, local_name, safe_xml, xml_bytes
from workbench.codebook.model import EXAMPLES, ORIGINS, RULES, SIGNED, Code, Codebook, Theme
from workbench.codebook.tables import SEPARATOR, undescribed_themes
from workbench.errors import Finding, StudyError
from workbench.files import fault, read_text

NAMESPACE = "urn:QDA-XML:codebook:1.0"
ORIGIN = "study-workbench"

_FIELDS = {"label": "Label", **RULES, **EXAMPLES, **ORIGINS, **SIGNED}
_NAMES = "|".join(re.escape(words) for words in (*_FIELDS.values(), "Definition"))
_FIELD = re.compile(rf"({_NAMES}): (.*)")
_LIKE_A_FIELD = re.compile(rf"^( *(?:{_NAMES}): )", re.MULTILINE)


def qdc(codebook: Codebook, study: str) -> bytes:
    """One version of the codebook as a QDC file; `study` is the study's id, from which the GUIDs are made."""
    root = ElementTree.Element("CodeBook", {"xmlns": NAMESPACE, "origin": ORIGIN})
    add_codes(root, codebook, study)
    add_sets(root, codebook, study, member="guid")
    return xml_bytes(root)


def add_codes(above: ElementTree.Element, codebook: Codebook, study: str) -> None:
    """Add `Codes` with every code, each below its parent; codes whose parent is unknown stand at the top."""
    codes = ElementTree.SubElement(above, "Codes")

    def add(to: ElementTree.Element, several: Iterable[Code]) -> None:
        for one in several:
            attributes = {"guid": guid(study, "code", one.code), "name": one.code, "isCodable": "true"}
            element = ElementTree.SubElement(to, "Code", attributes)
            if told := _description(one):
                ElementTree.SubElement(element, "Description").text = told
            add(element, codebook.children(one.code))

    add(codes, [one for one in codebook.codes if one.parent not in codebook.names])


def add_sets(above: ElementTree.Element, codebook: Codebook, study: str, *, member: str) -> None:
    """Add `Sets` with a set for each theme; `member` is the attribute by which a set names its codes."""
    if not codebook.themes:
        return
    sets = ElementTree.SubElement(above, "Sets")
    for theme in codebook.themes:
        element = ElementTree.SubElement(sets, "Set", {"guid": guid(study, "theme", theme.theme), "name": theme.theme})
        told = _told({"Label": theme.label, "Definition": theme.definition})
        if told:
            ElementTree.SubElement(element, "Description").text = told
        for one in codebook.codes_of(theme.theme):
            ElementTree.SubElement(element, "MemberCode", {member: guid(study, "code", one.code)})


def _description(code: Code) -> str:
    return _told(
        {
            words: SEPARATOR.join(code.merged_from) if name == "merged_from" else getattr(code, name)
            for name, words in _FIELDS.items()
        }
    )


def _told(fields: dict[str, str]) -> str:
    """Fields as paragraphs, each after its name; a line of text that looks like the name of a field is set in."""
    set_in = {words: _LIKE_A_FIELD.sub(r" \1", text) for words, text in fields.items() if text}
    return "\n".join(f"{words}: {text}" for words, text in set_in.items())


def _fields_told(text: str, known: Iterable[str], otherwise: str) -> dict[str, str]:
    """What `_told` wrote, by its words; text before the first of them, as others write, goes to `otherwise`."""
    fields: dict[str, list[str]] = {}
    here = otherwise
    for line in text.split("\n"):
        begun = _FIELD.match(line)
        if begun and begun[1] in known and begun[1] not in fields:
            here = begun[1]
            fields[here] = [begun[2]]
        else:
            fields.setdefault(here, []).append(line[1:] if line[:1] == " " and _LIKE_A_FIELD.match(line) else line)
    return {name: "\n".join(lines).strip() for name, lines in fields.items()}


# ---------------------------------------------------------------------------------------------- in


@dataclass(frozen=True, slots=True, eq=False)
class ReadCodes:
    """Codes and themes of an exchange file, with the GUID of each code, and what a person should know of them."""

    codes: tuple[Code, ...]
    themes: tuple[Theme, ...]
    guids: dict[str, str]
    notes: tuple[Finding, ...]


def read_qdc(path: Path, shown: str, *, version: str = "1") -> tuple[Codebook, tuple[Finding, ...]]:
    """The codebook in a QDC file as the version of this name, and notes on what was read otherwise than it stood.

    Raises StudyError for what is no XML, has a DTD or entities, is too large or too deep, or is no codebook.
    """
    root = safe_xml(read_text(path, shown), shown)
    if local_name(root) != "CodeBook":
        found = f"The file begins with <{local_name(root)}>, so it is no codebook of the REFI-QDA standard."
        raise StudyError([fault(shown, "", found, "Export the codebook as QDC.")])
    read = read_codes(root, root, shown)
    return Codebook(version, read.codes, read.themes), read.notes


def _text_of(element: ElementTree.Element) -> str:
    return "".join(one.text or "" for one in inside(element, "Description")).replace("\r\n", "\n").strip()


def read_codes(book: ElementTree.Element, sets_in: ElementTree.Element, shown: str) -> ReadCodes:
    """The codes below `book`, and the themes among the sets of `sets_in`; StudyError for codes without name or GUID.

    A code that cannot be applied (`isCodable` false) and has codes below it becomes a theme of those; one in several sets
    keeps the first. Two codes of one name get the name of what stands above them before theirs.
    """
    reading = _Reading(shown)
    for codes in inside(book, "Codes"):
        reading.add(codes, "", "")
    if reading.faults:
        raise StudyError(reading.faults)
    for several in inside(sets_in, "Sets"):
        for one in inside(several, "Set"):
            reading.add_set(one)
    if not reading.codes:
        raise StudyError(
            [fault(shown, "", "There are no codes in it.", "Export it again, with its codes.", "no codes")]
        )
    themes = [*reading.themes, *undescribed_themes(reading.codes, reading.themes)]
    return ReadCodes(tuple(reading.codes), tuple(themes), reading.guids, tuple(reading.notes))


class _Reading:
    """Codes gathered from a tree, and what was odd about them."""

    def __init__(self, shown: str):
        self.shown = shown
        self.codes: list[Code] = []
        self.themes: list[Theme] = []
        self.guids: dict[str, str] = {}
        """{GUID in lower case without braces: code}"""
        self.faults: list[Finding] = []
        self.notes: list[Finding] = []

    def note(self, found: str, remedy: str) -> None:
        self.notes.append(Finding("note", "read otherwise", self.shown, "", found, remedy))

    def add(self, above: ElementTree.Element, parent: str, theme: str) -> None:
        for element in inside(above, "Code"):
            name, known = " ".join(element.get("name", "").split()), guid_in(element.get("guid"))
            if not name or not known:
                found = f"A code {'without a name' if not name else f'“{name[:40]}” without a GUID'}."
                self.faults.append(fault(self.shown, f"code {name[:40]}", found, "Export it again.", "wrong value"))
                continue
            below = inside(element, "Code")
            if below and element.get("isCodable", "true").strip() in ("false", "0"):
                self._add_theme(element, name)
                self.add(element, parent, name)
                continue
            name = self._free_name(name.replace(SEPARATOR, ","), parent or theme)
            told = _fields_told(_text_of(element), _FIELDS.values(), _FIELDS["definition"])
            plain: dict[str, Any] = {key: told.get(words, "") for key, words in _FIELDS.items() if key != "merged_from"}
            merged = tuple(one for one in told.get("Merged from", "").split(SEPARATOR) if one)
            self.codes.append(Code(code=name, theme=theme, parent=parent, **plain, merged_from=merged))
            self.guids[known] = name
            self.add(element, name, theme)

    def _free_name(self, name: str, above: str) -> str:
        taken = {one.code for one in self.codes}
        if name not in taken:
            return name
        longer = f"{above} / {name}" if above else name
        number = 2
        free = longer
        while free in taken:
            free, number = f"{longer} {number}", number + 1
        self.note(f"The name “{name}” stands several times; one is read as “{free}”.", "Rename it.")
        return free

    def _add_theme(self, element: ElementTree.Element, name: str) -> None:
        if name not in {one.theme for one in self.themes}:
            told = _fields_told(_text_of(element), ("Label", "Definition"), "Definition")
            self.themes.append(Theme(name, told.get("Label", ""), told.get("Definition", "")))

    def add_set(self, element: ElementTree.Element) -> None:
        name = " ".join(element.get("name", "").split())
        members = [guid_in(one.get("guid") or one.get("targetGUID")) for one in inside(element, "MemberCode")]
        named = [self.guids[one] for one in members if one in self.guids]
        if not name or (members and not named):
            self.note(f"The set “{name[:40]}” has no name or none of these codes and is left out.", "Look at it.")
            return
        self._add_theme(element, name)
        for place, one in enumerate(self.codes):
            if one.code in named and one.theme in ("", name):
                self.codes[place] = replace(one, theme=name)
            elif one.code in named:
                found = f"{one.code} is in the set “{name}” too; a code has one theme here, and “{one.theme}” is kept."
                self.note(found, "Change its theme if the other fits better.")
