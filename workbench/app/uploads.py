"""Files that a person brings in by the browser, and the tables that lie in a study folder."""

from __future__ import annotations

import re
from pathlib import Path

from workbench.app.held import RESULTS

UPLOAD, IN_FOLDER = "Choose a file from elsewhere", "A file in the study folder"
"""Where a table to bring in can be, as the page Responses asks it."""

TABLES = (".csv", ".tsv", ".txt", ".xlsx")
LONGEST_NAME = 80


def kept_upload(folder: Path, name: str, content: bytes) -> Path:
    """`content` written into `folder` under a safe form of `name`, which comes from outside and may hold anything."""
    target = folder / safe_name(name)
    if not target.exists() or target.read_bytes() != content:
        target.write_bytes(content)
    return target


def safe_name(name: str) -> str:
    """`name` without folders and without characters that could be more than a name; "table.csv" where none is left."""
    last = re.split(r"[/\\]", name)[-1]
    plain = re.sub(r"[^\w. -]+", "_", last).strip(". _")[-LONGEST_NAME:].strip(". _")
    return plain if re.search(r"\w", plain) else "table.csv"


def tables_in(folder: Path) -> list[str]:
    """The files of a study folder that may be tables, without its results and hidden ones."""
    found = (path.relative_to(folder) for path in folder.rglob("*") if path.suffix.lower() in TABLES and path.is_file())
    return sorted(
        path.as_posix()
        for path in found
        if path.parts[0] != RESULTS and not any(part.startswith(".") for part in path.parts)
    )
