"""Bytes to text and tables with their origin, and writes that are whole or not at all.

Nothing else in the package opens a collected file. A table keeps the row numbers that a spreadsheet
would show, so that every value can be found again.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import gc
import hashlib
import io
import os
import re
import shutil
import tempfile
import tomllib
import unicodedata
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime, time
from importlib import resources
from itertools import islice, zip_longest
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from workbench.errors import Finding, StudyError, UsageError

if TYPE_CHECKING:
    import pandas as pd

Delimiter = Literal["comma", "semicolon", "tab", "pipe"]
Decimal = Literal["point", "comma"]

LARGEST_FILE = 250_000_000
"""Bytes in a file beyond which it is not read: about ten million answers in a row each."""

LONGEST_LINE = 5_000_000
"""Characters in one line beyond which a file is taken to be no table."""

LARGEST_CELL = 1_000_000
"""Characters in one cell beyond which a file is taken to be damaged (a quote that never closes)."""

MOST_COLUMNS, MOST_ROWS = 16_384, 1_048_576
"""Columns of any table, as many as a spreadsheet has; and the rows of a spreadsheet."""

LARGEST_WORKBOOK = 500_000_000
"""Bytes an XLSX file may unpack to; beyond it the archive is taken to be damaged or made to do harm."""

LARGEST_DOCUMENT, MOST_PARTS = 50_000_000, 10_000
"""Bytes that the parts of an archive that are read may unpack to, and parts that an archive may have."""

PLACES_NAMED = 12
"""How many faulty rows of one file are named one by one."""

COMMA_NUMBER = r"\s*[-+]?[0-9]*,[0-9]+(?:[eE][-+]?[0-9]{1,2})?\s*"
POINT_NUMBER = COMMA_NUMBER.replace(",", r"\.", 1)
"""Broken numbers with either decimal mark, as regular expressions."""

_DELIMITERS: dict[Delimiter, str] = {"semicolon": ";", "tab": "\t", "pipe": "|", "comma": ","}
_SAMPLED = 30
"""Rows by which the delimiter is found."""
_BLOCK = 1 << 20
"""Bytes looked at in one go."""
_CELLS_AT_ONCE, _ROWS_AT_LEAST = 100_000, 200
"""Cells that are held as objects at one time while a table is read, and rows where these are long."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceTable:
    """A table as it was collected: `frame` holds text, its index the row numbers of the file.

    Rows are counted from 1, those of the header and above it too. `file` is the name to show, `header` the place of
    the header, `decimal` the decimal mark of its numbers; `notes` are findings that do not block.
    """

    file: str
    frame: pd.DataFrame
    header: str = "row 1"
    decimal: Decimal = "point"
    notes: tuple[Finding, ...] = ()

    @property
    def columns(self) -> list[str]:
        return list(self.frame.columns)


def fault(file: str, place: str, found: str, remedy: str, kind: str = "unreadable") -> Finding:
    """A finding that blocks."""
    return Finding("blocks", kind, file, place, found, remedy)


@contextmanager
def gathering(findings: list[Finding]) -> Iterator[None]:
    """Collect the findings of a StudyError instead of stopping at it, so that all are told at once."""
    try:
        yield
    except StudyError as error:
        findings.extend(error.findings)


def _refusal(shown: str, place: str, found: str, remedy: str, kind: str = "unreadable") -> StudyError:
    return StudyError([fault(shown, place, found, remedy, kind)])


def _content(path: Path, shown: str) -> bytes:
    try:
        if path.is_dir():
            raise _refusal(shown, "", "This is a folder, not a file.", "Name the file inside it.")
        if path.exists() and not path.is_file():
            raise _refusal(shown, "", "This is a device or a pipe, not a file.", "Name a file.")
        if path.stat().st_size > LARGEST_FILE:
            found = f"The file has {path.stat().st_size / 1e6:,.0f} MB; up to {LARGEST_FILE / 1e6:,.0f} MB are read."
            raise _refusal(shown, "", found, "Leave out columns that are not needed, or split it into several files.")
        return path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        remedy = "Put it there, or correct its name in study.toml."
        raise _refusal(shown, "", "There is no such file.", remedy, "missing file") from None
    except OSError as error:
        remedy = "Check that it is not locked and that you may read it."
        raise _refusal(shown, "", f"The file cannot be read ({error.strerror}).", remedy) from None
    except ValueError:
        raise _refusal(shown, "", "This cannot be the name of a file.", "Correct it in study.toml.") from None


