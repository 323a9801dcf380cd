"""DOCX documents to lines: their paragraphs, the rows of their tables, and which paragraphs are headings.

The document's XML is read as a stream, from an archive with limits; a document type, which could define entities that
grow without end, is refused.
"""

from __future__ import annotations

import posixpath
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Never
from xml.etree import ElementTree

from workbench.errors import Finding, StudyError
from workbench.files import archive_parts, fault
from workbench.transcripts.plain import Line

_BREAKS = {"tab": "\t", "br": "\n", "cr": "\n", "noBreakHyphen": "\u2011", "softHyphen": "\u00ad"}
_NOT_TEXT = frozenset({"del", "moveFrom", "Fallback", "instrText", "tabs", "pPrChange", "rPrChange"})
"""What is no part of the words as they stand: deletions, older forms, codes of fields, places of tab stops."""
_OUTLINE_LEVELS = 9


def document_lines(path: Path, file: str, notes: list[Finding]) -> list[Line]:
    """The paragraphs of a DOCX document as lines, numbered as they stand; headings by their style or outline level.

    The cells of a table's row are one line, "first: second". Raises StudyError when the file is no such document.
    """
    parts = archive_parts(path, file, lambda name: name.endswith((".rels", ".xml")))
    main = _main_part(parts, file)
    styles = _Styles()
    if style_part := parts.get(posixpath.join(posixpath.dirname(main), "styles.xml")):
        _parse(style_part, styles, file)
    paragraphs = _Paragraphs(styles.levels())
    _parse(parts[main], paragraphs, file)
    notes += _beside(parts, posixpath.dirname(main), paragraphs.revised, file)
    return paragraphs.lines


def _main_part(parts: Mapping[str, bytes], file: str) -> str:
    relations = _Relations()
    if "_rels/.rels" in parts:
        _parse(parts["_rels/.rels"], relations, file)
    target = posixpath.normpath(relations.target.lstrip("/") or "word/document.xml")
    if target not in parts:
        remedy = "Save it as DOCX in a word processor, or as text."
        raise StudyError([fault(file, "", "This archive holds no DOCX document.", remedy)])
    return target


def _beside(parts: Mapping[str, bytes], folder: str, revised: bool, file: str) -> list[Finding]:
    """Notes on what the document holds beside its text."""
    found = []
    for part, words in (("comments", "Comments"), ("footnotes", "Footnotes"), ("endnotes", "Endnotes")):
        content = parts.get(posixpath.join(folder, f"{part}.xml"), b"")
        if re.search(rb"<(?:\w+:)?t[ >]", content):
            found.append(Finding("note", "not read", file, "", f"{words} of the document are not read.", ""))
    if revised:
        told = "The document has tracked changes; it is read as if all were accepted."
        found.append(Finding("attention", "tracked changes", file, "", told, "Accept or reject them to be sure."))
    return found


class _Refused(Exception):
    """A document type stands in the XML."""


class _Target:
    """A reader of XML events that refuses document types."""

    def doctype(self, _name: str, _public: str | None, _system: str | None) -> Never:
        raise _Refused

    def start(self, tag: str, attributes: dict[str, str]) -> None: ...

    def end(self, tag: str) -> None: ...

    def data(self, words: str) -> None: ...

    def close(self) -> None: ...


def _parse(content: bytes, target: _Target, file: str) -> None:
    parser = ElementTree.XMLParser(target=target)
    try:
        parser.feed(content)
        parser.close()
    except _Refused:
        found = "The document declares a document type, which no word processor writes."
        remedy = "It may be made to do harm; save its words as text."
        raise StudyError([fault(file, "", found, remedy)]) from None
    except (ElementTree.ParseError, ValueError, LookupError):
        found = "The document's XML is damaged."
        raise StudyError([fault(file, "", found, "Open it and save it again, or save it as text.")]) from None


def _local(tag: str) -> str:
    return tag.rpartition("}")[2]


def _attribute(attributes: Mapping[str, str], name: str) -> str:
    return next((value for key, value in attributes.items() if _local(key) == name), "")


