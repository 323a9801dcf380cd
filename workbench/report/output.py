"""Tables to the screen, a file or a folder, in the format asked for."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from workbench.declared import nearest
from workbench.errors import Finding, UsageError
from workbench.files import write_atomically
from workbench.report.table import Format, Table, printable, render, to_json, to_text, wrapped
from workbench.report.tables.reading import for_reading

SUFFIXES = {
    "text": ".txt",
    "csv": ".csv",
    "json": ".json",
    "markdown": ".md",
    "html": ".html",
    "latex": ".tex",
    "docx": ".docx",
}


def write_tables(
    tables: Sequence[Table],
    format: Format | Literal["docx"],
    name: str | None,
    out: Path | None,
    *,
    width: int,
    words: Mapping[str, str] | None = None,
) -> str:
    """The text for the screen; "" where it went to `out`.

    One table (or the one called `name`) goes to a file `out`, several go into a folder `out`. Raises
    UsageError for an unknown name, for several tables in CSV on the screen, and for a Word document there; all tables
    go into one of these. `words` are what people read for ids.
    """
    chosen = [_named(tables, name)] if name else list(tables)
    if format == "docx":
        return _to_word_file(chosen, out, words or {})
    if out is None:
        return printable(_together(chosen, format, width, words or {}))
    refuse_collected(out)
    if len(chosen) == 1 and not out.is_dir():
        write_atomically(out, _one(chosen[0], format, width, words or {}))
        return ""
    if out.is_file():
        raise UsageError(
            f"{out} is a file, and there are {len(chosen)} tables; name a folder, or one table with --table."
        )
    for table in chosen:
        write_atomically(out / f"{table.name}{SUFFIXES[format]}", _one(table, format, width, words or {}))
    return ""


def _to_word_file(tables: Sequence[Table], out: Path | None, words: Mapping[str, str]) -> str:
    from workbench.report.word import tables_document

    if out is None or out.is_dir():
        raise UsageError("A Word document is a file: name it with --out, such as --out tables.docx.")
    refuse_collected(out)
    write_atomically(out, tables_document([for_reading(table, words) for table in tables]))
    return ""


def refuse_collected(out: Path) -> None:
    """Raise UsageError where writing to `out` could take the place of a file of a study.

    That is anything that exists inside a folder with a study.toml. Elsewhere an earlier file is written over.
    """
    place = out.resolve()
    study = next((folder for folder in (place, *place.parents) if (folder / "study.toml").exists()), None)
    if study is not None and place.exists():
        raise UsageError(
            f"{out} exists inside the study folder {study.name}, whose files are never written over; "
            "name a new place, best outside the study folder."
        )


def _named(tables: Sequence[Table], name: str) -> Table:
    for table in tables:
        if table.name == name:
            return table
    raise UsageError(f"There is no table “{name}” here. {nearest(name, [table.name for table in tables])}")


def _one(table: Table, format: Format, width: int, words: Mapping[str, str]) -> str:
    shown = table if format in ("csv", "json") else for_reading(table, words)
    text = to_text(shown, width=width) if format == "text" else render(shown, format)
    return text if text.endswith("\n") else text + "\n"


def _together(tables: Sequence[Table], format: Format, width: int, words: Mapping[str, str]) -> str:
    if format == "csv" and len(tables) > 1:
        raise UsageError(
            f"CSV holds one table: choose one with --table ({', '.join(table.name for table in tables)}), or name a folder with --out."
        )
    if format == "json" and len(tables) > 1:
        return json.dumps([json.loads(to_json(table)) for table in tables], ensure_ascii=False, indent=2) + "\n"
    return "\n".join(_one(table, format, width, words) for table in tables)


def findings_text(findings: Sequence[Finding], *, width: int) -> str:
    """Findings as a list for the terminal: where, what was found, what to do."""
    lines = []
    for finding in findings:
        lines += wrapped(
            f"{finding.severity.upper()}  {finding.kind}{f': {finding.where}' if finding.where else ''}", width
        )
        for part in (finding.found, finding.remedy):
            lines += [f"    {line}" for line in wrapped(part, width - 4)] if part else []
        lines.append("")
    return "\n".join(lines)