def read_text(path: Path, shown: str) -> str:
    """The text of a file in UTF-8 (with or without byte order mark) or UTF-16 (with one).

    Raises StudyError when the file is missing, is a folder, or holds other bytes.
    """
    content = _content(path, shown)
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        found = f"These bytes are not {'UTF-16' if encoding == 'utf-16' else 'UTF-8'} text."
        raise _refusal(shown, f"line {line}", found, "Save it as text in UTF-8; a table as CSV or XLSX.") from None
    if "\0" in text:
        found = "The file holds NUL bytes, so it is not a text file."
        raise _refusal(shown, "", found, "Save it as text in UTF-8; a table as CSV or XLSX.")
    return text


def read_words(path: Path, shown: str) -> tuple[str, tuple[Finding, ...]]:
    """The normalized text of a collected file in words, such as a transcript, and notes on how it was read.

    UTF-8 or UTF-16, found; Windows-1252 is a guess that a note tells. Raises StudyError as read_text does.
    """
    content = _content(path, shown)
    notes: list[Finding] = []
    encoding = _encoding(content, shown, None, notes)
    remedy = "If the word is right, nothing needs doing. If not, save the file as UTF-8."
    return normalized(content.decode(encoding)), tuple(replace(note, remedy=remedy) for note in notes)


def normalized(text: str) -> str:
    """Text with line breaks as \\n and letters composed (Unicode NFC)."""
    return unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n"))


def archive_parts(path: Path, shown: str, wanted: Callable[[str], bool]) -> dict[str, bytes]:
    """The parts of a ZIP archive whose names are `wanted`; nothing else is unpacked, and nothing is written.

    Raises StudyError when the file is no archive, is locked with a password or damaged, has too many parts, or
    unpacks to more than LARGEST_DOCUMENT bytes.
    """
    content = _content(path, shown)
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        found = "This document is locked with a password, or in the old DOC format."
        raise _refusal(shown, "", found, "Open it and save it as DOCX without a password, or as text.")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
            chosen = [one for one in members if wanted(one.filename)]
            unpacked = sum(one.file_size for one in chosen)
            if len(members) > MOST_PARTS or unpacked > LARGEST_DOCUMENT:
                found = f"The archive has {len(members):,} parts and unpacks to {unpacked / 1e6:,.0f} MB; up to {MOST_PARTS:,} and {LARGEST_DOCUMENT / 1e6:,.0f} MB are read."
                raise _refusal(shown, "", found, "It may be damaged or made to do harm; save its words as text.")
            return {one.filename: archive.read(one) for one in chosen}
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, OSError, ValueError):
        found = "This is not a readable document: its archive is damaged, locked, or none at all."
        raise _refusal(shown, "", found, "Open it and save it again, or save it as text.") from None


def read_toml(path: Path, shown: str) -> dict[str, Any]:
    """The content of a TOML file; StudyError with line and column when it is not TOML."""
    text = read_text(path, shown)
    remedy = "Mend the line named here; strings need quotes, lists need commas."
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message, place = _toml_fault(str(error), text)
        raise _refusal(shown, place, f"This is not valid TOML: {message}.", remedy, "broken TOML") from None
    except (ValueError, RecursionError):
        found = "This is not valid TOML: a number is too long, or brackets stand too deep in each other."
        raise _refusal(shown, "", found, "Look for a slip of the keyboard.", "broken TOML") from None


def _toml_fault(message: str, text: str) -> tuple[str, str]:
    """What is wrong, and its line and column."""
    what, _, where = message.rpartition(" (at ")
    if where == "end of document)":
        lines = text.rstrip().split("\n")
        return f"{what}, where the file ends", f"line {len(lines)}, column {len(lines[-1]) + 1}"
    return what, where.removesuffix(")")


