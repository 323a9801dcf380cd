"""The tables of the database, and the numbered steps that make them.

`journal` is what was decided and only grows. `undone` and `present` follow from it and are kept in the same
transaction; `meta` holds a mark while a person's words are being erased, the one time entries may change.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import Column, Connection, Integer, MetaData, Table, Text

metadata = MetaData()


def _word(name: str, *, key: bool = False) -> Column[str]:
    return Column(name, Text, primary_key=key, nullable=False, quote=True)


def _number(name: str, *, key: bool = False) -> Column[int]:
    return Column(name, Integer, primary_key=key, nullable=False, autoincrement=False)


journal = Table(
    "journal",
    metadata,
    _number("seq", key=True),
    _number("batch"),
    *(_word(name) for name in ("id", "at", "by", "kind", "key", "scope", "round", "transcript", "version", "why")),
    Column("content", Text, nullable=True),
)
undone = Table("undone", metadata, _number("seq", key=True), _number("undo_seq"))
present = Table(
    "present",
    metadata,
    *(_word(name, key=True) for name in ("kind", "key", "scope")),
    _number("seq"),
    *(_word(name) for name in ("by", "round", "transcript")),
)
meta = Table("meta", metadata, _word("name", key=True), _word("value"))
migrations = Table("migrations", metadata, _number("number", key=True), _word("name"), _word("at"))

ERASING = "erasing"
"""The mark in `meta` under which the entries of a person who withdrew may be emptied."""


@dataclass(frozen=True, slots=True)
class Migration:
    """A step from one shape of the database to the next; `make` runs in a transaction of its own."""

    number: int
    name: str
    make: Callable[[Connection], None]


def _journal(connection: Connection) -> None:
    sqlite = connection.dialect.name == "sqlite"
    for statement in (*_TABLES, *(_SQLITE_TRIGGERS if sqlite else _POSTGRESQL_TRIGGERS)):
        connection.exec_driver_sql(statement)


_TABLES = (
    """CREATE TABLE journal (
    seq INTEGER NOT NULL PRIMARY KEY, batch INTEGER NOT NULL, id TEXT NOT NULL UNIQUE, at TEXT NOT NULL,
    "by" TEXT NOT NULL, kind TEXT NOT NULL, "key" TEXT NOT NULL, scope TEXT NOT NULL, round TEXT NOT NULL,
    transcript TEXT NOT NULL, version TEXT NOT NULL, why TEXT NOT NULL, content TEXT)""",
    'CREATE INDEX journal_slot ON journal (kind, "key", scope, seq)',
    'CREATE INDEX journal_by ON journal ("by", seq)',
    "CREATE INDEX journal_batch ON journal (batch)",
    "CREATE TABLE undone (seq INTEGER NOT NULL PRIMARY KEY, undo_seq INTEGER NOT NULL)",
    "CREATE INDEX undone_by ON undone (undo_seq)",
    """CREATE TABLE present (
    kind TEXT NOT NULL, "key" TEXT NOT NULL, scope TEXT NOT NULL, seq INTEGER NOT NULL, "by" TEXT NOT NULL,
    round TEXT NOT NULL, transcript TEXT NOT NULL, PRIMARY KEY (kind, "key", scope))""",
    'CREATE INDEX present_by ON present (kind, "by", round, transcript, seq)',
    "CREATE INDEX present_round ON present (kind, round, transcript, seq)",
    "CREATE TABLE meta (name TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL)",
)
_SQLITE_TRIGGERS = (
    f"""CREATE TRIGGER journal_only_grows BEFORE UPDATE ON journal
    WHEN NOT EXISTS (SELECT 1 FROM meta WHERE name = '{ERASING}')
    BEGIN SELECT RAISE(ABORT, 'the journal only grows'); END""",
    """CREATE TRIGGER journal_loses_nothing BEFORE DELETE ON journal
    BEGIN SELECT RAISE(ABORT, 'the journal only grows'); END""",
)
_POSTGRESQL_TRIGGERS = (
    f"""CREATE FUNCTION journal_only_grows() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN
        IF TG_OP = 'UPDATE' AND EXISTS (SELECT 1 FROM meta WHERE name = '{ERASING}') THEN RETURN NEW; END IF;
        RAISE EXCEPTION 'the journal only grows';
    END $$""",
    """CREATE TRIGGER journal_only_grows BEFORE UPDATE OR DELETE ON journal
    FOR EACH ROW EXECUTE FUNCTION journal_only_grows()""",
    """CREATE TRIGGER journal_loses_nothing BEFORE TRUNCATE ON journal
    FOR EACH STATEMENT EXECUTE FUNCTION journal_only_grows()""",
)

MIGRATIONS: tuple[Migration, ...] = (Migration(1, "journal", _journal),)
"""Every step, in order. A released step is never changed: what it makes is changed by a later one."""
