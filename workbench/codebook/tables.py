"""Codebooks as tables that a person edits in a spreadsheet: a row per code and version, read and written.

The column `kind` says what a row is: empty or "code" for a code, "theme" for a theme, "version" for what is said of a
version as a whole, "retired" for why a code of the version before is gone.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from workbench.codebook.model import Code, Codebook, Codebooks, Theme, version_age, with_changes
from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import fault, read_table

COLUMNS = (
    "version",
    "kind",
    "code",
    "label",
    "theme",
    "parent",
    "definition",
    "full_definition",
    "when_to_use",
    "when_not_to_use",
    "example",
    "near_miss",
    "renamed_from",
    "merged_from",
    "split_from",
    "author",
    "date",
    "reason",
)
NEEDED = ("version", "code")
KINDS = ("code", "theme", "version", "retired")
SEPARATOR = ";"
"""Between the codes in a cell of `merged_from`."""

VERSION = r"[A-Za-z0-9][A-Za-z0-9._-]*"
"""What the name of a version looks like, as a regular expression."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class _Row:
    number: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


def read_codebooks(path: Path, shown: str) -> Codebooks:
    """The versions of a codebook in a CSV or XLSX file, `shown` being the name to show.

    Raises StudyError with every fault: unknown or missing columns, versions without a proper name, codes that stand twice
    in a version, codes above themselves, versions made from unknown ones or from themselves, dates that are none.
    """
    table = read_table(path, shown)
    faults = _column_faults(table.columns, shown, table.header)
    if faults:
        raise StudyError(faults)
    cells = {name: table.frame[name].map(_cell) for name in table.columns}
    rows = [_Row(int(number), {name: cells[name][number] for name in cells}) for number in table.frame.index]
    faults = [one for row in rows for one in _row_faults(row, shown)]
    by_version: dict[str, list[_Row]] = defaultdict(list)
    for row in rows:
        by_version[row["version"]].append(row)
    faults += [one for of_version in by_version.values() for one in _repeats(of_version, shown)]
    if not rows:
        faults.append(fault(shown, "", "The codebook has no rows.", "Write a row for each code.", "no codes"))
    if faults:
        raise StudyError(faults)
    codebooks = [_codebook(version, of_version) for version, of_version in by_version.items()]
    faults = [one for codebook in codebooks for one in _circles(codebook, shown)] + _parent_faults(codebooks, shown)
    if faults:
        raise StudyError(faults)
    return Codebooks(with_changes(codebooks), shown, table.notes)


