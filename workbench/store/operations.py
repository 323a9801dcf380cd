"""What one decision is before it is stored (an Operation) and after (an Entry), and what makes it fit to be stored."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any
from uuid import uuid4

from workbench.errors import ArgumentError

UNDO, REDO, ERASED = "undo", "redo", "erased"
OWN_KINDS = (UNDO, REDO, ERASED)
"""Kinds that only the store itself writes."""

PERSONAL = ("coding", "rated", "memo")
"""Kinds whose present state is kept for each person apart; of all others the last word of anybody counts."""

UNDOABLE = ("coding", "rated", "memo", "correction", "unit", "theme")
"""Kinds that undo takes back. Others (a submission, a codebook version, a consensus) are met by a new decision."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One decision as its sender words it.

    `id` is a UUID in 32 hexadecimal digits that the sender makes, so that sending twice stores once; `by` who decided;
    `kind` and `key` what about; `content` what now holds, None for "no longer". `round`, `transcript` and `version` (of
    the codebook) say where it belongs, `why` gives the reason, `at` the time in UTC (filled in where empty).
    """

    id: str
    by: str
    kind: str
    key: str
    content: dict[str, Any] | None
    round: str = ""
    transcript: str = ""
    version: str = ""
    why: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True)
class Entry(Operation):
    """An operation as stored. `seq` counts from 1 without gaps and alone gives the order; `batch` is the `seq` of the
    first operation that was recorded together with it, which undo takes back as one.
    """

    seq: int = 0
    batch: int = 0


FIELDS = tuple(field.name for field in fields(Operation))
WORDS = tuple(name for name in FIELDS if name != "content")
ENTRY_WORDS = (*WORDS, "seq", "batch")


def new_operation(by: str, kind: str, key: str, content: dict[str, Any] | None, **further: str) -> Operation:
    """An operation with a new id; `further` are other fields of it."""
    return Operation(uuid4().hex, by, kind, key, content, **further)


def entry_of(operation: Operation, seq: int, batch: int) -> Entry:
    """The entry that an operation becomes."""
    return Entry(**{name: getattr(operation, name) for name in FIELDS} | {"seq": seq, "batch": batch})


def as_text(content: Mapping[str, Any] | None) -> str | None:
    """Content as JSON that is the same for the same content.

    Raises ArgumentError for what JSON cannot hold.
    """
    if content is None:
        return None
    try:
        text = json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise ArgumentError(
            f"`content` cannot be stored: {error}. Plain text, numbers, lists and tables can."
        ) from None
    _require_storable("content", text)
    return text


def checked(operation: Operation) -> Operation:
    """The operation, if it can be stored; ArgumentError says what cannot."""
    for name in WORDS:
        value = getattr(operation, name)
        if not isinstance(value, str):
            raise ArgumentError(f"`{name}` is {value!r}; text is needed.")
        _require_storable(name, value)
    for name in ("by", "kind", "key"):
        if not getattr(operation, name).strip():
            raise ArgumentError(f"`{name}` of an operation is empty; it must say something.")
    if operation.content is not None and not isinstance(operation.content, dict):
        raise ArgumentError(f"`content` is a {type(operation.content).__name__}; a table or None is needed.")
    _require_id(operation.id)
    if operation.at:
        _require_time(operation.at)
    return operation


def _require_id(id: object) -> None:
    if not isinstance(id, str) or not re.fullmatch(r"[0-9a-f]{32}", id):
        raise ArgumentError(f"`id` is {id!r}; a UUID in 32 hexadecimal digits is needed.")


def _require_storable(name: str, value: str) -> None:
    if "\0" in value:
        raise ArgumentError(f"`{name}` holds a NUL character, which no database keeps.")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise ArgumentError(f"`{name}` holds half a character (a lone surrogate); whole text is needed.") from None


def _require_time(at: str) -> None:
    try:
        told = datetime.fromisoformat(at)
    except ValueError:
        raise ArgumentError(f"`at` is {at!r}; an ISO 8601 time such as 2026-03-02T09:30:00+00:00 is needed.") from None
    if told.tzinfo is None:
        raise ArgumentError(f"`at` is {at!r}; a time with its offset from UTC is needed.")


def same_decision(one: Operation, other: Operation) -> bool:
    """Whether two operations say the same. When they were told is left aside: a sender may say it anew."""
    return _said(one) == _said(other)


def _said(operation: Operation) -> tuple[Any, ...]:
    words = [getattr(operation, name) for name in WORDS if name != "at"]
    return (*words, as_text(operation.content))


def scope(by: str, kind: str) -> str:
    """Whose present state an operation changes: the person's, or everybody's ("")."""
    return by if kind in PERSONAL else ""


def to_line(entry: Entry) -> str:
    """An entry as a line of JSON."""
    return json.dumps(asdict(entry), sort_keys=True, ensure_ascii=False)


def from_line(line: str, number: int) -> Entry:
    """The entry that a line of JSON holds; ArgumentError with the line's number where it holds none."""
    try:
        entry = Entry(**json.loads(line))
    except (ValueError, TypeError, RecursionError):
        raise ArgumentError(f"Line {number} is no entry of a journal; each line is one JSON object.") from None
    try:
        return _checked_entry(entry)
    except ArgumentError as error:
        raise ArgumentError(f"Line {number}: {error}") from None


def _checked_entry(entry: Entry) -> Entry:
    for name in ("seq", "batch"):
        if type(getattr(entry, name)) is not int:
            raise ArgumentError(f"`{name}` is {getattr(entry, name)!r}; a whole number is needed.")
    if entry.kind == ERASED:
        _require_id(entry.id)
        return Entry(entry.id, "", ERASED, "", None, seq=entry.seq, batch=entry.batch)
    checked(entry)
    if entry.kind in (UNDO, REDO):
        taken = (entry.content or {}).get("of")
        if not isinstance(taken, list) or not all(isinstance(one, str) for one in taken):
            raise ArgumentError(
                f"`content` of an {entry.kind} is {entry.content!r}; a list of ids under `of` is needed."
            )
    return entry


def told_again(entries: Iterable[Entry], known: Mapping[int, int], following: int) -> list[Entry]:
    """Entries of another journal, numbered on from `following`; `known` maps its batches to those here."""
    batches = dict(known)
    numbered = []
    for seq, entry in enumerate(entries, start=following):
        batch = batches.setdefault(entry.batch, seq)
        numbered.append(entry_of(entry, seq, batch))
    return numbered
