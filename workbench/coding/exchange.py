"""Coded projects in the REFI-QDA exchange standard 1.0: a QDPX file with codebook, texts and coded spans, out and in.

A QDPX file is a ZIP archive of `project.qde`, in XML, and the texts beside it. Which texts and codings go out, pseudonymised
and permitted, is decided by whoever calls; what is handed in is written. Offsets are Unicode code points; a span begins at
the first and ends behind the last of its characters.

The elements follow the standard's Project.xsd. From memory are: the folder `Sources` and the prefix `internal://` of the paths
in it, and that positions count code points from 0 with the end left out. What the standard has no place for: the
codebook's version and what changed, and rounds, conditions and stance, which are written into the `Description` of the coded
span as words. A unit that was rated without a code is a selection without a coding.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

from workbench.codebook.exchange_xml import guid, guid_in, inside, local_name, safe_xml, xml_bytes
from workbench.codebook.model import Codebook
from workbench.codebook.qdc import ORIGIN, add_codes, add_sets, read_codes
from workbench.errors import ArgumentError, Finding, StudyError
from workbench.files import archive_parts, fault, normalized

NAMESPACE = "urn:QDA-XML:project:1.0"
PROJECT_FILE = "project.qde"
_FOLDER, _INTERNAL = "Sources", "internal://"
_SAME_TIME = (1980, 1, 1, 0, 0, 0)
"""The time of every part of the archive, so that the same project gives the same bytes."""


@dataclass(frozen=True, slots=True)
class Source:
    """A text that was coded, such as a transcript."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class CodedSpan:
    """A code on the words from `start` to `end` (code points, end left out) of a source; "" where none applies to them.

    `by` is the rater, `at` an ISO time or "", `remark` what else is said of the span, such as the conditions it speaks of.
    """

    source: str
    start: int
    end: int
    code: str
    by: str = ""
    at: str = ""
    remark: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Project:
    """What was read from a project file; `notes` are what a person should know of it."""

    name: str
    codebook: Codebook
    sources: tuple[Source, ...]
    spans: tuple[CodedSpan, ...]
    notes: tuple[Finding, ...] = ()


# --------------------------------------------------------------------------------------------- out


def qdpx(name: str, study: str, codebook: Codebook, sources: Sequence[Source], spans: Iterable[CodedSpan]) -> bytes:
    """A project as a QDPX file; `name` is its title, `study` the id from which the GUIDs are made.

    Raises ArgumentError for two sources of one name, and for spans outside their source or with codes that the codebook
    does not have.
    """
    texts = {one.name: normalized(one.text) for one in sources}
    coded = list(spans)
    if len(texts) < len(sources):
        raise ArgumentError("`sources` has a name twice; each text needs a name of its own.")
    _require_places(coded, texts, codebook)
    root = ElementTree.Element("Project", {"xmlns": NAMESPACE, "name": name, "origin": ORIGIN})
    raters = sorted({one.by for one in coded if one.by})
    if raters:
        users = ElementTree.SubElement(root, "Users")
        for rater in raters:
            ElementTree.SubElement(users, "User", {"guid": guid(study, "user", rater), "name": rater})
    add_codes(ElementTree.SubElement(root, "CodeBook"), codebook, study)
    if texts:
        add_to = ElementTree.SubElement(root, "Sources")
        for source in texts:
            _add_source(add_to, source, study, [one for one in coded if one.source == source])
    add_sets(root, codebook, study, member="targetGUID")
    parts = {PROJECT_FILE: xml_bytes(root)}
    parts |= {f"{_FOLDER}/{guid(study, 'source', source)}.txt": text.encode() for source, text in texts.items()}
    return _archive(parts)


def _require_places(spans: Sequence[CodedSpan], texts: Mapping[str, str], codebook: Codebook) -> None:
    codes = set(codebook.names)
    for one in spans:
        if one.source not in texts:
            raise ArgumentError(f"`spans` names the source “{one.source}”, which is not among `sources`.")
        if not 0 <= one.start < one.end <= len(texts[one.source]):
            has = f"“{one.source}” has {len(texts[one.source])} characters"
            raise ArgumentError(f"`spans` has one from {one.start} to {one.end}; {has}.")
        if one.code and one.code not in codes:
            raise ArgumentError(f"`spans` has the code “{one.code}”; version {codebook.version} has no such code.")


