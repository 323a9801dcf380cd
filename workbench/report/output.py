"""Tables to the screen, a file or a folder, in the format asked for."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from workbench.declared import nearest
from workbench.errors import UsageError
from workbench.files import write_atomically
from workbench.report.table import Format, Table, render, to_json, to_text

SUFFIXES = {"text": ".txt", "csv": ".csv", "json": ".json", "markdown": ".md", "html": ".html"}


def write_tables(tables: Sequence[Table], format: Format, name: str | None, out: Path | None, *, width: int) -> str:
    """The text for the screen; "" where it went to `out`.

    One table (or the one called `name`) goes to a file `out`, several go into a folder `out`. Raises
    UsageError for an unknown name, and for several tables in CSV on the screen.
    """
    chosen = [_named(tables, name)] if name else list(tables)
    if out is None:
        return _together(chosen, format, width)
    if len(chosen) == 1 and not out.is_dir():
        write_atomically(out, _one(chosen[0], format, width))
        return ""
    if out.is_file():
        raise UsageError(
            f"{out} is a file, and there are {len(chosen)} tables; name a folder, or one table with --table."
        )
    for table in chosen:
        write_atomically(out / f"{table.name}{SUFFIXES[format]}", _one(table, format, width))
    return ""


def _named(tables: Sequence[Table], name: str) -> Table:
    for table in tables:
        if table.name == name:
            return table
    raise UsageError(f"There is no table “{name}” here. {nearest(name, [table.name for table in tables])}")


def _one(table: Table, format: Format, width: int) -> str:
    text = to_text(table, width=width) if format == "text" else render(table, format)
    return text if text.endswith("\n") else text + "\n"


def _together(tables: Sequence[Table], format: Format, width: int) -> str:
    if format == "csv" and len(tables) > 1:
        raise UsageError(
            f"CSV holds one table: choose one with --table ({', '.join(table.name for table in tables)}), or name a folder with --out."
        )
    if format == "json" and len(tables) > 1:
        return json.dumps([json.loads(to_json(table)) for table in tables], ensure_ascii=False, indent=2) + "\n"
    return "\n".join(_one(table, format, width) for table in tables)
