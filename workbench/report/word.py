"""Tables and whole reports as Word documents: real tables with header rows, figures with their text alternative.

The same content gives the same bytes: dates in the package are fixed. Rows are written as XML at once, since building
them cell by cell takes seconds.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from workbench.report.document import Part, Report
from workbench.report.figures import Figure
from workbench.report.numbers import plain
from workbench.report.table import Table, display_width, printable, shown_cell

if TYPE_CHECKING:
    from docx.document import Document

LONG_AGO = datetime(2000, 1, 1)
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)
_NAMESPACE = 'xmlns:w="http://schemas.openxmlformats.org/wordprocessingml/2006/main"'
_PAGE_TWIPS = 9638  # 17 cm
_TALLEST = 22
"""Centimetres that a figure may be high."""
_NARROWEST = 5
_WIDEST_TEXT = 34
_TWIPS_A_CHARACTER = 94
_SHORT_TEXT = 14


def tables_document(tables: Sequence[Table], *, title: str = "") -> bytes:
    """The tables one below the other, each with a numbered caption and its notes, as the bytes of a .docx file."""
    document = _new(title)
    if title:
        document.add_heading(printable(title), 0)
    for number, table in enumerate(tables, start=1):
        _add_table(document, table, number)
    return _bytes(document)


def to_word(report: Report, png: Callable[[Figure], bytes] = Figure.png) -> bytes:
    """The report as the bytes of a .docx file; `png` has the pixels of a figure."""
    document = _new(report.title)
    document.add_heading(_words(report.title), 0)
    if report.note:
        document.add_paragraph(_words(report.note))
    document.add_heading("What was found", 1)
    for headline in report.headlines:
        paragraph = document.add_paragraph()
        paragraph.add_run(f"{_words(headline.label)} ({_words(headline.standing)}). ").bold = True
        paragraph.add_run(_words(headline.sentence))
    for lacking in report.lacks:
        document.add_paragraph(_words(lacking))
    number = 0
    for section in report.sections:
        document.add_heading(_words(section.title), 1)
        for part in section.parts:
            number = _add_part(document, part, number, png)
    document.add_heading("Read with care", 1)
    for caution in report.cautions:
        document.add_paragraph(_words(caution), style="List Bullet")
    document.add_heading("Versions", 1)
    for name, value in report.facts:
        document.add_paragraph(f"{_words(name)}: {_words(value)}")
    return _bytes(document)


def _add_part(document: Document, part: Part, number: int, png: Callable[[Figure], bytes]) -> int:
    if part.heading:
        document.add_heading(_words(part.heading), 2)
    for sentence in part.sentences:
        document.add_paragraph(_words(sentence))
    for figure in part.figures:
        _add_figure(document, figure, png(figure))
    for table in part.tables:
        number += 1
        _add_table(document, table, number)
    return number


def _words(text: str) -> str:
    return printable(text)


def _new(title: str) -> Document:
    import docx
    from docx.shared import Cm, Pt

    document = docx.Document()
    properties = document.core_properties
    properties.title, properties.author, properties.comments = _words(title)[:255], "", ""
    properties.last_modified_by = ""
    properties.created = properties.modified = LONG_AGO
    properties.revision = 1
    for section in document.sections:
        section.page_width, section.page_height = Cm(21), Cm(29.7)
        section.left_margin = section.right_margin = section.top_margin = section.bottom_margin = Cm(2)
    styles: Any = document.styles
    styles["Normal"].font.name, styles["Normal"].font.size = "Calibri", Pt(10.5)
    styles["Normal"].paragraph_format.space_after = Pt(5)
    return document


def _add_figure(document: Document, figure: Figure, png: bytes) -> None:
    from docx.shared import Cm

    shape = document.add_picture(io.BytesIO(png), width=Cm(figure.millimetres / 10))
    if shape.height > Cm(_TALLEST):
        shape.width, shape.height = round(shape.width * Cm(_TALLEST) / shape.height), Cm(_TALLEST)
    properties = shape._inline.docPr
    properties.set("descr", printable(figure.alternative))
    properties.set("name", figure.name)
    document.paragraphs[-1].paragraph_format.keep_with_next = True
    document.add_paragraph(_words(figure.title), style="Caption")


def _add_table(document: Document, table: Table, number: int) -> None:
    from docx.oxml import parse_xml
    from docx.shared import Pt

    caption = document.add_paragraph(f"Table {number}. {_words(table.title)}", style="Caption")
    caption.paragraph_format.keep_with_next = True
    body = document.element.body
    body.insert(len(body) - 1, parse_xml(_table_xml(table)))
    for note in table.notes or ("",):
        paragraph = document.add_paragraph()
        paragraph.paragraph_format.space_after = Pt(3)
        if note:
            paragraph.add_run("Note. ").italic = True
            paragraph.add_run(_words(note))
        for run in paragraph.runs:
            run.font.size = Pt(8.5)


def _table_xml(table: Table) -> str:
    widths = _widths(table)
    half_points = 17 if sum(_wanted(table)) < 100 else 15
    grid = "".join(f'<w:gridCol w:w="{width}"/>' for width in widths)
    columns = table.read_columns
    head = "".join(
        _cell_xml(column.label, width, half_points, right=column.kind != "text", bold=True, rule="bottom")
        for column, width in zip(columns, widths, strict=True)
    )
    rows = [f"<w:tr><w:trPr><w:cantSplit/><w:tblHeader/></w:trPr>{head}</w:tr>"]
    for heading, numbers in table.groups():
        if heading:
            rows.append(
                f"<w:tr><w:trPr><w:cantSplit/></w:trPr>{_cell_xml(heading, sum(widths), half_points, bold=True, span=len(columns))}</w:tr>"
            )
        for number in numbers:
            cells = "".join(
                _cell_xml(shown_cell(table.rows[number], column), width, half_points, right=column.kind != "text")
                for column, width in zip(columns, widths, strict=True)
            )
            rows.append(f"<w:tr><w:trPr><w:cantSplit/></w:trPr>{cells}</w:tr>")
    borders = "".join(f'<w:{side} w:val="single" w:sz="8" w:space="0" w:color="000000"/>' for side in ("top", "bottom"))
    margins = '<w:tblCellMar><w:left w:w="40" w:type="dxa"/><w:right w:w="70" w:type="dxa"/></w:tblCellMar>'
    properties = f'<w:tblPr><w:tblW w:w="{sum(widths)}" w:type="dxa"/><w:tblBorders>{borders}</w:tblBorders><w:tblLayout w:type="fixed"/>{margins}</w:tblPr>'
    return f"<w:tbl {_NAMESPACE}>{properties}<w:tblGrid>{grid}</w:tblGrid>{''.join(rows)}</w:tbl>"


def _cell_xml(
    text: str, width: int, half_points: int, *, right: bool = False, bold: bool = False, span: int = 1, rule: str = ""
) -> str:
    spanned = f'<w:gridSpan w:val="{span}"/>' if span > 1 else ""
    border = (
        f'<w:tcBorders><w:{rule} w:val="single" w:sz="6" w:space="0" w:color="000000"/></w:tcBorders>' if rule else ""
    )
    aligned = '<w:jc w:val="right"/>' if right else ""
    keep = "<w:keepNext/>" if bold else ""
    style = f'<w:rPr>{"<w:b/>" if bold else ""}<w:sz w:val="{half_points}"/><w:szCs w:val="{half_points}"/></w:rPr>'
    lines = "<w:br/>".join(
        f'<w:t xml:space="preserve">{escape(line)}</w:t>' for line in _words(plain(text)).split("\n")
    )
    return (
        f'<w:tc><w:tcPr><w:tcW w:w="{width}" w:type="dxa"/>{spanned}{border}</w:tcPr>'
        f'<w:p><w:pPr>{keep}<w:spacing w:before="20" w:after="20"/>{aligned}</w:pPr><w:r>{style}{lines}</w:r></w:p></w:tc>'
    )


def _wanted(table: Table) -> list[int]:
    """Characters that each column wants; text is wrapped, numbers never are."""
    wanted = []
    for column in table.read_columns:
        longest = max((display_width(shown_cell(row, column)) for row in table.rows), default=0)
        word = max(map(display_width, column.label.split()), default=1)
        label = min(word + 1, 15)  # headings are bold
        wanted.append(max(_NARROWEST, label, min(longest, _WIDEST_TEXT) if column.kind == "text" else longest))
    return wanted


def _widths(table: Table) -> list[int]:
    """Widths that fill at most the page: long text gives way before short text and numbers."""
    counts = _wanted(table)
    wanted = [(count + 2) * _TWIPS_A_CHARACTER for count in counts]
    over = sum(wanted) - _PAGE_TWIPS
    if over <= 0:
        return wanted
    text = [
        place
        for place, column in enumerate(table.read_columns)
        if column.kind == "text" and counts[place] > _SHORT_TEXT
    ]
    room = sum(wanted[place] for place in text)
    share = max(0.35, 1 - over / room) if room else 1.0
    narrowed = [round(width * share) if place in text else width for place, width in enumerate(wanted)]
    scale = min(1.0, _PAGE_TWIPS / sum(narrowed))
    return [round(width * scale) for width in narrowed]


def _bytes(document: Document) -> bytes:
    """The package with dates fixed and its parts in one order."""
    raw, out = io.BytesIO(), io.BytesIO()
    document.save(raw)
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in sorted(source.namelist(), key=lambda name: (name != "[Content_Types].xml", name)):
            entry = zipfile.ZipInfo(name, _ZIP_DATE)
            # Pixels are compressed already; doing it again takes seconds where there are many figures.
            entry.compress_type = zipfile.ZIP_STORED if name.endswith(".png") else zipfile.ZIP_DEFLATED
            target.writestr(entry, source.read(name))
    return out.getvalue()
