"""QDPX files: against the standard's published schema, out and in again, and what strangers may send."""

from __future__ import annotations

import io
import zipfile
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from study_folders import faults_of

from workbench.codebook.model import Code, Codebook, Theme
from workbench.coding.exchange import CodedSpan, Source, qdpx, read_qdpx
from workbench.errors import ArgumentError

SCHEMA = Path(__file__).parent.parent / "references" / "refi_qda_project.xsd"
BOOK = Codebook("2", (Code("HEFT", "Weight", "W"), Code("SWAY", parent="HEFT"), Code("PLAY")), (Theme("W", "Weight"),))
SOURCES = (Source("A01", "It was heavy. 🥄 Schöne Suppe.\nGut.\n"), Source("A03", "Light & <fun>"))
SPANS = (
    CodedSpan("A01", 0, 13, "HEFT", "R1", "2026-03-02T09:30:00+00:00", "about still+slosh, mixed"),
    CodedSpan("A01", 0, 13, "SWAY", "R2", "", "about still+slosh, mixed"),
    CodedSpan("A01", 14, 15, "PLAY", "R1"),
    CodedSpan("A03", 8, 13, "PLAY"),
)
GUID = "0a0b0c0d-0001-4002-8003-00000000000{}"


@cache
def schema() -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(SCHEMA))


def project_of(content: bytes) -> etree._Element:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return etree.fromstring(archive.read("project.qde"))


def read_back(folder: Path, content: bytes, **keys):
    path = folder / "project.qdpx"
    path.write_bytes(content)
    return read_qdpx(path, "project.qdpx", **keys)


def archive(folder: Path, **parts: str) -> Path:
    path = folder / "project.qdpx"
    with zipfile.ZipFile(path, "w") as made:
        for name, text in parts.items():
            made.writestr(name.replace("__", "/").replace("_", "."), text)
    return path


def project(inside: str) -> str:
    codes = f'<CodeBook><Codes><Code guid="{GUID.format(1)}" name="HEFT" isCodable="true"/></Codes></CodeBook>'
    return f'<Project xmlns="urn:QDA-XML:project:1.0" name="theirs">{codes}{inside}</Project>'


def test_what_is_written_fits_the_published_schema():
    schema().assertValid(project_of(qdpx("Kitchen", "kitchen", BOOK, SOURCES, SPANS)))
    schema().assertValid(project_of(qdpx("", "kitchen", BOOK, (), ())))


def test_what_is_written_is_read_again(tmp_path):
    read = read_back(tmp_path, qdpx("Kitchen", "kitchen", BOOK, SOURCES, SPANS), version="2")
    assert read.name == "Kitchen"
    assert read.codebook == BOOK
    assert read.sources == SOURCES
    assert set(read.spans) == set(SPANS)
    assert read.notes == ()


def test_positions_are_code_points_that_select_the_words(tmp_path):
    read = read_back(tmp_path, qdpx("Kitchen", "kitchen", BOOK, SOURCES, SPANS))
    texts = {one.name: one.text for one in read.sources}
    (spoon,) = [one for one in read.spans if one.start == 14]
    assert texts[spoon.source][spoon.start : spoon.end] == "🥄"


def test_the_same_project_gives_the_same_bytes():
    assert qdpx("K", "kitchen", BOOK, SOURCES, SPANS) == qdpx("K", "kitchen", BOOK, SOURCES, SPANS[::-1])


@st.composite
def coded(draw: st.DrawFn) -> tuple[list[Source], list[CodedSpan]]:
    alphabet = st.characters(exclude_categories=("Cs", "Cc", "Cn", "Mn"), include_characters="\n")
    texts = draw(st.lists(st.text(alphabet, min_size=1, max_size=30).filter(_is_normal), min_size=1, max_size=3))
    sources = [Source(f"T{place}", text) for place, text in enumerate(texts)]
    spans = []
    for source in draw(st.lists(st.sampled_from(sources), max_size=6)):
        start = draw(st.integers(0, len(source.text) - 1))
        end = draw(st.integers(start + 1, len(source.text)))
        spans.append(
            CodedSpan(source.name, start, end, draw(st.sampled_from(BOOK.names)), draw(st.sampled_from(["", "R1"])))
        )
    return sources, list(dict.fromkeys(spans))


def _is_normal(text: str) -> bool:
    from workbench.files import normalized

    return normalized(text) == text and "\ufeff" not in text


