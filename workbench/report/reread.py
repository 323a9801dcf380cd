"""Written documents read back: their sentences, and their tables as a reader sees them.

HTML, Word, LaTeX and Markdown become one form, so that one set of checks serves all four.
"""

from __future__ import annotations

import html
import io
import re
import zipfile
from dataclasses import dataclass, field
from html.parser import HTMLParser
from xml.etree import ElementTree

from workbench.report.latex import unescaped

_W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"


@dataclass(slots=True)
class ReadTable:
    """A table: the heading it stands under, its caption, and its cells as text."""

    heading: str
    caption: str = ""
    header: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


@dataclass(slots=True)
class Reread:
    """What a document says. `numbers` are (id, text) where the document has ids."""

    sentences: list[tuple[str, str]] = field(default_factory=list)
    tables: list[ReadTable] = field(default_factory=list)
    numbers: list[tuple[str, str]] = field(default_factory=list)


def from_html(page: str) -> Reread:
    """The sentences, tables and numbers of an HTML page; what figures draw is left out, their text alternative is not."""
    reader = _Page()
    reader.feed(re.sub(r"<(style|svg)\b.*?</\1>", "", page, flags=re.DOTALL))
    return reader.found


class _Page(HTMLParser):
    """Collects the text of blocks, the cells of tables and what bears an id."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found = Reread()
        self._heading = ""
        self._text: list[str] = []
        self._number: tuple[str, list[str]] | None = None
        self._group = False

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        if tag in ("p", "li", "dd", "dt", "h1", "h2", "h3", "caption", "td", "th", "figcaption", "summary"):
            self._text = []
        if tag == "table":
            self.found.tables.append(ReadTable(self._heading))
        if tag == "tr" and self.found.tables:
            self.found.tables[-1].rows.append([])
        if tag == "th":
            self._group = given.get("scope") == "rowgroup"
        if tag == "br":
            self._text.append("\n")
        if given.get("data-id"):
            self._number = (str(given["data-id"]), [])

    def handle_data(self, data: str) -> None:
        self._text.append(data)
        if self._number:
            self._number[1].append(data)

    def handle_endtag(self, tag: str) -> None:
        if self._number and tag in ("span", "td"):
            self.found.numbers.append((self._number[0], _even("".join(self._number[1]))))
            self._number = None
        text = _even("".join(self._text))
        if tag in ("h1", "h2", "h3"):
            self._heading = text
        elif tag == "caption":
            self.found.tables[-1].caption = text
        elif tag in ("td", "th") and not self._group:
            self.found.tables[-1].rows[-1].append(text)
        elif tag == "thead":
            self.found.tables[-1].header = self.found.tables[-1].rows.pop()
        elif tag in ("p", "li", "dd", "figcaption") and text:
            self.found.sentences.append((self._heading, text))
        if tag == "tr" and self.found.tables and self._group:
            self.found.tables[-1].rows.pop()
            self._group = False


def _even(text: str) -> str:
    return re.sub(r"[ \u00a0\n]+", " ", text).strip()


def from_word(content: bytes) -> Reread:
    """The sentences and tables of a .docx file."""
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        body = ElementTree.fromstring(package.read("word/document.xml")).find(f"{_W}body")
    found, heading, caption = Reread(), "", ""
    for block in body if body is not None else ():
        if block.tag == f"{_W}p":
            style = block.find(f"{_W}pPr/{_W}pStyle")
            name = style.get(f"{_W}val", "") if style is not None else ""
            text = _even(_word_text(block))
            if name.startswith(("Heading", "Title")):
                heading = text
            elif name == "Caption":
                caption = text
            if text:
                found.sentences.append((heading, text))
        elif block.tag == f"{_W}tbl":
            table = ReadTable(heading, caption)
            for row in block.iter(f"{_W}tr"):
                cells = [_even(_word_text(cell)) for cell in row.iter(f"{_W}tc")]
                if row.find(f"{_W}trPr/{_W}tblHeader") is not None:
                    table.header = cells
                elif len(cells) == len(table.header):
                    table.rows.append(cells)
            found.tables.append(table)
    return found


def _word_text(element: ElementTree.Element) -> str:
    return "".join(
        "\n" if one.tag == f"{_W}br" else one.text or "" for one in element.iter() if one.tag in (f"{_W}t", f"{_W}br")
    )


def from_markdown(text: str) -> Reread:
    """The sentences and tables of a Markdown file as this program writes it."""
    found, heading, caption = Reread(), "", ""
    for block in re.split(r"\n{2,}", text):
        if block.startswith("#"):
            heading = _unmarked(block.lstrip("# "))
        elif block.startswith("| "):
            lines = [
                [_unmarked(cell) for cell in line.removeprefix("| ").removesuffix(" |").split(" | ")]
                for line in block.splitlines()
            ]
            table = ReadTable(heading, caption, lines[0])
            for line, cells in zip(block.splitlines()[2:], lines[2:], strict=True):
                if not re.match(r"\| \*\*.*\*\* \|[ |]*$", line):
                    table.rows.append(cells)
            found.tables.append(table)
        elif not block.startswith("!["):
            caption = _unmarked(block)
            found.sentences += [(heading, _unmarked(line)) for line in block.splitlines()]
    return found


def _unmarked(text: str) -> str:
    return _even(html.unescape(re.sub(r"\\([\\`*_\[\]|~$])", r"\1", re.sub(r"(?<!\\)\*+|^- |<br>", " ", text))))


def from_latex(text: str) -> Reread:
    """The sentences and tables of a LaTeX file as this program writes it."""
    found, heading, caption = Reread(), "", ""
    body = text.partition("\\begin{document}")[2]
    blocks = r"(\\begin\{(?:tabular|longtable)\}.*?\\end\{(?:tabular|longtable)\})"
    for block in re.split(
        blocks,
        re.sub(r"\\shortstack\[r\]\{((?:[^{}]|\{[^{}]*\})*)\}", lambda match: match[1].replace(r" \\ ", " "), body),
        flags=re.DOTALL,
    ):
        if block.startswith(("\\begin{tabular}", "\\begin{longtable}")):
            table = ReadTable(heading, caption)
            rules = block.split("\\midrule\n")
            table.header = _latex_cells(rules[0].split("\\toprule\n")[-1])
            for line in rules[-1].split("\\endhead\n")[-1].splitlines():
                if " & " in line:
                    table.rows.append(_latex_cells(line))
            found.tables.append(table)
            continue
        for line in block.splitlines():
            titled = re.match(r"\\(?:sub)?section\{(.*)\}$", line)
            captioned = re.match(r"\\caption\{(.*?)\}\\label", line)
            if titled:
                heading = unescaped(titled[1])
            elif captioned:
                caption = unescaped(captioned[1])
            elif line and not line.startswith(("\\begin", "\\end", "\\maketitle", "\\includegraphics", "\\centering")):
                found.sentences.append((heading, _even(unescaped(re.sub(r"^\\(item|par|paragraph)\b", "", line)))))
    return found


def _latex_cells(line: str) -> list[str]:
    return [_even(unescaped(cell)) for cell in line.rstrip().removesuffix("\\\\").split(" & ")]
