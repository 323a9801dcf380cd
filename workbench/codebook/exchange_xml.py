"""The XML of the REFI-QDA exchange standard: GUIDs, writing, and reading what strangers wrote without harm."""

from __future__ import annotations

import re
import uuid
from xml.etree import ElementTree
from xml.parsers import expat

from workbench.errors import StudyError
from workbench.files import fault

LARGEST_XML, MOST_ELEMENTS, DEEPEST = 20_000_000, 200_000, 100
"""Characters, elements and levels of an exchange file beyond which it is not read."""

_GUIDS = uuid.UUID("2f6c1a58-6c0f-5d0e-9f0b-7f5f6f0d3b1e")
"""Under which the GUIDs of codes and themes are made, so that one code has the same GUID in every export of a study."""

_NOT_IN_XML = re.compile(r"[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def guid(study: str, kind: str, name: str) -> str:
    """The GUID of a thing of this kind and name in a study, the same each time."""
    return str(uuid.uuid5(_GUIDS, "\x1f".join((study, kind, name))))


def xml_bytes(root: ElementTree.Element) -> bytes:
    """An element as an indented XML file in UTF-8; characters that XML cannot hold become the replacement character."""
    for one in root.iter():
        one.text = _NOT_IN_XML.sub("\ufffd", one.text) if one.text else one.text
        for name, value in one.attrib.items():
            one.set(name, _NOT_IN_XML.sub("\ufffd", value))
    ElementTree.indent(root)
    content: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return content + b"\n"


def safe_xml(text: str, shown: str) -> ElementTree.Element:
    """The root of an XML text that was written by strangers; StudyError for a DTD, and for what is too large or deep."""
    if len(text) > LARGEST_XML:
        found = f"The file has {len(text):,} characters; up to {LARGEST_XML:,} are read."
        raise StudyError([fault(shown, "", found, "Export less of it.")])
    depth = elements = 0

    def refuse(found: str) -> None:
        raise StudyError([fault(shown, f"line {parser.CurrentLineNumber}", found, "Export it again without it.")])

    def begun(*_: object) -> None:
        nonlocal depth, elements
        depth, elements = depth + 1, elements + 1
        if depth > DEEPEST or elements > MOST_ELEMENTS:
            refuse(f"The file has more than {MOST_ELEMENTS:,} elements, or more than {DEEPEST} inside each other.")

    def ended(*_: object) -> None:
        nonlocal depth
        depth -= 1

    parser = expat.ParserCreate("utf-8")
    parser.StartDoctypeDeclHandler = lambda *_: refuse("The file has a DTD, which exchange files do not need.")
    parser.StartElementHandler, parser.EndElementHandler = begun, ended
    content = text.removeprefix("\ufeff").encode()
    try:
        parser.Parse(content, True)
        return ElementTree.fromstring(content, parser=ElementTree.XMLParser(encoding="utf-8"))
    except (expat.ExpatError, ElementTree.ParseError) as error:
        line = getattr(error, "lineno", 0) or error.position[0]  # type: ignore[union-attr]
        found = "This is not well-formed XML."
        raise StudyError([fault(shown, f"line {line}", found, "Export it again.")]) from None


def local_name(element: ElementTree.Element) -> str:
    """The name of an element without its namespace."""
    return element.tag.rpartition("}")[2]


def inside(element: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    """The elements of a name directly below another."""
    return [one for one in element if local_name(one) == name]


def guid_in(text: str | None) -> str:
    """A GUID in lower case without braces, "" where it is none."""
    try:
        return str(uuid.UUID((text or "").strip().strip("{}")))
    except ValueError:
        return ""
