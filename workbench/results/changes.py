"""Two results folders compared: which numbers changed, and what changed between the runs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from math import isclose
from pathlib import Path
from typing import Any

from workbench.errors import UsageError
from workbench.report.numbers import ROW_KEYS, row_names
from workbench.report.table import Column, Table
from workbench.study import STUDY_FILE

_CODES = ("codings", "codebook", "consensus", "decisions")


def changes(old: Path, new: Path) -> list[Table]:
    """Tables `diff_reasons` (what differs between the runs) and `diff_numbers` (what differs in the results).

    Raises UsageError where one of the two is no results folder.
    """
    before, after = _manifest(old), _manifest(new)
    reasons = list(_reasons(before, after))
    numbers = list(_numbers(old, new, before, after))
    return [_reasons_table(reasons, len(numbers)), _numbers_table(numbers)]


def _manifest(folder: Path) -> dict[str, Any]:
    try:
        content: dict[str, Any] = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise UsageError(f"{folder} is no results folder: it has no manifest.json that can be read.") from None
    return content


def _reasons(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    plans = (before.get("plan", ""), after.get("plan", ""))
    for file, one, other in _differences(before["inputs"], after["inputs"]):
        kind = "codes" if any(word in file for word in _CODES) else "data"
        if file == STUDY_FILE:
            kind = "study.toml, the plan in it" if plans[0] != plans[1] else "study.toml, the plan unchanged"
        yield _reason(kind, file, one, other)
    if plans[0] != plans[1]:
        yield _reason("plan", "hash of the plan", *plans)
    instruments = [{name: entry["sha256"] for name, entry in one["instruments"].items()} for one in (before, after)]
    for name, one, other in _differences(*instruments):
        yield _reason("instrument", name, one, other)
    if before.get("seed") != after.get("seed"):
        yield _reason("plan", "seed", str(before.get("seed")), str(after.get("seed")))
    for name, one, other in _differences(before["versions"], after["versions"]):
        yield _reason("version", name, one, other)


def _reason(kind: str, what: str, before: str, after: str) -> dict[str, str]:
    return {"kind": kind, "what": what, "before": before[:12] or "not there", "after": after[:12] or "not there"}


def _differences(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    for name in dict.fromkeys((*before, *after)):
        if before.get(name) != after.get(name):
            yield name, before.get(name, ""), after.get(name, "")


def _numbers(old: Path, new: Path, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    for name in dict.fromkeys((*before["tables"], *after["tables"])):
        one, other = _cells(old, name), _cells(new, name)
        for row, column in dict.fromkeys((*one, *other)):
            then, now = one.get((row, column), _ABSENT), other.get((row, column), _ABSENT)
            if not _same(then, now):
                yield {"table": name, "row": row, "column": column, "before": _told(then), "after": _told(now)}


_ABSENT = object()


def _cells(folder: Path, name: str) -> dict[tuple[str, str], object]:
    path = folder / "tables" / f"{name}.json"
    if not path.exists():
        return {}
    rows = json.loads(path.read_text(encoding="utf-8"))["rows"]
    keys = ROW_KEYS.get(name, ())
    return {
        (row_name, key): value
        for row_name, row in zip(row_names(name, rows), rows, strict=True)
        for key, value in row.items()
        if key not in keys
    }


def _same(one: object, other: object) -> bool:
    """Whether two values are the same, as numbers up to the noise of summing in another order."""
    if isinstance(one, float) and isinstance(other, float):
        return isclose(one, other, rel_tol=1e-12, abs_tol=1e-15)
    return one == other


def _told(value: object) -> str:
    if value is _ABSENT:
        return "not there"
    return "not defined" if value is None else str(value)


def _reasons_table(reasons: list[dict[str, str]], n: int) -> Table:
    columns = (Column("kind", "Kind"), Column("what", "What"), Column("before", "Before"), Column("after", "After"))
    note = f"{n} cells of the results differ." if n else "No cell of the results differs."
    notes = (note,) if reasons or not n else (note, "Nothing that the manifests name differs: look at the code itself.")
    return Table("diff_reasons", "What differs between the runs", columns, tuple(reasons), notes)


def _numbers_table(numbers: list[dict[str, str]]) -> Table:
    columns = (
        Column("table", "Table"),
        Column("row", "Row"),
        Column("column", "Column"),
        Column("before", "Before"),
        Column("after", "After"),
    )
    note = "Each cell by the id that `workbench trace` takes: table/row/column."
    return Table("diff_numbers", "What differs in the results", columns, tuple(numbers), (note,), ("table",))