def _add_source(above: ElementTree.Element, name: str, study: str, spans: Sequence[CodedSpan]) -> None:
    own = guid(study, "source", name)
    path = f"{_INTERNAL}{own}.txt"
    source = ElementTree.SubElement(above, "TextSource", {"guid": own, "name": name, "plainTextPath": path})
    selections: dict[tuple[int, int, str, str], list[CodedSpan]] = {}
    for one in sorted(spans, key=lambda span: (span.start, span.end, span.code, span.by)):
        nothing = "" if one.code else one.by
        selections.setdefault((one.start, one.end, one.remark, nothing), []).append(one)
    for (start, end, remark, nothing), coded in selections.items():
        place = f"{name}\x1f{start}\x1f{end}\x1f{remark}" + (f"\x1f{nothing}" if nothing else "")
        attributes = {"guid": guid(study, "selection", place), "startPosition": str(start), "endPosition": str(end)}
        if nothing:
            attributes |= _made_by(coded[0], study)
        selection = ElementTree.SubElement(source, "PlainTextSelection", attributes)
        if remark:
            ElementTree.SubElement(selection, "Description").text = remark
        for one in (one for one in coded if one.code):
            coding = ElementTree.SubElement(selection, "Coding", _coding_attributes(one, place, study))
            ElementTree.SubElement(coding, "CodeRef", {"targetGUID": guid(study, "code", one.code)})


def _coding_attributes(one: CodedSpan, place: str, study: str) -> dict[str, str]:
    return {"guid": guid(study, "coding", f"{place}\x1f{one.code}\x1f{one.by}")} | _made_by(one, study)


def _made_by(one: CodedSpan, study: str) -> dict[str, str]:
    """Who coded, and when, as far as it is known."""
    attributes = {}
    if one.by:
        attributes["creatingUser"] = guid(study, "user", one.by)
    if one.at:
        try:
            attributes["creationDateTime"] = datetime.fromisoformat(one.at).isoformat()
        except ValueError:
            raise ArgumentError(f"`at` is “{one.at}”; a time such as 2026-03-02T09:30:00+00:00 is needed.") from None
    return attributes


