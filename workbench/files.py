"""Bytes to text and tables with their origin, and writes that are whole or not at all.

Nothing else in the package opens a collected file. A table keeps the row numbers that a spreadsheet
would show, so that every value can be found again.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
import shutil
import tempfile
import tomllib
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, time
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import Finding, StudyError, UsageError

if TYPE_CHECKING:
    import pandas as pd

LARGEST_CELL = 1_000_000
"""Characters in one cell beyond which a file is taken to be damaged (a quote that never closes)."""

LARGEST_WORKBOOK = 500_000_000
"""Bytes an XLSX file may unpack to; beyond it the archive is taken to be damaged or made to do harm."""

PLACES_NAMED = 12
"""How many faulty rows of one file are named one by one."""


@dataclass(frozen=True, slots=True, eq=False)
class SourceTable:
    """A table as it was collected: `frame` holds text, its index the row numbers of the file.

    The header is row 1, so the first row of data is row 2. `file` is the name to show.
    """

    file: str
    frame: pd.DataFrame

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


def read_table(path: Path, shown: str) -> SourceTable:
    """A CSV (comma, semicolon or tab) or XLSX file (its first sheet) as text with row numbers.

    Rows are numbered as a spreadsheet shows them, blank ones included. A CSV cell may hold line breaks in
    quotes; its row still counts as one, so in a text editor the line can have a higher number.

    Raises StudyError naming every ragged row, repeated or empty column name, or what else was found.
    """
    rows = (
        _spreadsheet_rows(_content(path, shown), shown)
        if path.suffix.lower() == ".xlsx"
        else _delimited_rows(read_text(path, shown), shown)
    )
    numbered = [(number, row) for number, row in enumerate(rows, start=1) if any(cell.strip() for cell in row)]
    if not numbered:
        raise _refusal(shown, "", "The file is empty.", "Export it again; the first row must name the columns.")
    (header_number, header), data = numbered[0], numbered[1:]
    header = [name.strip() for name in header]
    while header and not header[-1]:
        header.pop()
    faults = [*_header_faults(header, shown, header_number), *_ragged_faults(data, len(header), shown)]
    if faults:
        raise StudyError(faults)
    import pandas as pd

    width = len(header)
    cells = [(row + [""] * width)[:width] for _, row in data]
    frame = pd.DataFrame(cells, columns=header, index=[number for number, _ in data], dtype="str")
    return SourceTable(shown, frame)


def _header_faults(header: list[str], shown: str, row: int) -> list[Finding]:
    faults = [
        fault(
            shown,
            f"row {row}, column {position}",
            "This column has no name.",
            "Give every column a name in the first row.",
        )
        for position, name in enumerate(header, start=1)
        if not name
    ]
    repeated = sorted({name for name in header if name and header.count(name) > 1})
    faults += [
        fault(
            shown,
            f"row {row}",
            f"The column name “{name}” stands {header.count(name)} times.",
            "Give each column a name of its own.",
        )
        for name in repeated
    ]
    return faults


def _ragged_faults(data: list[tuple[int, list[str]]], width: int, shown: str) -> list[Finding]:
    ragged = [
        (number, len(row)) for number, row in data if any(cell.strip() for cell in row[width:]) or len(row) < width
    ]
    remedy = "Look for a missing or extra delimiter or quote in this row."
    faults = [
        fault(shown, f"row {number}", f"This row has {cells} cells, the header has {width}.", remedy)
        for number, cells in ragged[:PLACES_NAMED]
    ]
    if len(ragged) > PLACES_NAMED:
        found = f"{len(ragged) - PLACES_NAMED} more rows, up to row {ragged[-1][0]}, do not fit the header either."
        faults.append(fault(shown, "", found, "Check that one delimiter is used throughout."))
    return faults


def _delimited_rows(text: str, shown: str) -> list[list[str]]:
    csv.field_size_limit(LARGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    rows: list[list[str]] = []
    try:
        for row in reader:
            rows.append(row)
    except csv.Error as error:
        found = f"This is not a well-formed CSV row ({error})."
        remedy = "Look for a quote that is opened and never closed."
        raise _refusal(shown, f"row {len(rows) + 1}", found, remedy) from None
    return rows


def _delimiter(text: str) -> str:
    """The delimiter that cuts the header into most cells; commas where nothing does."""

    def cells(delimiter: str) -> int:
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        try:
            return len(next((row for row in rows if any(cell.strip() for cell in row)), [""]))
        except csv.Error:
            return 0

    return max(",;\t", key=cells)


def _spreadsheet_rows(content: bytes, shown: str) -> list[list[str]]:
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        found = "This workbook is locked with a password, or in the old XLS format."
        raise _refusal(shown, "", found, "Open it and save it as XLSX without a password, or as CSV.")
    try:
        values, formulas = _first_sheet(content, results=True), _first_sheet(content, results=False)
    except Exception:  # damaged archives and their XML make the reader raise almost anything
        found = "This is not a readable XLSX workbook."
        raise _refusal(shown, "", found, "Open it and save it again as XLSX or CSV.") from None
    unsaved = [
        f"row {number}, column {position}"
        for number, (row, written) in enumerate(zip(values, formulas, strict=True), start=1)
        for position, (value, formula) in enumerate(zip(row, written, strict=True), start=1)
        if value is None and formula is not None
    ]
    if unsaved:
        more = f" and {len(unsaved) - 1} more" if len(unsaved) > 1 else ""
        found = "A formula stands here whose result was never saved."
        raise _refusal(shown, unsaved[0] + more, found, "Open and save it in a spreadsheet program, or save it as CSV.")
    width = max((len(row) for row in values), default=0)
    return [[_cell_text(cell) for cell in row] + [""] * (width - len(row)) for row in values]


def _first_sheet(content: bytes, *, results: bool) -> list[tuple[object, ...]]:
    """The cells of the first sheet: the saved results of formulas, or the formulas."""
    import openpyxl

    with warnings.catch_warnings(), zipfile.ZipFile(io.BytesIO(content)) as archive:
        warnings.simplefilter("ignore")
        if sum(member.file_size for member in archive.infolist()) > LARGEST_WORKBOOK:
            raise ValueError("The workbook unpacks to more than can be right.")
        book = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=results)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # some programs write a wrong size, and what lies beyond it would be lost
        return list(sheet.iter_rows(values_only=True))


def _cell_text(cell: object) -> str:
    """A cell as a spreadsheet shows it."""
    match cell:
        case None:
            return ""
        case bool():
            return str(cell).upper()
        case float() if cell.is_integer():
            return str(int(cell))
        case datetime() if cell.time() == time():
            return cell.date().isoformat()
        case _:
            return str(cell)


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
    UsageError where `folder` holds the folder one works in, which cannot be replaced.
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