def _cell(text: str) -> str:
    """A cell without spaces around it and without the apostrophe that keeps it from being a formula."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").strip()
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA_STARTS) else text


def _column_faults(columns: Sequence[str], shown: str, header: str) -> list[Finding]:
    unknown = [
        fault(shown, header, f"“{name}” is no column of a codebook.", nearest(name, COLUMNS), "unknown column")
        for name in columns
        if name not in COLUMNS
    ]
    missing = [
        fault(shown, header, f"The column “{name}” is not there.", "Add it.", "missing column")
        for name in NEEDED
        if name not in columns
    ]
    return unknown + missing


def _row_faults(row: _Row, shown: str) -> list[Finding]:
    def place(column: str) -> str:
        return f"row {row.number}, column {column}"

    faults = []
    kind = row["kind"] or "code"
    if not re.fullmatch(VERSION, row["version"]):
        found = f"“{row['version']}” cannot be the name of a version." if row["version"] else "No version is named."
        remedy = "Write a number or a short name of letters, digits, points and hyphens, such as 2 or 1.1."
        faults.append(fault(shown, place("version"), found, remedy, "bad version"))
    if kind not in KINDS:
        found = f"“{kind}” is no kind of row."
        faults.append(fault(shown, place("kind"), found, nearest(kind, KINDS), "wrong value"))
    elif not row["code"] and kind != "version":
        faults.append(fault(shown, place("code"), f"No name stands here ({kind}).", "Fill it in.", "wrong value"))
    if SEPARATOR in row["code"]:
        remedy = f"Rename it; {SEPARATOR} stands between codes in the column merged_from."
        faults.append(
            fault(shown, place("code"), f"The name “{row['code']}” holds a {SEPARATOR}.", remedy, "wrong value")
        )
    if "\n" in row["code"]:
        faults.append(fault(shown, place("code"), "The name has a line break.", "Remove it.", "wrong value"))
    if row["date"] and not _is_date(row["date"]):
        remedy = "Write it as year-month-day, such as 2026-03-02."
        faults.append(fault(shown, place("date"), f"“{row['date'][:40]}” is no date.", remedy, "wrong value"))
    return faults


def _is_date(text: str) -> bool:
    try:
        return bool(date.fromisoformat(text))
    except ValueError:
        return False


def _repeats(rows: Sequence[_Row], shown: str) -> list[Finding]:
    """Names that stand more than once among the rows of one version."""
    faults = []
    for kind in KINDS:
        of_kind = [row for row in rows if (row["kind"] or "code") == kind]
        names = Counter("" if kind == "version" else row["code"] for row in of_kind)
        for name, times in names.items():
            if times > 1:
                places = [f"{row.number}" for row in of_kind if kind == "version" or row["code"] == name]
                what = "The row of the version" if kind == "version" else f"The {kind} “{name}”"
                found = f"{what} stands {times} times in version {rows[0]['version']}."
                faults.append(fault(shown, f"rows {', '.join(places)}", found, "Keep one of them.", "duplicate"))
    return faults


def _codebook(version: str, rows: Sequence[_Row]) -> Codebook:
    of_kind = {kind: [row for row in rows if (row["kind"] or "code") == kind] for kind in KINDS}
    about = next(iter(of_kind["version"]), _Row(0, {}))
    codes = tuple(_code(row) for row in of_kind["code"])
    themes = [Theme(row["code"], row["label"], row["definition"], row.number) for row in of_kind["theme"]]
    return Codebook(
        version,
        codes,
        (*themes, *undescribed_themes(codes, themes)),
        about["parent"],
        about["author"],
        about["date"],
        about["reason"],
        {row["code"]: row["reason"] for row in of_kind["retired"]},
    )


def undescribed_themes(codes: Sequence[Code], themes: Sequence[Theme]) -> list[Theme]:
    """The themes that codes name and that have no row of their own."""
    known = {one.theme for one in themes}
    return [Theme(name) for name in dict.fromkeys(one.theme for one in codes) if name and name not in known]


def _code(row: _Row) -> Code:
    merged = tuple(name.strip() for name in row["merged_from"].split(SEPARATOR) if name.strip())
    plain = {name: row[name] for name in COLUMNS if name not in ("version", "kind", "merged_from")}
    return Code(**plain, merged_from=merged, row=row.number)


def _circles(codebook: Codebook, shown: str) -> list[Finding]:
    """Codes that stand above themselves, each circle once."""
    above = {one.code: one.parent for one in codebook.codes}
    faults, seen = [], set[str]()
    for start in above:
        path: list[str] = []
        here = start
        while here in above and here not in path and here not in seen:
            path.append(here)
            here = above[here]
        if here in path:
            circle = path[path.index(here) :]
            rows = [f"{codebook.code(name).row}" for name in circle]
            found = f"In version {codebook.version} these codes stand above each other: {' → '.join([*circle, here])}."
            where = f"{'rows' if len(rows) > 1 else 'row'} {', '.join(rows)}, column parent"
            faults.append(fault(shown, where, found, "Empty the parent of one of them.", "circle"))
        seen.update(path)
    return faults


def _parent_faults(codebooks: Sequence[Codebook], shown: str) -> list[Finding]:
    known = [one.version for one in codebooks]
    faults = []
    for one in codebooks:
        parent = one.parent_version
        where = f"version {one.version}, column parent"
        if parent and parent not in known:
            found = f"Version {one.version} is made from “{parent}”, which is no version here."
            faults.append(fault(shown, where, found, nearest(parent, known), "bad version"))
        elif parent and version_age(parent) >= version_age(one.version):
            found = f"Version {one.version} is made from version {parent}, which is not older."
            faults.append(fault(shown, where, found, "Correct one of the two.", "bad version"))
        if not one.codes:
            found = f"Version {one.version} has no codes."
            faults.append(fault(shown, f"version {one.version}", found, "Write a row for each of them.", "no codes"))
    return faults


def codebooks_csv(codebooks: Codebooks) -> str:
    """All versions as the CSV that `read_codebooks` reads.

    Text that a spreadsheet would take for a formula gets a leading apostrophe, which reading takes away.
    """
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n", restval="")
    writer.writeheader()
    for codebook in codebooks.versions:
        writer.writerows(
            {name: f"'{text}" if text.startswith(_FORMULA_STARTS) else text for name, text in row.items()}
            for row in _rows(codebook)
        )
    return out.getvalue()


def _rows(codebook: Codebook) -> list[dict[str, str]]:
    version = {"version": codebook.version}
    about = {name: getattr(codebook, name) for name in ("author", "date", "reason")}
    rows = [version | {"kind": "version", "parent": codebook.parent_version} | about]
    for theme in codebook.themes:
        rows.append(
            version | {"kind": "theme", "code": theme.theme, "label": theme.label, "definition": theme.definition}
        )
    for code in codebook.codes:
        plain = {name: getattr(code, name) for name in COLUMNS if name not in ("version", "kind", "merged_from")}
        rows.append(version | {"kind": "code"} | plain | {"merged_from": SEPARATOR.join(code.merged_from)})
    rows += [version | {"kind": "retired", "code": name, "reason": why} for name, why in codebook.retired.items()]
    return rows