def read_table(
    path: Path,
    shown: str,
    *,
    sheet: str | int | None = None,
    first_row: int | None = None,
    header_rows: int = 1,
    encoding: str | None = None,
    delimiter: Delimiter | None = None,
    decimal: Decimal | None = None,
) -> SourceTable:
    """A table in delimited text, or a sheet of an XLSX workbook, as text with row numbers.

    What is not given is found: the first sheet, the first row that is not blank, UTF-8 or UTF-16 (Windows-1252 is a
    guess that a note tells), the delimiter that cuts the first rows most alike. The decimal mark is a point, or a comma
    in a file delimited by semicolons where no number has a point. Two header rows are joined as "top / sub"; a top name
    goes on to the right over empty cells, unless nothing stands below it.

    Rows are numbered as a spreadsheet shows them, blank ones included. A cell of a CSV may hold line breaks in
    quotes; its row still counts as one, so in a text editor the line can have a higher number.

    Raises StudyError naming every ragged row, repeated or empty column name, or what else was found.
    """
    content = _content(path, shown)
    notes: list[Finding] = []
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", module="openpyxl")
        if path.suffix.lower() in (".xlsx", ".xlsm"):
            rows = _spreadsheet_rows(content, shown, sheet, decimal or "point", notes)
            mark, padded = "", True
        else:
            text = _Text(content, _encoding(content, shown, encoding, notes))
            announced = _announced_delimiter(text)
            first_row = first_row or (2 if announced else 1)
            mark = _DELIMITERS[delimiter] if delimiter else announced or _delimiter(text, first_row)
            rows, padded = _delimited_rows(text, mark, shown), False
        above, place, header = _header(rows, shown, first_row or 1, header_rows, notes)
        with _no_search_for_cycles():
            frame = _frame(rows, above, place, header, shown, padded=padded)
    return SourceTable(shown, frame, place, decimal or _decimal(frame, mark), tuple(notes))


def _header(
    rows: Iterator[list[str]], shown: str, first_row: int, header_rows: int, notes: Sequence[Finding]
) -> tuple[int, str, list[str]]:
    """The last row of the header, its place in words, and the names of the columns without empty ones at the end."""
    begun = ((number, row) for number, row in enumerate(rows, 1) if number >= first_row and any(map(str.strip, row)))
    number, names = next(begun, (0, []))
    if not number:
        after = f" from row {first_row} on" if first_row > 1 else ""
        remedy = "Export it again; the first row must name the columns."
        other = next((f" {one.found}" for one in notes if one.kind == "other sheets"), "")
        raise _refusal(shown, "", f"The file is empty{after}.{other}", remedy)
    place = f"row {number}"
    if header_rows == 2:
        number, place = number + 1, f"rows {number} and {number + 1}"
        names = _joined(names, next(rows, []))
    names = [name.strip() for name in names]
    while names and not names[-1]:
        names.pop()
    if len(names) > MOST_COLUMNS:
        found = f"The header has {len(names):,} columns; up to {MOST_COLUMNS:,} are read."
        raise _refusal(shown, place, found, "Leave out columns that are not needed, or save a row per answer.")
    return number, place, names


def _joined(top: Sequence[str], sub: Sequence[str]) -> list[str]:
    """Two header rows as one."""
    names, carried = [], ""
    for above, below in zip_longest(map(str.strip, top), map(str.strip, sub), fillvalue=""):
        if above:
            carried = above if below else ""
        names.append(" / ".join(filter(None, (above or (carried if below else ""), below))))
    return names


def _header_faults(header: list[str], shown: str, place: str) -> list[Finding]:
    nameless = [position for position, name in enumerate(header, start=1) if not name]
    faults = [
        fault(
            shown,
            f"{place}, column {position}",
            "This column has no name.",
            "Give every column a name in the header.",
        )
        for position in nameless[:PLACES_NAMED]
    ]
    if len(nameless) > PLACES_NAMED:
        found = f"{len(nameless) - PLACES_NAMED} more columns have no name."
        faults.append(fault(shown, place, found, "Is the header in another row? Then give `first_row`."))
    repeated = [name for name, count in sorted(Counter(header).items()) if count > 1 and name]
    faults += [
        fault(
            shown,
            place,
            f"The column name “{name}” stands {header.count(name)} times.",
            "Give each column a name of its own; of two header rows, give `header_rows = 2`.",
        )
        for name in repeated[:PLACES_NAMED]
    ]
    if len(repeated) > PLACES_NAMED:
        found = f"{len(repeated) - PLACES_NAMED} more names stand several times."
        faults.append(fault(shown, place, found, "Give each column a name of its own."))
    return faults


