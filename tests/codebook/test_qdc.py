"""QDC files: against schemas of the standard, out and in again, and what strangers may send."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path

import pytest
from codebook.books import codebooks
from hypothesis import given
from lxml import etree
from study_folders import faults_of

from workbench.codebook.exchange_xml import DEEPEST
from workbench.codebook.model import Code, Codebook, Theme
from workbench.codebook.qdc import NAMESPACE, qdc, read_qdc

REFERENCES = Path(__file__).parent.parent / "references"
BOOK = Codebook(
    "2",
    (
        Code("A", "Apple", "FRUIT", definition="red & <round>", example="I said:\nLabel: no", merged_from=("X", "Y")),
        Code("B", theme="FRUIT", parent="A"),
        Code("C"),
    ),
    (Theme("FRUIT", "Fruit", "grows on trees"),),
)
GUID = "0a0b0c0d-0001-4002-8003-00000000000{}"


@cache
def schema(name: str) -> etree.XMLSchema:
    return etree.XMLSchema(etree.parse(REFERENCES / f"refi_qda_{name}.xsd"))


def read_back(folder: Path, content: bytes | str):
    path = folder / "book.qdc"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_qdc(path, "book.qdc")


def foreign(codes: str, sets: str = "") -> str:
    return (
        f'<?xml version="1.0" encoding="utf-8"?><CodeBook xmlns="{NAMESPACE}"><Codes>{codes}</Codes>{sets}</CodeBook>'
    )


@given(codebooks())
def test_what_is_written_fits_the_schema_of_codebooks(book):
    schema("codebook").assertValid(etree.fromstring(qdc(book, "kitchen")))


@given(codebooks())
def test_the_codes_fit_the_published_schema_of_projects(book):
    root = etree.fromstring(qdc(book, "kitchen"))
    project = etree.fromstring('<Project xmlns="urn:QDA-XML:project:1.0" name="x"><CodeBook/></Project>')
    project[0].append(copy.deepcopy(root[0]))
    text = etree.tostring(project).decode().replace(NAMESPACE, "urn:QDA-XML:project:1.0")
    schema("project").assertValid(etree.fromstring(text))


def test_a_theme_is_a_set_and_a_parent_holds_its_children():
    root = etree.fromstring(qdc(BOOK, "kitchen"))
    names = {"q": NAMESPACE}
    assert root.xpath("q:Codes/q:Code/@name", namespaces=names) == ["A", "C"]
    assert root.xpath("q:Codes/q:Code/q:Code/@name", namespaces=names) == ["B"]
    members = root.xpath("q:Sets/q:Set[@name='FRUIT']/q:MemberCode/@guid", namespaces=names)
    assert members == root.xpath("//q:Code[@name='A' or @name='B']/@guid", namespaces=names)


def test_guids_stay_the_same_in_a_study_and_differ_between_studies():
    assert qdc(BOOK, "kitchen") == qdc(BOOK, "kitchen")
    assert qdc(BOOK, "kitchen") != qdc(BOOK, "bakery")


def test_what_is_written_is_read_again(tmp_path):
    book, notes = read_back(tmp_path, qdc(BOOK, "kitchen"))
    assert (book.codes, book.themes, notes) == (BOOK.codes, BOOK.themes, ())


@given(codebooks())
def test_any_codebook_is_read_again(tmp_path_factory, book):
    back, notes = read_back(tmp_path_factory.mktemp("qdc"), qdc(book, "kitchen"))
    assert {one.code: one for one in back.codes} == {one.code: one for one in book.codes}
    assert back.themes == book.themes
    assert notes == ()


def test_a_codebook_of_others_is_read(tmp_path):
    codes = (
        f'<Code guid="{{{GUID.format(1).upper()}}}" name="Feelings" isCodable="false"><Description>a group</Description>'
        f'<Code guid="{GUID.format(2)}" name="Fear" isCodable="true" color="#ff0000"><Description>when afraid</Description></Code>'
        f'<Code guid="{GUID.format(3)}" name="Joy; glee" isCodable="true"/></Code>'
        f'<Code guid="{GUID.format(4)}" name="Fear" isCodable="true"/>'
    )
    sets = (
        f'<Sets><Set guid="{GUID.format(5)}" name="Mine"><MemberCode targetGUID="{GUID.format(4)}"/>'
        f'<MemberCode guid="{GUID.format(2)}"/></Set><Set guid="{GUID.format(6)}" name="Lost"><MemberCode guid="{GUID.format(9)}"/></Set></Sets>'
    )
    book, notes = read_back(tmp_path, foreign(codes, sets))
    assert [(one.code, one.theme, one.definition) for one in book.codes] == [
        ("Fear", "Feelings", "when afraid"),
        ("Joy, glee", "Feelings", ""),
        ("Fear 2", "Mine", ""),
    ]
    assert [(one.theme, one.definition) for one in book.themes] == [("Feelings", "a group"), ("Mine", "")]
    assert len(notes) == 3


def test_a_code_under_another_gets_the_name_above_it_where_its_own_is_taken(tmp_path):
    codes = (
        f'<Code guid="{GUID.format(1)}" name="Fear" isCodable="true"/><Code guid="{GUID.format(2)}" name="Heat" isCodable="true">'
        f'<Code guid="{GUID.format(3)}" name="Fear" isCodable="true"/></Code>'
    )
    book, _ = read_back(tmp_path, foreign(codes))
    assert book.names == ("Fear", "Heat", "Heat / Fear")


@pytest.mark.parametrize(
    ("content", "found"),
    [
        ("no xml", "not well-formed"),
        ("<CodeBook>", "not well-formed"),
        ("<Project/>", "begins with <Project>"),
        (foreign(""), "no codes in it"),
        (foreign('<Code name="A" isCodable="true"/>'), "“A” without a GUID"),
        (foreign(f'<Code guid="{GUID.format(1)}" name=" " isCodable="true"/>'), "without a name"),
        ('<!DOCTYPE x [<!ENTITY a "b">]><CodeBook/>', "has a DTD"),
        ('<!DOCTYPE x SYSTEM "file:///etc/passwd"><CodeBook/>', "has a DTD"),
        ("<a>" * (DEEPEST + 1), "inside each other"),
    ],
)
def test_other_files_are_refused(tmp_path, content, found):
    path = tmp_path / "book.qdc"
    path.write_text(content, encoding="utf-8")
    (only,) = faults_of(read_qdc, path, "book.qdc")
    assert found in only.found


def test_a_file_that_is_too_large_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("workbench.codebook.exchange_xml.LARGEST_XML", 100)
    path = tmp_path / "book.qdc"
    path.write_bytes(qdc(BOOK, "kitchen"))
    (only,) = faults_of(read_qdc, path, "book.qdc")
    assert "up to 100 are read" in only.found


def test_characters_that_xml_cannot_hold_do_not_break_the_file(tmp_path):
    book, _ = read_back(tmp_path, qdc(Codebook("1", (Code("A", definition="a\x0bb"),)), "kitchen"))
    assert book.code("A").definition == "a\ufffdb"