@settings(max_examples=40)
@given(coded())
def test_any_coded_texts_fit_the_schema_and_are_read_again(tmp_path_factory, made):
    sources, spans = made
    content = qdpx("K", "kitchen", BOOK, sources, spans)
    schema().assertValid(project_of(content))
    read = read_back(tmp_path_factory.mktemp("qdpx"), content)
    assert list(read.sources) == sources
    assert set(read.spans) == set(spans)


@pytest.mark.parametrize(
    ("sources", "spans", "message"),
    [
        ((*SOURCES, SOURCES[0]), (), "a name twice"),
        (SOURCES, [CodedSpan("A09", 0, 1, "HEFT")], "“A09”, which is not among"),
        (SOURCES, [CodedSpan("A03", 5, 14, "HEFT")], "“A03” has 13 characters"),
        (SOURCES, [CodedSpan("A03", 5, 5, "HEFT")], "from 5 to 5"),
        (SOURCES, [CodedSpan("A03", 0, 5, "NONE")], "no such code"),
        (SOURCES, [CodedSpan("A03", 0, 5, "HEFT", "R1", "noon")], "“noon”; a time"),
    ],
)
def test_what_cannot_be_written_is_refused(sources, spans, message):
    with pytest.raises(ArgumentError, match=message):
        qdpx("K", "kitchen", BOOK, sources, spans)


def test_a_project_of_others_is_read_and_what_is_left_out_is_told(tmp_path):
    coding = f'<Coding guid="{GUID.format(7)}" creatingUser="{GUID.format(2)}"><CodeRef targetGUID="{{{GUID.format(1).upper()}}}"/></Coding>'
    strange = f'<Coding guid="{GUID.format(7)}"><CodeRef targetGUID="{GUID.format(9)}"/></Coding>'

    def selection(start: object, end: object, inside: str) -> str:
        return f'<PlainTextSelection guid="{GUID.format(6)}" startPosition="{start}" endPosition="{end}">{inside}</PlainTextSelection>'

    inside = (
        f'<Users><User guid="{GUID.format(2)}" name="Ada"/></Users><Sources>'
        f'<TextSource guid="{GUID.format(3)}" name="one"><PlainTextContent>hello pot</PlainTextContent>'
        f"{selection(0, 5, coding)}{selection(6, 99, coding)}{selection('x', 5, coding)}{selection(0, 5, strange)}{coding}</TextSource>"
        f'<TextSource guid="{GUID.format(4)}" name="two" plainTextPath="internal://two.TXT">{selection(0, 3, coding)}</TextSource>'
        f'<TextSource guid="{GUID.format(5)}" name="three" plainTextPath="internal://three.txt"/>'
        f'<PictureSource guid="{GUID.format(6)}" name="photo"/></Sources>'
    )
    path = archive(tmp_path, project_qde=project(inside), sources__two_txt="\ufeffsoup\r\nhot")
    read = read_qdpx(path, "project.qdpx")
    assert [(one.name, one.text) for one in read.sources] == [("one", "hello pot"), ("two", "soup\nhot")]
    assert [(one.source, one.start, one.end, one.code, one.by) for one in read.spans] == [
        ("one", 0, 9, "HEFT", "Ada"),
        ("one", 0, 5, "HEFT", "Ada"),
        ("two", 0, 3, "HEFT", "Ada"),
    ]
    assert len(read.notes) == 5
    assert {one.severity for one in read.notes} == {"attention"}


@pytest.mark.parametrize(
    ("parts", "found"),
    [
        ({"other_qde": "<Project/>"}, "no project.qde"),
        ({"project_qde": "<Project"}, "not well-formed"),
        ({"project_qde": "<CodeBook/>"}, "begins with <CodeBook>"),
        ({"project_qde": '<Project xmlns="urn:QDA-XML:project:1.0"/>'}, "has no codebook"),
        ({"project_qde": '<!DOCTYPE a [<!ENTITY b "c">]><Project/>'}, "has a DTD"),
    ],
)
def test_other_archives_are_refused(tmp_path, parts, found):
    (only,) = faults_of(read_qdpx, archive(tmp_path, **parts), "project.qdpx")
    assert found in only.found


def test_what_is_no_archive_is_refused(tmp_path):
    path = tmp_path / "project.qdpx"
    path.write_text("words", encoding="utf-8")
    assert len(faults_of(read_qdpx, path, "project.qdpx")) == 1