def _frame(
    rows: Iterator[list[str]], above: int, place: str, header: list[str], shown: str, *, padded: bool
) -> pd.DataFrame:
    """The rows below the header, which ends in row `above`, as a frame of text; StudyError with the faults of both."""
    import pandas as pd

    width = len(header)
    ragged: list[tuple[int, int]] = []
    blocks: list[pd.DataFrame] = []
    whole = 0
    while block := list(islice(rows, max(_ROWS_AT_LEAST, _CELLS_AT_ONCE // width))):
        numbers: Sequence[int] = range(above + 1, above + 1 + len(block))
        above += len(block)
        if set(map(len, block)) != {width} or not all(map(str.strip, next(zip(*block, strict=True)))):
            numbered = [(number, row) for number, row in zip(numbers, block, strict=True) if any(map(str.strip, row))]
            ragged += [(number, len(row)) for number, row in numbered if _is_ragged(row, width, padded=padded)]
            numbers = [number for number, _ in numbered]
            block = [(row + [""] * width)[:width] for _, row in numbered]
        whole += len(block)
        if block and not ragged:
            cells = dict(enumerate(zip(*block, strict=True)))
            blocks.append(pd.DataFrame(cells, index=pd.Index(numbers, dtype="int64"), dtype="str"))
    faults = [*_header_faults(header, shown, place), *_ragged_faults(ragged, whole, width, shown, place)]
    if faults:
        raise StudyError(faults)
    frame = pd.concat(blocks) if blocks else pd.DataFrame(columns=range(width), dtype="str")
    return frame.set_axis(header, axis=1)


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Rows are lists of text without cycles; looking for some in a million of them takes most of the time of reading."""
    enabled = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if enabled:
            gc.enable()


def _is_ragged(row: list[str], width: int, *, padded: bool) -> bool:
    return any(map(str.strip, row[width:])) or (len(row) < width and not padded)


def _ragged_faults(ragged: list[tuple[int, int]], rows: int, width: int, shown: str, place: str) -> list[Finding]:
    if not ragged:
        return []
    usual, times = Counter(cells for _, cells in ragged).most_common(1)[0]
    if len(ragged) > 1 and 2 * times > rows and usual > width:
        first = next(number for number, cells in ragged if cells == usual)
        found = f"{times} rows have {usual} cells, the header has {width}."
        remedy = f"If the names of the columns stand in another row, such as row {first}, say so: reading = {{ first_row = {first} }}."
        return [fault(shown, place, found, remedy)]
    remedy = "Look for a missing or extra delimiter or quote in this row."
    faults = [
        fault(shown, f"row {number}", f"This row has {cells} cells, the header has {width}.", remedy)
        for number, cells in ragged[:PLACES_NAMED]
    ]
    if len(ragged) > PLACES_NAMED:
        found = f"{len(ragged) - PLACES_NAMED} more rows, up to row {ragged[-1][0]}, do not fit the header either."
        faults.append(fault(shown, "", found, "Check that one delimiter is used throughout."))
    return faults


def _decimal(frame: pd.DataFrame, mark: str) -> Decimal:
    """The comma where the file has semicolons between cells and its broken numbers have commas alone, else the point."""
    if mark != ";":
        return "point"
    commas = False
    for column in frame.columns:
        words = frame[column].drop_duplicates()
        if words.str.fullmatch(POINT_NUMBER).any():
            return "point"
        commas |= bool(words.str.fullmatch(COMMA_NUMBER).any())
    return "comma" if commas else "point"


# ---------------------------------------------------------------------------------- delimited text


@dataclass(frozen=True, slots=True, eq=False)
class _Text:
    """Bytes that are known to be text in an encoding."""

    content: bytes
    encoding: str

    def lines(self) -> Iterable[str]:
        """The lines with their ends as they stand there, one at a time."""
        return io.TextIOWrapper(io.BytesIO(self.content), encoding=self.encoding, newline="")


def _encoding(content: bytes, shown: str, declared: str | None, notes: list[Finding]) -> str:
    """The encoding of a text file, all of which it can read; StudyError where there is none.

    Declared, or else: UTF-8 or UTF-16 by their marks, UTF-16 by its NUL bytes, UTF-8 where it fits, Windows-1252 as a guess.
    """
    remedy = "Save it as text in UTF-8; a table as CSV or XLSX."
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        found = "This is not text but a workbook in the old XLS format, or one locked with a password."
        raise _refusal(shown, "", found, "Save it as XLSX without a password, or as CSV.")
    if content.startswith(b"PK\x03\x04"):
        found = "This is not text but a ZIP archive, as XLSX workbooks are."
        raise _refusal(shown, "", found, "If it is a workbook, let its name end in .xlsx.")
    encoding = _by_name(content, declared) if declared else _by_its_bytes(content)
    fits = _fits(content, encoding, shown)
    if fits:
        return encoding
    if declared or encoding != "utf-8-sig":
        name = declared or "utf-16"
        line = content[: _first_misfit(content, encoding)].count(b"\n") + 1
        found = f"These bytes are not {name.upper() if name.startswith('utf') else name} text."
        raise _refusal(shown, f"line {line}", found, f"Give another `encoding`. {remedy}" if declared else remedy)
    _refuse_two_encodings(content, shown)
    if not _fits(content, "cp1252", shown) or re.search(rb"[\x01-\x08\x0e-\x1f\x7f]", content):
        line = content[: _first_misfit(content, encoding)].count(b"\n") + 1
        found = "These bytes are not UTF-8 text, and not Windows-1252 either."
        raise _refusal(shown, f"line {line}", found, f"If you know its encoding, give it as `encoding`. {remedy}")
    notes.append(_guessed(content, shown))
    return "cp1252"


def is_text_encoding(name: str) -> bool:
    """Whether text can be read in an encoding of this name."""
    try:
        return "a,b;1\n".encode(name).decode(name) == "a,b;1\n" and codecs.lookup(name).incrementaldecoder is not None
    except (LookupError, UnicodeError, ValueError, TypeError):
        return False


def _by_name(content: bytes, declared: str) -> str:
    """The codec of a declared encoding, which passes over a byte order mark."""
    name = codecs.lookup(declared).name
    if name == "utf-8":
        return "utf-8-sig"
    if name.startswith("utf-16"):
        marked = content[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        return "utf-16" if marked else (_utf_16_by_its_nuls(content) or "utf-16-le") if name == "utf-16" else name
    return name


def _by_its_bytes(content: bytes) -> str:
    if content[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
        return "utf-16"
    return _utf_16_by_its_nuls(content) or "utf-8-sig"


def _utf_16_by_its_nuls(content: bytes) -> str:
    """UTF-16 without a mark: every second byte of its delimiters and digits is NUL. "" where this is not so."""
    head = content[: 8192 if len(content) > 8192 else len(content) // 2 * 2]
    low, high = head[1::2].count(0), head[0::2].count(0)
    enough = len(head) / 10
    if low > enough and low >= 10 * high:
        return "utf-16-le"
    return "utf-16-be" if high > enough and high >= 10 * low else ""


def _fits(content: bytes, encoding: str, shown: str) -> bool:
    """Whether all bytes are text in an encoding; StudyError for NUL characters and for lines that no table has."""
    decoder = codecs.getincrementaldecoder(encoding)()
    line, length = 1, 0
    for start in range(0, len(content), _BLOCK):
        try:
            text = decoder.decode(content[start : start + _BLOCK], final=start + _BLOCK >= len(content))
        except UnicodeError:
            return False
        if "\0" in text:
            place = f"line {line + text[: text.index(chr(0))].count(chr(10))}"
            found = "The file holds NUL bytes, so it is not a text file."
            raise _refusal(shown, place, found, "Save it as text in UTF-8; a table as CSV or XLSX.")
        first, last = re.search("[\r\n]", text), max(text.rfind("\n"), text.rfind("\r"))
        if length + (first.start() if first else len(text)) > LONGEST_LINE:
            found = f"This line is longer than {LONGEST_LINE:,} characters."
            raise _refusal(shown, f"line {line}", found, "Look for lost line breaks: a table has a line for each row.")
        line += text.count("\n")
        length = len(text) - last - 1 if first else length + len(text)
    return True


def _first_misfit(content: bytes, encoding: str) -> int:
    """The place of the first byte that is no text in an encoding."""
    try:
        content.decode(encoding)
    except UnicodeDecodeError as error:
        return error.start
    except UnicodeError:
        pass
    return 0


def _refuse_two_encodings(content: bytes, shown: str) -> None:
    """StudyError where some lines are UTF-8 beyond plain letters and others cannot be."""
    utf_8 = other = 0
    for number, line in enumerate(io.BytesIO(content), start=1):
        if line.isascii():
            continue
        try:
            line.decode("utf-8")
        except UnicodeDecodeError:
            other = other or number
        else:
            utf_8 = utf_8 or number
        if utf_8 and other:
            found = f"Line {utf_8} is in UTF-8 and line {other} is not, so two encodings are mixed."
            remedy = "Export the parts again in one encoding; pasting two files into one makes this. If all of it is in one, give its `encoding`."
            raise _refusal(shown, f"lines {min(utf_8, other)} and {max(utf_8, other)}", found, remedy)


def _guessed(content: bytes, shown: str) -> Finding:
    """The note on a guessed encoding, with a word by which one can tell."""
    number, line = next(
        (number, line) for number, line in enumerate(io.BytesIO(content), start=1) if not line.isascii()
    )
    text = line.decode("cp1252")
    word = next((one for one in re.findall(r"\w+", text) if not one.isascii()), text.strip())
    found = f"The file is not UTF-8 and is read as Windows-1252, a guess: “{word[:40]}”."
    remedy = 'If the word is right, say so: reading = { encoding = "cp1252" }. If not, give its encoding, or save it as UTF-8.'
    return Finding("note", "encoding guessed", shown, f"line {number}", found, remedy)


def _announced_delimiter(text: _Text) -> str:
    """The delimiter of a first line "sep=;", which spreadsheet programs write; "" where there is none."""
    first = next(iter(text.lines()), "").strip().strip('"').removeprefix("\ufeff")
    mark = first.removeprefix("sep=") if first.startswith("sep=") else ""
    return mark if mark in _DELIMITERS.values() else ""


def _delimiter(text: _Text, first_row: int) -> str:
    """The delimiter that cuts most of the first rows into as many cells as the header; commas where nothing cuts.

    Where nothing cuts the header, it is what cuts most rows alike: something may stand above the header.
    """

    def widths(mark: str) -> list[int]:
        found = []
        with suppress(csv.Error):
            for row in islice(csv.reader(text.lines(), delimiter=mark), first_row - 1, first_row - 1 + _SAMPLED):
                if any(map(str.strip, row)):
                    found.append(len(row))
        return found or [1]

    def like_the_header(found: list[int]) -> tuple[int, int]:
        return (found.count(found[0]), found[0]) if found[0] > 1 else (0, 0)

    def alike(found: list[int]) -> tuple[int, int]:
        return max(((found.count(width), width) for width in found if width > 1), default=(0, 0))

    csv.field_size_limit(LARGEST_CELL)
    cut = {mark: widths(mark) for mark in _DELIMITERS.values()}
    for fit in (like_the_header, alike):
        best = max(cut, key=lambda mark: fit(cut[mark]))
        if fit(cut[best]) > (0, 0):
            return best
    return ","


def _delimited_rows(text: _Text, mark: str, shown: str) -> Iterator[list[str]]:
    csv.field_size_limit(LARGEST_CELL)
    number = 0
    try:
        for row in csv.reader(text.lines(), delimiter=mark, strict=True):
            number += 1
            yield row
    except csv.Error as error:
        found = f"This is not a well-formed CSV row ({error})."
        remedy = "Look for a quote that is opened and never closed."
        raise _refusal(shown, f"row {number + 1}", found, remedy) from None


# --------------------------------------------------------------------------------------- workbooks


def _spreadsheet_rows(
    content: bytes, shown: str, sheet: str | int | None, decimal: Decimal, notes: list[Finding]
) -> Iterator[list[str]]:
    """The rows of a sheet. What other sheets hold is noted where none was asked for."""
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        found = "This workbook is locked with a password, or in the old XLS format."
        raise _refusal(shown, "", found, "Open it and save it as XLSX without a password, or as CSV.")
    with _readable(shown):
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > LARGEST_WORKBOOK:
                found = (
                    f"The workbook unpacks to {unpacked / 1e6:,.0f} MB; up to {LARGEST_WORKBOOK / 1e6:,.0f} are read."
                )
                raise _refusal(shown, "", found, "Leave out what is not needed, or save the sheet as CSV.")
            has_formulas = any(_holds_formulas(archive, name) for name in archive.namelist())
        names = _sheet_names(content)
        position = _sheet_position(names, sheet, shown)
        if sheet is None:
            notes += _other_sheets(content, names, shown)
    values = _cells(content, position, results=True)
    formulas = _cells(content, position, results=False) if has_formulas else None
    return _shown_rows(values, formulas, shown, decimal)


@contextmanager
def _readable(shown: str) -> Iterator[None]:
    """StudyError for whatever a damaged workbook raises: archives and their XML make the reader raise almost anything."""
    try:
        yield
    except StudyError:
        raise
    except Exception:
        found = "This is not a readable XLSX workbook."
        remedy = "Open it and save it again as XLSX or CSV; if it is CSV already, let its name end in .csv."
        raise _refusal(shown, "", found, remedy) from None


def _holds_formulas(archive: zipfile.ZipFile, name: str) -> bool:
    if not (name.startswith("xl/worksheets/") and name.endswith(".xml")):
        return False
    with archive.open(name) as part:
        before = b""
        while block := part.read(_BLOCK):
            if re.search(rb"<(?:\w+:)?f[ />]", before + block):
                return True
            before = block[-40:]
    return False


def _book(content: bytes, *, results: bool) -> Any:
    import openpyxl

    return openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=results)


def _sheet_names(content: bytes) -> list[str]:
    return [sheet.title for sheet in _book(content, results=True).worksheets]


def _sheet_position(names: Sequence[str], sheet: str | int | None, shown: str) -> int:
    """The place of a sheet, which may be named or counted from 1."""
    if sheet is None:
        return 0
    if isinstance(sheet, int) and 1 <= sheet <= len(names):
        return sheet - 1
    if sheet in names:
        return names.index(str(sheet))
    close = difflib.get_close_matches(str(sheet), names, n=1)
    meant = f"Did you mean “{close[0]}”? " if close else ""
    more = f" and {len(names) - PLACES_NAMED} more" if len(names) > PLACES_NAMED else ""
    here = f"{meant}Sheets here: {', '.join(names[:PLACES_NAMED])}{more}."
    raise _refusal(shown, f"sheet {sheet}", "The workbook has no such sheet.", here, "missing sheet")


def _other_sheets(content: bytes, names: Sequence[str], shown: str) -> list[Finding]:
    """A finding where sheets beside the first hold something."""
    filled = [
        name
        for position, name in enumerate(names[1:], start=1)
        if any(cell is not None for row in islice(_cells(content, position, results=False), 100) for cell in row)
    ]
    if not filled:
        return []
    more = f" and {len(filled) - PLACES_NAMED} more" if len(filled) > PLACES_NAMED else ""
    named = ", ".join(f"“{one}”" for one in filled[:PLACES_NAMED]) + more
    found = f"Only the first sheet, “{names[0]}”, is read; others hold something too: {named}."
    remedy = f'If another is meant, say so: reading = {{ sheet = "{filled[0]}" }}; if not, name the first.'
    return [Finding("attention", "other sheets", shown, "", found, remedy)]


def _cells(content: bytes, position: int, *, results: bool) -> Iterator[tuple[object, ...]]:
    """The cells of a sheet, row by row: the saved results of formulas, or the formulas."""
    sheet = _book(content, results=results).worksheets[position]
    sheet.reset_dimensions()  # some programs write a wrong size, and what lies beyond it would be lost
    yield from sheet.iter_rows(values_only=True)


def _shown_rows(
    values: Iterator[tuple[object, ...]], formulas: Iterator[tuple[object, ...]] | None, shown: str, decimal: Decimal
) -> Iterator[list[str]]:
    """The cells as text; StudyError at the end for formulas whose results were never saved."""
    unsaved: list[str] = []
    with _readable(shown):
        for number, row in enumerate(values, start=1):
            if number > MOST_ROWS:
                found = f"The sheet has more than {MOST_ROWS:,} rows."
                raise _refusal(shown, "", found, "Save it as CSV.")
            if formulas is not None:
                unsaved += [
                    f"row {number}, column {position}"
                    for position, (value, formula) in enumerate(zip(row, next(formulas), strict=True), start=1)
                    if value is None and formula is not None
                ]
            yield [_cell_text(cell, decimal) for cell in row]
    if unsaved:
        more = f" and {len(unsaved) - 1} more" if len(unsaved) > 1 else ""
        found = "A formula stands here whose result was never saved."
        raise _refusal(shown, unsaved[0] + more, found, "Open and save it in a spreadsheet program, or save it as CSV.")


def _cell_text(cell: object, decimal: Decimal) -> str:
    """A cell as a spreadsheet shows it."""
    match cell:
        case None:
            return ""
        case str():
            return cell
        case bool():
            return str(cell).upper()
        case float() if cell.is_integer():
            return str(int(cell))
        case float() if decimal == "comma":
            return str(cell).replace(".", ",")
        case datetime() if cell.time() == time():
            return cell.date().isoformat()
        case _:
            return str(cell)


def without_rows(
    path: Path,
    shown: str,
    rows: Collection[int],
    *,
    sheet: str | int | None = None,
    encoding: str | None = None,
    delimiter: Delimiter | None = None,
    first_row: int | None = None,
    **_further: object,
) -> bytes:
    """The bytes of a table without some of its rows, numbered as read_table does; all other rows stay as they are.

    Takes what read_table takes. In a workbook, formulas stay but are not worked out anew.
    """
    content = _content(path, shown)
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        return _workbook_without(content, shown, rows, sheet)
    text = _Text(content, _encoding(content, shown, encoding, []))
    announced = _announced_delimiter(text)
    mark = _DELIMITERS[delimiter] if delimiter else announced or _delimiter(text, first_row or (2 if announced else 1))
    lines = list(text.lines())
    reader = csv.reader(iter(lines), delimiter=mark, strict=True)
    kept: list[str] = []
    begin = 0
    for number, _row in enumerate(reader, start=1):
        if number not in rows:
            kept += lines[begin : reader.line_num]
        begin = reader.line_num
    plain = "utf-8" if text.encoding == "utf-8-sig" and not content.startswith(codecs.BOM_UTF8) else text.encoding
    return "".join(kept).encode(plain)


def _workbook_without(content: bytes, shown: str, rows: Collection[int], sheet: str | int | None) -> bytes:
    import openpyxl

    with _readable(shown):
        book = openpyxl.load_workbook(io.BytesIO(content))
        page = book[book.sheetnames[_sheet_position(book.sheetnames, sheet, shown)]]
        for number in sorted(rows, reverse=True):
            page.delete_rows(number)
        out = io.BytesIO()
        book.save(out)
    return out.getvalue()


def shipped(kind: str) -> Path:
    """The folder of what ships with the package: "instruments" or "demo_responses".

    It lies inside an installed wheel, and beside the package in a checkout, an sdist or an
    editable install. Raises FileNotFoundError when the installation is damaged.
    """
    package = Path(str(resources.files("workbench")))
    for place in (package / "_shipped" / kind, package.parent / kind):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"{kind} is not beside the workbench package; install study-workbench again.")


def sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def write_atomically(path: Path, content: str | bytes) -> None:
    """Write a file whole or not at all: aside first, then moved over the old one, whose permissions stay."""
    path = Path(os.path.realpath(path))
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(aside, path.stat().st_mode & 0o7777 if path.exists() else 0o666 & ~_umask())
        os.replace(aside, path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@contextmanager
def swapped_in(folder: Path) -> Iterator[Path]:
    """A fresh folder to write into, which takes the place of `folder` only if nothing fails.

    When the block raises, `folder` stays as it was and the half-written one is removed. Raises
    UsageError where `folder` holds the folder one works in, which cannot be replaced, and where the new one is in
    place but the old one could not be removed.
    """
    target = Path(os.path.realpath(folder))
    if Path(os.path.realpath(os.curdir)).is_relative_to(target):
        raise UsageError(f"{folder} is the folder you are working in; go elsewhere, or name another.")
    target.parent.mkdir(parents=True, exist_ok=True)
    aside = Path(tempfile.mkdtemp(dir=target.parent, prefix=f".{target.name[:40]}-new-"))
    old = aside.with_name(aside.name.replace("-new-", "-old-"))
    try:
        os.chmod(aside, 0o777 & ~_umask())
        yield aside
        try:
            if target.exists():
                os.replace(target, old)
            os.replace(aside, target)
        except BaseException:
            if old.exists() and not target.exists():
                os.replace(old, target)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)
    if old.exists():
        raise UsageError(
            f"The new {target.name} is in place, but what stood there before could not be removed; remove {old} by hand."
        )
