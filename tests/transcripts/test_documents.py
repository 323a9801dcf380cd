"""DOCX documents: made by python-docx, and archives that are damaged or made to do harm."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import docx
import pytest
from docx.oxml import parse_xml
from docx.oxml.ns import nsdecls

from workbench import files
from workbench.errors import StudyError
from workbench.transcripts.documents import document_lines

W = 'xmlns:w="http://schemas.openxmlformats.org/wordprocessingml/2006/main"'


def saved(document, folder: Path) -> Path:
    document.save(str(folder / "a.docx"))
    return folder / "a.docx"


def archive(folder: Path, parts: dict[str, str | bytes]) -> Path:
    path = folder / "a.docx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        for name, content in parts.items():
            out.writestr(name, content)
    return path


def lines(path: Path, notes: list | None = None) -> list[tuple[str, int]]:
    return [(one.text, one.level) for one in document_lines(path, "a.docx", [] if notes is None else notes)]


def refused(path: Path) -> str:
    with pytest.raises(StudyError) as raised:
        document_lines(path, "a.docx", [])
    return raised.value.findings[0].found


def test_paragraphs_headings_breaks_and_tables(tmp_path):
    document = docx.Document()
    document.add_heading("Interview", 0)
    document.add_heading("Weight", 2)
    document.add_paragraph("Interviewer: And?")
    run = document.add_paragraph("A01: Heavy").add_run(" indeed.")
    run.bold = True
    run.add_break()
    run.add_text("Really.")
    document.add_paragraph("")
    table = document.add_table(rows=2, cols=3)
    for row, cells in zip(table.rows, (("0:01", "Interviewer", "Why?"), ("0:02", "A01:", "Because.")), strict=True):
        for cell, words in zip(row.cells, cells, strict=True):
            cell.text = words
    document.add_paragraph("A01:\tYes.")
    assert lines(saved(document, tmp_path)) == [
        ("Interview", 1),
        ("Weight", 2),
        ("Interviewer: And?", 0),
        ("A01: Heavy indeed.", 0),
        ("Really.", 0),
        ("0:01 Interviewer: Why?", 0),
        ("0:02 A01: Because.", 0),
        ("A01:\tYes.", 0),
    ]


def test_numbers_are_paragraphs_and_words_agree_with_python_docx(tmp_path):
    document = docx.Document()
    for place in range(20):
        document.add_paragraph(f"A01: Words {place} with ümläuts, 重い and 👩🏽‍🍳.")
    path = saved(document, tmp_path)
    found = document_lines(path, "a.docx", [])
    assert [one.text for one in found] == [one.text for one in docx.Document(str(path)).paragraphs]
    assert [one.number for one in found] == list(range(1, 21))


def test_tracked_changes_read_as_accepted(tmp_path):
    document = docx.Document()
    paragraph = document.add_paragraph("A01: It was ")
    paragraph._p.append(parse_xml(f"<w:del {nsdecls('w')}><w:r><w:delText>light</w:delText></w:r></w:del>"))
    paragraph._p.append(parse_xml(f"<w:ins {nsdecls('w')}><w:r><w:t>heavy</w:t></w:r></w:ins>"))
    notes: list = []
    assert lines(saved(document, tmp_path), notes) == [("A01: It was heavy", 0)]
    assert [note.kind for note in notes] == ["tracked changes"]


def test_a_style_based_on_a_heading_is_one(tmp_path):
    document = docx.Document()
    style = document.styles.add_style("Part", docx.enum.style.WD_STYLE_TYPE.PARAGRAPH)
    style.base_style = document.styles["Heading 3"]
    document.add_paragraph("Weight", style="Part")
    assert lines(saved(document, tmp_path)) == [("Weight", 3)]


def test_comments_are_told_and_not_read(tmp_path):
    document = docx.Document()
    paragraph = document.add_paragraph("A01: Heavy.")
    document.add_comment(paragraph.runs, text="check this", author="R1")
    notes: list = []
    assert lines(saved(document, tmp_path), notes) == [("A01: Heavy.", 0)]
    assert [note.kind for note in notes] == ["not read"]


class TestHarm:
    def test_an_archive_that_unpacks_to_too_much(self, tmp_path, monkeypatch):
        monkeypatch.setattr(files, "LARGEST_DOCUMENT", 1_000_000)
        path = archive(tmp_path, {"word/document.xml": b"<w>" + b" " * 2_000_000})
        assert path.stat().st_size < 10_000
        assert "unpacks to 2 MB" in refused(path)

    def test_an_archive_of_too_many_parts(self, tmp_path, monkeypatch):
        monkeypatch.setattr(files, "MOST_PARTS", 100)
        assert "101 parts" in refused(archive(tmp_path, {f"word/{number}.xml": "" for number in range(101)}))

    def test_a_size_that_lies_is_damage(self, tmp_path):
        path = archive(tmp_path, {"word/document.xml": f"<w:document {W}>{' ' * 100_000}</w:document>"})
        content = bytearray(path.read_bytes())
        at = content.find(b"PK\x01\x02") + 24
        content[at : at + 4] = (10).to_bytes(4, "little")
        path.write_bytes(bytes(content))
        assert "damaged" in refused(path)

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
    def test_entities_that_grow_are_refused(self, tmp_path, encoding):
        grow = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
        xml = f'<?xml version="1.0" encoding="{encoding}"?><!DOCTYPE w [<!ENTITY l0 "lol">{grow}]><w:document {W}>&l9;</w:document>'
        found = refused(archive(tmp_path, {"word/document.xml": xml.encode(encoding)}))
        assert "document type" in found

    def test_an_external_entity_is_refused(self, tmp_path):
        (tmp_path / "secret.txt").write_text("secret")
        xml = f'<!DOCTYPE w [<!ENTITY x SYSTEM "{(tmp_path / "secret.txt").as_uri()}">]><w:document {W}><w:p><w:r><w:t>&x;</w:t></w:r></w:p></w:document>'
        assert "document type" in refused(archive(tmp_path, {"word/document.xml": xml}))

    def test_elements_deep_in_each_other_do_not_overflow(self, tmp_path):
        xml = f"<w:document {W}>{'<w:x>' * 200_000}{'</w:x>' * 200_000}</w:document>"
        assert lines(archive(tmp_path, {"word/document.xml": xml})) == []

    @pytest.mark.parametrize("content", [b"", b"A01: Heavy.", b"PK\x03\x04 cut off", b"\xd0\xcf\x11\xe0" + b"\0" * 600])
    def test_other_bytes(self, tmp_path, content):
        (tmp_path / "a.docx").write_bytes(content)
        assert "document" in refused(tmp_path / "a.docx")

    def test_damaged_xml_and_an_archive_of_something_else(self, tmp_path):
        assert "damaged" in refused(archive(tmp_path, {"word/document.xml": "<w:document"}))
        assert "no DOCX" in refused(archive(tmp_path, {"readme.xml": "<a/>"}))

    def test_a_locked_archive(self, tmp_path):
        path = archive(tmp_path, {"word/document.xml": f"<w:document {W}/>"})
        content = bytearray(path.read_bytes())
        for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
            content[content.find(mark) + offset] |= 1
        path.write_bytes(bytes(content))
        assert "locked" in refused(path)


def test_names_of_parts_are_never_written(tmp_path):
    buffer = io.BytesIO()
    docx.Document().save(buffer)
    path = tmp_path / "in" / "a.docx"
    path.parent.mkdir()
    path.write_bytes(buffer.getvalue())
    with zipfile.ZipFile(path, "a") as out:
        out.writestr("../../escaped.xml", "<a/>")
    document_lines(path, "a.docx", [])
    assert sorted(one.name for one in tmp_path.rglob("*")) == ["a.docx", "in"]
