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
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import Finding, StudyError

if TYPE_CHECKING:
    import pandas as pd

LARGEST_CELL = 1_000_000
"""Characters in one cell beyond which a file is taken to be damaged (a quote that never closes)."""


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


def read_text(path: Path, shown: str) -> str:
    """The text of a file in UTF-8 (with or without byte order mark) or UTF-16 (with one).

    Raises StudyError when the file is missing, is a folder, or holds other bytes.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise StudyError(
            [
                fault(
                    shown,
                    "",
                    "There is no such file.",
                    "Put it there, or correct its name in study.toml.",
                    "missing file",
                )
            ]
        ) from None
    except IsADirectoryError:
        raise StudyError([fault(shown, "", "This is a folder, not a file.", "Name the file inside it.")]) from None
    except OSError as error:
        raise StudyError(
            [
                fault(
                    shown,
                    "",
                    f"The file cannot be read ({error.strerror}).",
                    "Check that it is not locked and that you may read it.",
                )
            ]
        ) from None
    encoding = "utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise StudyError(
            [
                fault(
                    shown,
                    f"line {line}",
                    "These bytes are not UTF-8 text.",
                    "Save the file as CSV in UTF-8, or as XLSX.",
                )
            ]
        ) from None
    if "\0" in text:
        raise StudyError(
            [fault(shown, "", "The file holds NUL bytes, so it is not a text file.", "Export the data as CSV or XLSX.")]
        )
    return text


def read_toml(path: Path, shown: str) -> dict[str, Any]:
    """The content of a TOML file; StudyError with line and column when it is not TOML."""
    text = read_text(path, shown)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise StudyError(
            [
                fault(
                    shown,
                    "",
                    f"This is not valid TOML: {error}.",
                    "Mend the line named here; strings need quotes, lists need commas.",
                    "broken TOML",
                )
            ]
        ) from None


def read_table(path: Path, shown: str) -> SourceTable:
    """A CSV (comma, semicolon or tab) or XLSX file (its first sheet) as text with row numbers.

    Raises StudyError naming every ragged row, repeated or empty column name, or what else was found.
    """
    rows = (
        _spreadsheet_rows(path, shown)
        if path.suffix.lower() == ".xlsx"
        else _delimited_rows(read_text(path, shown), shown)
    )
    numbered = [(number, row) for number, row in enumerate(rows, start=1) if any(cell.strip() for cell in row)]
    if not numbered:
        raise StudyError(
            [fault(shown, "", "The file is empty.", "Export it again; the first row must name the columns.")]
        )
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
    return [
        fault(
            shown,
            f"row {number}",
            f"This row has {len(row)} cells, the header has {width}.",
            "Look for a missing or extra delimiter or quote in this row.",
        )
        for number, row in data
        if any(cell.strip() for cell in row[width:]) or len(row) < width
    ]


def _delimited_rows(text: str, shown: str) -> list[list[str]]:
    first_line = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(",;\t", key=first_line.count)
    csv.field_size_limit(LARGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    try:
        rows.extend(reader)
    except csv.Error as error:
        raise StudyError(
            [
                fault(
                    shown,
                    f"row {len(rows) + 1}",
                    f"This is not a well-formed CSV row ({error}).",
                    "Look for a quote that is opened and never closed.",
                )
            ]
        ) from None
    return rows


def _spreadsheet_rows(path: Path, shown: str) -> list[list[str]]:
    from zipfile import BadZipFile

    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    if not path.exists():
        raise StudyError(
            [
                fault(
                    shown,
                    "",
                    "There is no such file.",
                    "Put it there, or correct its name in study.toml.",
                    "missing file",
                )
            ]
        )
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        sheet = book.worksheets[0]
        rows = [["" if cell is None else _cell_text(cell) for cell in row] for row in sheet.iter_rows(values_only=True)]
        book.close()
    except (BadZipFile, InvalidFileException, KeyError, OSError, ValueError, IndexError):
        raise StudyError(
            [fault(shown, "", "This is not a readable XLSX workbook.", "Open it and save it again as XLSX or CSV.")]
        ) from None
    width = max((len(row) for row in rows), default=0)
    return [row + [""] * (width - len(row)) for row in rows]


def _cell_text(cell: object) -> str:
    return str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell)


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
    """Write a file whole or not at all: aside first, then moved over the old one."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content.encode() if isinstance(content, str) else content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(aside, 0o666 & ~_umask())
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

    When the block raises, `folder` stays as it was and the half-written one is removed.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    aside = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-new-"))
    os.chmod(aside, 0o777 & ~_umask())
    old = folder.parent / f".{folder.name}-old-{aside.name[-8:]}"
    try:
        yield aside
        if folder.exists():
            os.replace(folder, old)
        try:
            os.replace(aside, folder)
        except BaseException:
            if old.exists():
                os.replace(old, folder)
            raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)
