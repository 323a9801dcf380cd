"""The journal of decisions: recorded in order, never changed, with the present state beside it.

`seq` alone orders; `at` is what a clock told. The present state is the latest entry of each kind and key (for
personal kinds: of each person) that is not undone. A participant's withdrawal is the one thing that empties entries.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import islice
from typing import Any, Self, TypeVar

from sqlalchemy import Connection, Select, bindparam, delete, func, insert, select, update

from workbench.errors import ArgumentError, Finding
from workbench.store import state
from workbench.store.database import Database, now, refusal
from workbench.store.operations import (
    ENTRY_WORDS,
    ERASED,
    OWN_KINDS,
    REDO,
    UNDO,
    UNDOABLE,
    Entry,
    Operation,
    as_text,
    checked,
    entry_of,
    from_line,
    new_operation,
    same_decision,
    scope,
    to_line,
    told_again,
)
from workbench.store.schema import ERASING, journal, meta, present, undone

Kinds = str | Sequence[str]
One = TypeVar("One")
Said = TypeVar("Said", bound=Operation)

AT_ONCE = 1000
"""Entries that are looked up or written in one go."""

_SHOWN = [
    journal.c[name]
    for name in ("id", "by", "kind", "key", "content", "round", "transcript", "version", "why", "at", "seq", "batch")
]
"""The columns of an entry, in the order of its fields."""

_PARSED = json.JSONDecoder().raw_decode
"""Reads what as_text wrote, which has no blanks around it that would have to be looked for."""

_LAST = select(func.coalesce(func.max(journal.c.seq), 0))
_BY_ID = select(*_SHOWN).where(journal.c.id.in_(bindparam("ids", expanding=True)))
_ADD = insert(journal)
"""Statements of every recording, made once."""


class Journal:
    """What people decided in a study. Safe to share between threads; other programs may use the database too."""

    def __init__(self, database: Database):
        self._database = database

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._database.close()

    # ------------------------------------------------------------------------------------ recording

    def record(self, operations: Iterable[Operation]) -> list[Entry]:
        """Store operations together, all or none, and return their entries in the same order.

        One that is stored already (same id) is not stored again; its entry is returned. What is recorded in one call is
        undone as one. Raises ArgumentError for what cannot be stored, StoreError where the same id said something else
        or the database fails; then nothing of the call is stored.
        """
        asked = [_ordinary(checked(one)) for one in operations]
        with self._database.writing() as connection:
            known = _stored(connection, [one.id for one in asked])
            fresh = self._fresh(asked, known)
            entries = _appended(connection, fresh)
        known |= {entry.id: entry for entry in entries}
        return [known[one.id] for one in asked]

    def _fresh(self, asked: Sequence[Said], known: dict[str, Entry]) -> list[Said]:
        """The operations not stored yet, each once; StoreError where an id says two things."""
        fresh: dict[str, Said] = {}
        for one in asked:
            before = known.get(one.id) or fresh.get(one.id)
            if before is None:
                fresh[one.id] = one
            elif ERASED not in (before.kind, one.kind) and not same_decision(one, before):
                found = f"The operation {one.id} by {one.by} was recorded before with other content."
                remedy = "Give every decision an id of its own. Nothing was stored."
                raise refusal(self._database.shown, found, remedy, "contradiction")
        return list(fresh.values())

    # -------------------------------------------------------------------------------- undo and redo

    def undo(self, by: str, *, kinds: Sequence[str] = UNDOABLE, id: str = "", **within: str) -> Entry | None:
        """Take back what `by` recorded last, as an entry of its own; None where nothing is left to take back.

        `within` may name a round and a transcript to stay in; only `kinds` are taken back. Others' entries stay, so where
        somebody decided the same later, theirs holds. `id` makes sending twice undo once.
        """
        with self._database.writing() as connection:
            if id and (stored := _stored(connection, [id])):
                return stored[id]
            last = connection.execute(_theirs(by, within, kinds).order_by(journal.c.seq.desc()).limit(1)).first()
            if last is None:
                return None
            together = _theirs(by, within, kinds).where(journal.c.batch == last.batch)
            taken = _entries(connection, together.order_by(journal.c.seq))
            return _marked(connection, by, UNDO, taken, id)

    def redo(self, by: str, *, id: str = "", **within: str) -> Entry | None:
        """Bring back what `by` took back last, as an entry of its own.

        None where nothing was taken back since `by` last recorded something. `within` and `id` are as for undo.
        """
        with self._database.writing() as connection:
            if id and (stored := _stored(connection, [id])):
                return stored[id]
            undo_seq = connection.execute(_latest_undo(by, within)).scalar_one()
            if undo_seq is None:
                return None
            back = select(*_SHOWN).join(undone, undone.c.seq == journal.c.seq).where(undone.c.undo_seq == undo_seq)
            return _marked(connection, by, REDO, _entries(connection, back.order_by(journal.c.seq)), id)

    # -------------------------------------------------------------------------------------- reading

    def present(
        self,
        kind: Kinds,
        *,
        by: str | None = None,
        round: str | None = None,
        transcript: str | None = None,
        key: str | None = None,
    ) -> list[Entry]:
        """The entries that hold now, in the order they were recorded; None asks for all."""
        chosen = select(*_SHOWN).join(present, present.c.seq == journal.c.seq).order_by(present.c.seq)
        wanted = {"kind": kind, "by": by, "round": round, "transcript": transcript, "key": key}
        with self._database.reading() as connection:
            return _entries(connection, _where(chosen, present, wanted))

    def counts(self, kind: Kinds) -> dict[tuple[str, str, str], int]:
        """How many entries of a kind hold now, by person, round and transcript."""
        groups = (present.c.by, present.c.round, present.c.transcript)
        counted = _where(select(*groups, func.count()).group_by(*groups), present, {"kind": kind})
        with self._database.reading() as connection:
            return {(by, round, transcript): n for by, round, transcript, n in connection.execute(counted)}

    def history(
        self,
        *,
        kind: Kinds | None = None,
        by: str | None = None,
        round: str | None = None,
        transcript: str | None = None,
        key: str | None = None,
        since: int = 0,
        limit: int | None = None,
    ) -> list[Entry]:
        """All that was ever recorded after entry `since`, in order, undone entries too."""
        chosen = select(*_SHOWN).where(journal.c.seq > since).order_by(journal.c.seq).limit(limit)
        wanted = {"kind": kind, "by": by, "round": round, "transcript": transcript, "key": key}
        with self._database.reading() as connection:
            return _entries(connection, _where(chosen, journal, wanted))

    def last(self) -> int:
        """The `seq` of the latest entry; 0 where there is none."""
        with self._database.reading() as connection:
            return _last(connection)

    def entries(self) -> Iterator[Entry]:
        """Every entry in order, as they stood when the reading began; a few are held at a time."""
        chosen = select(*_SHOWN).order_by(journal.c.seq).execution_options(yield_per=AT_ONCE)
        with self._database.reading() as connection:
            for row in connection.execute(chosen):
                yield _entry(row)

    # ----------------------------------------------------------------------------------- JSON Lines

    def to_lines(self, chosen: Callable[[Entry], bool] = lambda entry: True) -> Iterator[str]:
        """The chosen entries as lines of JSON, in order."""
        return (to_line(entry) for entry in self.entries() if chosen(entry))

    def from_lines(self, lines: Iterable[str]) -> int:
        """Store what lines of JSON hold and is not stored yet, all or nothing; returns how many entries that were.

        In an empty database the journal and the present state become those the lines were made from. Raises
        ArgumentError for a line that holds no entry, StoreError where an id says something else here.
        """
        told = (from_line(line, number) for number, line in enumerate(lines, start=1) if line.strip())
        stored = 0
        batches: dict[int, int] = {}
        with self._database.writing() as connection:
            for part in _parts(told):
                known = _stored(connection, [entry.id for entry in part])
                batches |= {entry.batch: known[entry.id].batch for entry in part if entry.id in known}
                fresh = self._fresh(part, known)
                numbered = told_again(fresh, batches, _last(connection) + 1)
                batches |= {old.batch: new.batch for old, new in zip(fresh, numbered, strict=True)}
                _insert(connection, numbered)
                stored += len(numbered)
            state.rebuild(connection)
        return stored

    # ------------------------------------------------------------------------------------- keeping

    def rebuild(self) -> None:
        """Work out the present state from the journal anew."""
        with self._database.writing() as connection:
            state.rebuild(connection)

    def check(self) -> list[Finding]:
        """Findings where the database is damaged or its present state is not what the journal says."""
        with self._database.reading() as connection:
            damage = state.damage(connection)
            astray = state.astray(connection)
        findings = []
        if damage:
            remedy = "Keep the file, and take the newest copy from your backup."
            findings.append(Finding("blocks", "damaged", self._database.shown, "", damage, remedy))
        if astray:
            found = f"The present state differs from the journal in {astray} places."
            remedy = "Work it out anew from the journal, which holds everything: `Journal.rebuild`."
            findings.append(Finding("blocks", "present state", self._database.shown, "", found, remedy))
        return findings

    def erase(self, chosen: Callable[[Entry], bool], *, by: str, why: str) -> int:
        """Empty the chosen entries for good, because a participant withdrew; returns how many.

        Of each the number, the id and the kind "erased" are left; an entry by `by` says how many and `why`. In SQLite
        the file is written anew, without what was erased, and copies made before migrations are removed; also where no
        entry is chosen, so that an erasing that was stopped can be finished.
        """
        with self._database.writing() as connection:
            seqs = [entry.seq for entry in _everything(connection) if entry.kind != ERASED and chosen(entry)]
            if seqs:
                _empty(connection, seqs)
                _appended(connection, [new_operation(by, "erasure", "erasure", {"entries": len(seqs)}, why=why)])
                state.rebuild(connection)
        self._database.sweep()
        return len(seqs)


# --------------------------------------------------------------------------------------- statements


def _ordinary(operation: Operation) -> Operation:
    if operation.kind in OWN_KINDS:
        raise ArgumentError(f"`kind` is “{operation.kind}”, which the store writes itself; call undo, redo or erase.")
    return operation


def _entry(row: Any) -> Entry:
    id, by, kind, key, content, *further = row
    return Entry(id, by, kind, key, None if content is None else _PARSED(content)[0], *further)


def _entries(connection: Connection, chosen: Select[Any]) -> list[Entry]:
    return [_entry(row) for row in connection.execute(chosen).all()]


def _everything(connection: Connection) -> Iterator[Entry]:
    return map(_entry, connection.execute(select(*_SHOWN).order_by(journal.c.seq)))


def _where(chosen: Select[Any], table: Any, wanted: dict[str, Any]) -> Select[Any]:
    for name, value in wanted.items():
        if isinstance(value, str):
            chosen = chosen.where(table.c[name] == value)
        elif value is not None:
            chosen = chosen.where(table.c[name].in_(list(value)))
    return chosen


def _parts(items: Iterable[One]) -> Iterator[list[One]]:
    remaining = iter(items)
    while part := list(islice(remaining, AT_ONCE)):
        yield part


def _stored(connection: Connection, ids: Sequence[str]) -> dict[str, Entry]:
    """The entries with these ids, by id."""
    found: dict[str, Entry] = {}
    for part in _parts(ids):
        found |= {row[0]: _entry(row) for row in connection.execute(_BY_ID, {"ids": part})}
    return found


def _last(connection: Connection) -> int:
    return int(connection.execute(_LAST).scalar_one())


def _appended(connection: Connection, operations: Sequence[Operation]) -> list[Entry]:
    """Write operations to the journal and the present state, as one batch."""
    first = _last(connection) + 1
    entries = [
        entry_of(replace(one, at=one.at or now()), seq, first) for seq, one in enumerate(operations, start=first)
    ]
    _insert(connection, entries)
    state.follow(connection, entries)
    return entries


def _insert(connection: Connection, entries: Sequence[Entry]) -> None:
    rows = [
        {name: getattr(entry, name) for name in ENTRY_WORDS}
        | {"content": as_text(entry.content), "scope": scope(entry.by, entry.kind)}
        for entry in entries
    ]
    if rows:
        connection.execute(_ADD, rows)


def _theirs(by: str, within: dict[str, str], kinds: Sequence[str]) -> Select[Any]:
    """What a person recorded that still holds or held until others decided: not undone."""
    not_undone = ~select(undone.c.seq).where(undone.c.seq == journal.c.seq).exists()
    return _where(select(*_SHOWN).where(not_undone), journal, {"by": by, "kind": kinds} | _places(within))


def _places(within: dict[str, str]) -> dict[str, str]:
    unknown = set(within) - {"round", "transcript"}
    if unknown:
        raise ArgumentError(f"`{min(unknown)}` is no place to undo within; known: round, transcript.")
    return within


def _latest_undo(by: str, within: dict[str, str]) -> Select[Any]:
    """The latest undo of a person, if they recorded nothing since."""
    mine = {"by": by} | _places(within)
    recorded = select(func.coalesce(func.max(journal.c.seq), 0)).where(journal.c.kind.not_in((UNDO, REDO)))
    undos = select(func.max(undone.c.undo_seq)).join(journal, journal.c.seq == undone.c.undo_seq)
    since = _where(recorded, journal, mine).scalar_subquery()
    return _where(undos.where(undone.c.undo_seq > since), journal, mine)


def _marked(connection: Connection, by: str, kind: str, entries: Sequence[Entry], id: str) -> Entry:
    """Append an undo or a redo of these entries, and bring the state in line."""
    content = {"of": [entry.id for entry in entries]}
    shared = {name: _same(getattr(entry, name) for entry in entries) for name in ("round", "transcript")}
    operation = new_operation(by, kind, entries[0].id, content, **shared)
    (marked,) = _appended(connection, [checked(replace(operation, id=id or operation.id))])
    if kind == UNDO:
        connection.execute(insert(undone), [{"seq": entry.seq, "undo_seq": marked.seq} for entry in entries])
    else:
        connection.execute(
            delete(undone).where(undone.c.seq == bindparam("one")), [{"one": entry.seq} for entry in entries]
        )
    state.settle(connection, entries)
    return marked


def _same(values: Iterable[str]) -> str:
    """The value that all have, or none."""
    several = set(values)
    return several.pop() if len(several) == 1 else ""


def _empty(connection: Connection, seqs: Sequence[int]) -> None:
    """Empty entries: the journal lets it happen only under the mark."""
    blank = dict.fromkeys(("at", "by", "key", "scope", "round", "transcript", "version", "why"), "")
    connection.execute(insert(meta), {"name": ERASING, "value": ""})
    emptied = update(journal).where(journal.c.seq == bindparam("one"))
    connection.execute(emptied.values(**blank, kind=ERASED, content=None), [{"one": seq} for seq in seqs])
    connection.execute(delete(meta).where(meta.c.name == ERASING))
