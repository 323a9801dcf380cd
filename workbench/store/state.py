"""What follows from the journal: which entries are undone, and which hold now."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, bindparam, delete, func, insert, select
from sqlalchemy.dialects import postgresql, sqlite

from workbench.store.operations import OWN_KINDS, REDO, UNDO, Entry, scope
from workbench.store.schema import journal, present, undone

Slot = tuple[str, str, str]
"""Kind, key and scope: what can hold one entry at a time."""

_SLOT = ("kind", "key", "scope")
_COLUMNS = (*_SLOT, "seq", "by", "round", "transcript")
_AT_ONCE = 1000


def follow(connection: Connection, entries: Sequence[Entry]) -> None:
    """Bring the present state in line with entries that were just appended."""
    latest = {_slot(entry): entry for entry in entries if entry.kind not in OWN_KINDS}
    _hold(connection, [entry for entry in latest.values() if entry.content is not None])
    _clear(connection, [slot for slot, entry in latest.items() if entry.content is None])


def settle(connection: Connection, entries: Iterable[Entry]) -> None:
    """Find anew what holds where these entries, which were undone or redone, belong."""
    for slot in {_slot(entry) for entry in entries}:
        _clear(connection, [slot])
        connection.execute(insert(present).from_select(list(_COLUMNS), _held(slot)))


def rebuild(connection: Connection) -> None:
    """Work out everything from the journal alone."""
    connection.execute(delete(undone))
    marks = _undone_now(connection)
    if marks:
        connection.execute(insert(undone), [{"seq": seq, "undo_seq": by} for seq, by in marks.items()])
    connection.execute(delete(present))
    connection.execute(insert(present).from_select(list(_COLUMNS), _held()))


def astray(connection: Connection) -> int:
    """In how many places the state kept differs from the one the journal gives."""
    kept = {row.seq: row.undo_seq for row in connection.execute(select(undone))}
    wrongly_marked = len(kept.items() ^ _undone_now(connection).items())
    now_held = select(*(present.c[name] for name in _COLUMNS))
    apart = [
        connection.execute(select(func.count()).select_from(one.subquery())).scalar_one()
        for one in (_held().except_(now_held), now_held.except_(_held()))
    ]
    return wrongly_marked + sum(apart)


def damage(connection: Connection) -> str:
    """What SQLite finds wrong with its file; empty where nothing is."""
    if connection.dialect.name != "sqlite":
        return ""
    found = [row[0] for row in connection.exec_driver_sql("PRAGMA quick_check(3)")]
    return "" if found == ["ok"] else f"The file is damaged: {'; '.join(found)}."


def _slot(entry: Entry) -> Slot:
    return entry.kind, entry.key, scope(entry.by, entry.kind)


def _hold(connection: Connection, entries: Sequence[Entry]) -> None:
    if entries:
        rows = [
            {name: getattr(entry, name) for name in _COLUMNS if name != "scope"}
            | {"scope": scope(entry.by, entry.kind)}
            for entry in entries
        ]
        connection.execute(_HOLD[connection.dialect.name], rows)


def _clear(connection: Connection, slots: Sequence[Slot]) -> None:
    if slots:
        connection.execute(
            _CLEAR, [{f"of_{name}": value for name, value in zip(_SLOT, one, strict=True)} for one in slots]
        )


def _holding(added: postgresql.Insert | sqlite.Insert) -> postgresql.Insert | sqlite.Insert:
    """Put an entry into its slot, over the one that was there."""
    changed = {name: added.excluded[name] for name in _COLUMNS if name not in _SLOT}
    return added.on_conflict_do_update(index_elements=_SLOT, set_=changed)


_HOLD = {"sqlite": _holding(sqlite.insert(present)), "postgresql": _holding(postgresql.insert(present))}
_CLEAR = delete(present).where(*(present.c[name] == bindparam(f"of_{name}") for name in _SLOT))
"""Statements of every recording, made once."""


def _standing() -> Select[Any]:
    """The latest `seq` among ordinary entries that are not undone."""
    not_undone = ~select(undone.c.seq).where(undone.c.seq == journal.c.seq).exists()
    return select(func.max(journal.c.seq)).where(journal.c.kind.not_in(OWN_KINDS), not_undone)


def _held(slot: Slot | None = None) -> Select[Any]:
    """What the journal and the marks of undo say holds now, everywhere or in one slot."""
    places = [journal.c[name] for name in _SLOT]
    latest = _standing().group_by(*places)
    if slot is not None:
        latest = latest.where(*(place == value for place, value in zip(places, slot, strict=True)))
    return select(*(journal.c[name] for name in _COLUMNS)).where(
        journal.c.seq.in_(latest.scalar_subquery()), journal.c.content.is_not(None)
    )


def _undone_now(connection: Connection) -> dict[int, int]:
    """The entries that are undone at the end of the journal, each with the undo that did it."""
    marks = select(journal.c.seq, journal.c.kind, journal.c.content).where(journal.c.kind.in_((UNDO, REDO)))
    taken: dict[str, int] = {}
    for seq, kind, content in connection.execute(marks.order_by(journal.c.seq)):
        for one in json.loads(content)["of"]:
            if kind == UNDO:
                taken[one] = seq
            else:
                taken.pop(one, None)
    ids = list(taken)
    seqs: dict[int, int] = {}
    for start in range(0, len(ids), _AT_ONCE):
        here = select(journal.c.seq, journal.c.id).where(journal.c.id.in_(ids[start : start + _AT_ONCE]))
        seqs |= {seq: taken[id] for seq, id in connection.execute(here)}
    return seqs