def _archive(parts: Mapping[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name, _SAME_TIME), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


# ---------------------------------------------------------------------------------------------- in


def read_qdpx(path: Path, shown: str, *, version: str = "1") -> Project:
    """The codebook, the texts and the coded spans of a QDPX file; nothing is unpacked to disk.

    Sources other than text (pictures, PDF, sound, film) and spans that do not lie in their text are left out and noted, as are
    codings without a known code. Raises StudyError for what is no archive or no project, too large, or has a DTD.
    """
    parts = archive_parts(path, shown, lambda name: name.lower().endswith((".qde", ".txt")))
    project = next((one for one in parts if one.lower() == PROJECT_FILE), None)
    if project is None:
        found = f"There is no {PROJECT_FILE} in it, so it is no project of the REFI-QDA standard."
        raise StudyError([fault(shown, "", found, "Export the project as QDPX.")])
    root = safe_xml(_decoded(parts[project], shown, PROJECT_FILE), shown)
    if local_name(root) != "Project":
        found = f"{PROJECT_FILE} begins with <{local_name(root)}>, not with <Project>."
        raise StudyError([fault(shown, PROJECT_FILE, found, "Export the project again.")])
    book = next(iter(inside(root, "CodeBook")), None)
    if book is None:
        raise StudyError([fault(shown, PROJECT_FILE, "The project has no codebook.", "Export it with its codes.")])
    codes = read_codes(book, root, shown)
    reading = _Reading(shown, parts, codes.guids, _users(root))
    for several in inside(root, "Sources"):
        for element in several:
            reading.add(element)
    codebook = Codebook(version, codes.codes, codes.themes)
    notes = (*codes.notes, *reading.notes())
    return Project(root.get("name", ""), codebook, tuple(reading.sources), tuple(reading.spans), notes)


def _decoded(content: bytes, shown: str, part: str) -> str:
    try:
        return content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        found = f"{part} is not UTF-8 text."
        raise StudyError([fault(shown, part, found, "Export the project again.")]) from None


def _users(root: ElementTree.Element) -> dict[str, str]:
    return {
        guid_in(user.get("guid")): user.get("name") or user.get("id") or ""
        for users in inside(root, "Users")
        for user in inside(users, "User")
    }


class _Reading:
    """Sources and spans gathered from a project, and what had to be left out."""

    def __init__(self, shown: str, parts: Mapping[str, bytes], codes: Mapping[str, str], users: Mapping[str, str]):
        self.shown, self.codes, self.users = shown, codes, users
        self.parts = {name.rpartition("/")[2].lower(): content for name, content in parts.items()}
        self.sources: list[Source] = []
        self.spans: list[CodedSpan] = []
        self.left_out: dict[str, list[str]] = {}

    def notes(self) -> list[Finding]:
        """One note for each sort of thing that was left out."""
        return [
            Finding(
                "attention",
                "left out",
                self.shown,
                ", ".join(dict.fromkeys(names)),
                f"{len(names)} {what} left out.",
                "Look at them in the program that wrote the file.",
            )
            for what, names in self.left_out.items()
        ]

    def leave_out(self, what: str, name: str) -> None:
        self.left_out.setdefault(what, []).append(name)

    def add(self, element: ElementTree.Element) -> None:
        name = " ".join(element.get("name", "").split()) or f"source {len(self.sources) + 1}"
        if local_name(element) != "TextSource":
            self.leave_out("sources that are no plain text are", name)
            return
        text = self._text(element)
        if text is None:
            self.leave_out("texts that are not in the archive are", name)
            return
        while name in {one.name for one in self.sources}:
            name += " (another)"
        self.sources.append(Source(name, text))
        for coding in inside(element, "Coding"):
            self._add_coding(coding, name, 0, len(text), "")
        for selection in inside(element, "PlainTextSelection"):
            self._add_selection(selection, name, text)

    def _text(self, element: ElementTree.Element) -> str | None:
        """The words of a source: inside the project, or in a file of the archive."""
        if inline := inside(element, "PlainTextContent"):
            return inline[0].text or ""
        path = (element.get("plainTextPath") or "").removeprefix(_INTERNAL).rpartition("/")[2].lower()
        content = self.parts.get(path)
        return None if content is None else _decoded(content, self.shown, path).replace("\r\n", "\n")

    def _add_selection(self, selection: ElementTree.Element, name: str, text: str) -> None:
        places = [selection.get(one, "").strip() for one in ("startPosition", "endPosition")]
        if not all(re.fullmatch(r"\d{1,9}", one, re.ASCII) for one in places):
            self.leave_out("spans without a place are", name)
            return
        start, end = map(int, places)
        if not start < end <= len(text):
            self.leave_out("spans that do not lie in their text are", name)
            return
        remark = " ".join("".join(one.text or "" for one in inside(selection, "Description")).split())
        codings = inside(selection, "Coding")
        for coding in codings:
            self._add_coding(coding, name, start, end, remark)
        if not codings:
            by, at = self._made_by(selection)
            self.spans.append(CodedSpan(name, start, end, "", by, at, remark))

    def _made_by(self, element: ElementTree.Element) -> tuple[str, str]:
        return self.users.get(guid_in(element.get("creatingUser")), ""), element.get("creationDateTime", "")

    def _add_coding(self, coding: ElementTree.Element, name: str, start: int, end: int, remark: str) -> None:
        named = [guid_in(one.get("targetGUID")) for one in inside(coding, "CodeRef")]
        code = self.codes.get(named[0]) if named else None
        if code is None:
            self.leave_out("codings without a code of the codebook are", name)
            return
        by, at = self._made_by(coding)
        self.spans.append(CodedSpan(name, start, end, code, by, at, remark))