class _Relations(_Target):
    target = ""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        if attributes.get("Type", "").endswith("/officeDocument"):
            self.target = attributes.get("Target", "")


class _Styles(_Target):
    """The outline level of each style, from its own or its parent's; "heading 2" and "Title" by their names."""

    def __init__(self) -> None:
        self._own: dict[str, int] = {}
        self._parents: dict[str, str] = {}
        self._style = ""

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        value = _attribute(attributes, "val")
        match _local(tag):
            case "style":
                self._style = _attribute(attributes, "styleId")
            case "name" if named := re.fullmatch(r"heading ([1-9])|title", value, re.IGNORECASE):
                self._own[self._style] = int(named[1] or 1)
            case "basedOn":
                self._parents[self._style] = value
            case "outlineLvl" if value.isdecimal() and int(value) < _OUTLINE_LEVELS:
                self._own.setdefault(self._style, int(value) + 1)

    def levels(self) -> dict[str, int]:
        found = {}
        for style in {*self._own, *self._parents}:
            parent, seen = style, set()
            while parent not in self._own and parent in self._parents and parent not in seen:
                seen.add(parent)
                parent = self._parents[parent]
            if parent in self._own:
                found[style] = self._own[parent]
        return found


class _Paragraphs(_Target):
    """The paragraphs of a document's body. Text boxes are read where they are anchored, tables row by row."""

    def __init__(self, levels: Mapping[str, int]) -> None:
        self.lines: list[Line] = []
        self.revised = False
        self._levels = levels
        self._count = 0
        self._open: list[dict[str, Any]] = []
        self._rows: list[list[list[str]]] = []
        self._skipped = 0
        self._in_text = False

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = _local(tag)
        self.revised |= name in ("ins", "del", "moveFrom", "moveTo") and bool(self._open)
        if self._skipped or name in _NOT_TEXT:
            self._skipped += 1
            return
        match name:
            case "p":
                self._count += 1
                self._open.append({"number": self._count, "words": [], "level": 0})
            case "pStyle" if self._open:
                self._open[-1]["level"] = self._levels.get(_attribute(attributes, "val"), 0)
            case "outlineLvl" if self._open and _attribute(attributes, "val").isdecimal():
                level = int(_attribute(attributes, "val"))
                self._open[-1]["level"] = level + 1 if level < _OUTLINE_LEVELS else 0
            case "t":
                self._in_text = True
            case "tr":
                self._rows.append([])
            case "tc" if self._rows:
                self._rows[-1].append([])
            case _ if name in _BREAKS and self._open:
                self._open[-1]["words"].append(_BREAKS[name])

    def data(self, words: str) -> None:
        if self._in_text and self._open and not self._skipped:
            self._open[-1]["words"].append(words)

    def end(self, tag: str) -> None:
        if self._skipped:
            self._skipped -= 1
            return
        match _local(tag):
            case "t":
                self._in_text = False
            case "p" if self._open:
                self._paragraph(self._open.pop())
            case "tr" if self._rows:
                self._row(self._rows.pop())

    def _paragraph(self, paragraph: dict[str, Any]) -> None:
        words = "".join(paragraph["words"])
        if self._rows and self._rows[-1]:
            self._rows[-1][-1].append(words.strip())
        else:
            self._lines(paragraph["number"], words, paragraph["level"])

    def _row(self, cells: list[list[str]]) -> None:
        """A row of a table: what stands before its last cell, such as time and speaker, is its label."""
        *before, last = ["\n".join(filter(None, cell)) for cell in cells] or [""]
        label = " ".join(filter(None, before))
        joined = f"{label.removesuffix(':')}: {last}" if label else last
        if self._rows and self._rows[-1]:
            self._rows[-1][-1].append(joined)
        else:
            self._lines(self._count, joined, 0)

    def _lines(self, number: int, words: str, level: int) -> None:
        for place, line in enumerate(words.split("\n")):
            if line.strip():
                self.lines.append(Line(number, line, level, begins_paragraph=place == 0))
