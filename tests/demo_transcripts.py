"""The demo's interviews as transcript files: WebVTT, text with speakers, DOCX and a table, from tests/demo_interviews.

The interviews there are written by hand and invented. Here they only get times and a file format, the same bytes each time:
`python tests/demo_transcripts.py` writes them into the demo study. A turn's times follow from its words (150 a minute) and a
breath between turns; a long turn is cut into cues of a few seconds, as captioning does.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import dataclass
from html import escape
from pathlib import Path

SOURCES = Path(__file__).parent / "demo_interviews"
FOLDER = Path(__file__).parent.parent / "demo_responses" / "transcripts"

FORMATS = {
    "A01": "vtt", "A03": "txt", "A04": "txt", "A05": "vtt", "A07": "txt", "A09": "docx", "A10": "vtt",
    "A12": "vtt", "A13": "txt", "A16": "docx", "A17": "vtt", "A19": "csv", "A22": "vtt", "A24": "docx",
}  # fmt: skip
TIMED = {"A04", "A13"}
"""Text transcripts with a time before each turn."""

HEADINGS = {
    "opening": "Opening", "impression": "First impression", "weight": "Weight", "training": "Training",
    "effort": "Effort", "body": "Body", "comparison": "Comparison", "closing": "Closing",
}  # fmt: skip
WORDS_A_SECOND = 2.5
BREATH = 0.7
WORDS_IN_CUE = 14
PREAMBLE = "Invented interview, practice kitchen study. Speakers: I = interviewer."


@dataclass(frozen=True)
class Line:
    """A turn of an interview: the stage it stands in, whether the interviewer speaks, and the words."""

    stage: str
    interviewer: bool
    text: str


def interview(name: str) -> list[Line]:
    """The turns of tests/demo_interviews/NAME.txt."""
    stage, lines = "", []
    for line in (SOURCES / f"{name}.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("# "):
            stage = line[2:].strip()
        elif line.startswith(("I: ", "P: ")):
            lines.append(Line(stage, line[0] == "I", line[3:].strip()))
    return lines


def files() -> dict[str, bytes]:
    """Every transcript of the demo by its name in the folder, and the translation of the one that is not in English."""
    made = {f"{name}.{ending}": _written(name, ending) for name, ending in FORMATS.items()}
    return made | {"translations/A17.txt": _text("A17", interview("A17.en")).encode()}


def _written(name: str, ending: str) -> bytes:
    lines = interview(name)
    if ending == "vtt":
        return _vtt(name, lines).encode()
    if ending == "csv":
        return _table(name, lines).encode()
    return _docx(name, lines) if ending == "docx" else _text(name, lines).encode()


def _times(lines: list[Line]) -> list[tuple[float, float]]:
    times, now = [], 3.0
    for line in lines:
        length = max(1.0, len(line.text.split()) / WORDS_A_SECOND)
        times.append((now, now + length))
        now += length + BREATH
    return times


def _vtt(name: str, lines: list[Line]) -> str:
    blocks, stage = [f"WEBVTT\n\nNOTE {PREAMBLE}"], ""
    for line, (start, end) in zip(lines, _times(lines), strict=True):
        if line.stage != stage:
            stage = line.stage
            blocks.append(f"NOTE {HEADINGS[stage]}")
        speaker = "I" if line.interviewer else name
        words = line.text.split(" ")
        pieces = [words[place : place + WORDS_IN_CUE] for place in range(0, len(words), WORDS_IN_CUE)]
        spoken = 0
        for piece in pieces:
            begins = start + (end - start) * spoken / len(words)
            spoken += len(piece)
            ends = start + (end - start) * spoken / len(words)
            blocks.append(
                f"{_stamp(begins)} --> {_stamp(ends)}\n<v {speaker}>{escape(' '.join(piece), quote=False)}</v>"
            )
    return "\n\n".join(blocks) + "\n"


def _stamp(seconds: float) -> str:
    milliseconds = round(seconds * 1000)
    return f"{milliseconds // 3_600_000:02d}:{milliseconds // 60_000 % 60:02d}:{milliseconds // 1000 % 60:02d}.{milliseconds % 1000:03d}"


def _text(name: str, lines: list[Line]) -> str:
    parts, stage = [PREAMBLE], ""
    for line, (start, _) in zip(lines, _times(lines), strict=True):
        if line.stage != stage:
            stage = line.stage
            parts.append(f"\n# {HEADINGS[stage]}\n")
        time = f"[{_stamp(start)[:8]}] " if name in TIMED else ""
        parts.append(f"{time}{'I' if line.interviewer else name}: {line.text}")
    return "\n".join(parts) + "\n"


def _table(name: str, lines: list[Line]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["speaker", "start", "end", "question", "text"])
    for line, (start, end) in zip(lines, _times(lines), strict=True):
        writer.writerow(["I" if line.interviewer else name, f"{start:.1f}", f"{end:.1f}", line.stage, line.text])
    return out.getvalue()


def _docx(name: str, lines: list[Line]) -> bytes:
    """The least that a word processor opens (ECMA-376 part 1): a document, its styles, and how they belong together."""
    paragraphs, stage = [_paragraph(PREAMBLE)], ""
    for line in lines:
        if line.stage != stage:
            stage = line.stage
            paragraphs.append(_paragraph(HEADINGS[stage], style="Heading1"))
        paragraphs.append(_paragraph(f"{'I' if line.interviewer else name}: {line.text}"))
    parts = {
        "[Content_Types].xml": f'{_XML}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/word/document.xml" ContentType="application/vnd.openxmlformats-officedocument.wordprocessingml.document.main+xml"/><Override PartName="/word/styles.xml" ContentType="application/vnd.openxmlformats-officedocument.wordprocessingml.styles+xml"/></Types>',
        "_rels/.rels": f'{_XML}<Relationships xmlns="{_RELATIONS}"><Relationship Id="rId1" Type="{_TYPES}/officeDocument" Target="word/document.xml"/></Relationships>',
        "word/_rels/document.xml.rels": f'{_XML}<Relationships xmlns="{_RELATIONS}"><Relationship Id="rId1" Type="{_TYPES}/styles" Target="styles.xml"/></Relationships>',
        "word/styles.xml": f'{_XML}<w:styles xmlns:w="{_WORD}"><w:style w:type="paragraph" w:default="1" w:styleId="Normal"><w:name w:val="Normal"/></w:style><w:style w:type="paragraph" w:styleId="Heading1"><w:name w:val="heading 1"/><w:basedOn w:val="Normal"/><w:pPr><w:outlineLvl w:val="0"/></w:pPr><w:rPr><w:b/></w:rPr></w:style></w:styles>',
        "word/document.xml": f'{_XML}<w:document xmlns:w="{_WORD}"><w:body>{"".join(paragraphs)}<w:sectPr/></w:body></w:document>',
    }
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for path, content in parts.items():
            archive.writestr(zipfile.ZipInfo(path, (1980, 1, 1, 0, 0, 0)), content.encode(), zipfile.ZIP_STORED)
    return out.getvalue()


_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_WORD = "http://schemas.openxmlformats.org/wordprocessingml/2006/main"
_RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
_TYPES = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def _paragraph(text: str, style: str = "") -> str:
    properties = f'<w:pPr><w:pStyle w:val="{style}"/></w:pPr>' if style else ""
    return f'<w:p>{properties}<w:r><w:t xml:space="preserve">{escape(text, quote=False)}</w:t></w:r></w:p>'


def words_spoken(name: str) -> int:
    """The words of an interview, both speakers', without labels and headings."""
    return sum(len(re.findall(r"\S+", line.text)) for line in interview(name))


def write(folder: Path) -> None:
    """Write the transcripts into a folder."""
    for name, content in files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


if __name__ == "__main__":
    write(FOLDER)
