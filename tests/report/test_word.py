"""Word documents: real tables with header rows, numbers at the right, the same bytes each time."""

from __future__ import annotations

import io
import shutil
import subprocess
import zipfile

import docx
import pytest
from awkward_words import AWKWARD, awkward_report, awkward_table

from workbench.report.table import Column, Table, printable
from workbench.report.word import tables_document, to_word

TABLE = Table(
    "t",
    "Tests",
    (Column("label", "Measure"), Column("p", "p", "p"), Column("r", "r", "bounded", low="low", high="high")),
    ({"label": "Effort", "p": 0.0123, "r": -0.5, "low": -0.8, "high": 0.1},),
    ("Mind this.",),
)


def opened(content: bytes):
    return docx.Document(io.BytesIO(content))


def test_a_table_is_a_table():
    document = opened(tables_document([TABLE]))
    (table,) = document.tables
    assert [[cell.text for cell in row.cells] for row in table.rows] == [
        ["Measure", "p", "r"],
        ["Effort", ".012", "−.50 [−.80, .10]"],
    ]
    assert "w:tblHeader" in table.rows[0]._tr.xml
    assert "w:tblHeader" not in table.rows[1]._tr.xml
    alignment = [cell.paragraphs[0].alignment for cell in table.rows[1].cells]
    assert alignment[0] is None
    assert [str(one) for one in alignment[1:]] == ["RIGHT (2)", "RIGHT (2)"]
    told = [paragraph.text for paragraph in document.paragraphs]
    assert told == ["Table 1. Tests", "Note. Mind this."]


def test_any_text_arrives_as_it_is():
    (table,) = opened(tables_document([awkward_table()])).tables
    assert [row.cells[0].text for row in table.rows[1:]] == [printable(text) for text in AWKWARD]


def test_nothing_of_time_or_place_is_in_it():
    first, second = to_word(awkward_report()), to_word(awkward_report())
    assert first == second
    properties = opened(first).core_properties
    assert (properties.author, properties.last_modified_by) == ("", "")
    assert properties.created == properties.modified
    with zipfile.ZipFile(io.BytesIO(first)) as package:
        assert {entry.date_time for entry in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_every_figure_of_the_demo_has_its_text_alternative(demo):
    document = opened((demo.results / "report.docx").read_bytes())
    described = [shape._inline.docPr.get("descr") for shape in document.inline_shapes]
    figures = list((demo.results / "figures").glob("*.svg"))
    assert len(described) == len(figures)
    assert all(len(text) > 60 for text in described)


def test_the_tables_of_a_paper_are_there(demo):
    titles = [
        one.text
        for one in opened((demo.results / "tables.docx").read_bytes()).paragraphs
        if one.text.startswith("Table ")
    ]
    for what in (
        "Scales and",
        "Measures by condition",
        "Differences between",
        "Pairs of conditions",
        "Preference",
        "Codes by condition",
        "codes they raised",
        "Agreement",
        "side by side",
    ):
        assert any(what in title for title in titles), what


@pytest.mark.full
@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
def test_an_office_program_reads_it(demo, tmp_path):
    (tmp_path / "awkward.docx").write_bytes(to_word(awkward_report()))
    shutil.copy(demo.results / "report.docx", tmp_path / "report.docx")
    for name in ("awkward", "report"):
        run = ["soffice", "--headless", "--convert-to", "pdf", f"{name}.docx"]
        subprocess.run(
            run, cwd=tmp_path, env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin"}, check=True, capture_output=True
        )
        assert (tmp_path / f"{name}.pdf").stat().st_size > 10_000
