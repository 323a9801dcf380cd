"""A database to read from and write to: short transactions, migrations, and database errors in plain words.

SQLite keeps a write-ahead log and flushes it at every commit; who writes takes the lock at the start of the
transaction. In PostgreSQL each study has a schema of its own, and one writes to it at a time.
"""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from sqlalchemy import (
    Connection,
    Engine,
    QueuePool,
    create_engine,
    event,
    func,
    insert,
    inspect,
    make_url,
    select,
    text,
)
from sqlalchemy.exc import ArgumentError as URLFault
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from workbench.errors import StudyError
from workbench.files import fault
from workbench.store import schema

PATIENCE = 15.0
"""Seconds to wait for others who are writing."""

APPLICATION = 0x57425331
"""Marks an SQLite file as one of ours."""

STAYS = "Nothing was written or lost."


class StoreError(StudyError):
    """The database of decisions cannot be opened, read or written; what was stored before stays as it was."""


def refusal(shown: str, found: str, remedy: str, kind: str = "database") -> StoreError:
    return StoreError([fault(shown, "", found, remedy, kind)])


@dataclass(eq=False)
class Database:
    """An open database. `shown` names it in messages, `file` is its SQLite file (None: PostgreSQL)."""

    engine: Engine
    shown: str
    file: Path | None
    patience: float = PATIENCE

    def __post_init__(self) -> None:
        self._one_writer = threading.Lock()
        self._opened_as = _identity(self.file)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the database."""
        self._require_in_place()
        with self.told(), self.engine.connect() as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that is stored whole when the block ends, or not at all; one at a time."""
        self._require_in_place()
        with self.told(), self._one_writer, self.engine.connect() as connection:
            connection = connection.execution_options(writes=True)
            with connection.begin():
                if self.file is None:
                    space = connection.get_execution_options()["space"]
                    connection.execute(text("SELECT pg_advisory_xact_lock(hashtext(:space))"), {"space": space})
                yield connection
        self._require_in_place()

    @contextmanager
    def alone(self) -> Iterator[Connection]:
        """A connection outside of transactions, for housekeeping."""
        with self.told(), self.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            yield connection

    @contextmanager
    def told(self) -> Iterator[None]:
        """StoreError for whatever the database raises."""
        try:
            yield
        except DBAPIError as error:
            raise self._in_words(error) from error
        except sqlite3.Error as error:
            raise refusal(self.shown, *_sqlite_words(error)) from error
        except PoolTimeout:
            found = "Too many pages of this program wait for the database at once."
            raise refusal(self.shown, found, f"Try again in a moment. {STAYS}") from None

    def close(self) -> None:
        self.engine.dispose()

    def sweep(self) -> None:
        """Write the database anew without what was emptied, and remove the copies made before migrations."""
        with self.alone() as connection:
            if self.file is None:
                connection.exec_driver_sql("VACUUM FULL journal")
                return
            connection.exec_driver_sql("VACUUM")
            connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
        for copy in self.file.parent.glob(f"{self.file.name}.before-step-*"):
            copy.unlink()

    def _in_words(self, error: DBAPIError) -> StoreError:
        cause = error.orig
        words = _sqlite_words(cause) if isinstance(cause, sqlite3.Error) else _postgresql_words(cause)
        return refusal(self.shown, *words)

    def _require_in_place(self) -> None:
        """StoreError where the file was moved, removed or replaced under us: what is written would be lost."""
        if self.file is None or self._opened_as is None:
            return
        if _identity(self.file) != self._opened_as:
            found = "The file was moved, removed or replaced while it was open; what was just decided may not be in it."
            raise refusal(self.shown, found, "Put the file back, open the study again and look at the last decision.")


def _identity(file: Path | None) -> tuple[int, int] | None:
    try:
        about = file.stat() if file else None
    except OSError:
        return None
    return (about.st_dev, about.st_ino) if about else None


# ------------------------------------------------------------------------------------- error words


def _sqlite_words(error: sqlite3.Error) -> tuple[str, str]:
    """What was found and what to do."""
    damaged = (
        "The file is damaged, or no database.",
        "Keep it as it is, and take the newest copy from your backup; `decisions.sqlite-wal` belongs to it.",
    )
    full = "There is no room left on the disk.", f"Make room and decide again. {STAYS}"
    read_only = "The file, or its folder, may not be written.", f"Give yourself the right to write there. {STAYS}"
    locked = (
        "Another program holds the database locked.",
        f"Close what else has it open (a backup, a database browser), and try again. {STAYS}",
    )
    unreadable = (
        "The file cannot be opened.",
        "Check that the folder is there and that you may read and write in it, the database's -wal and -shm files too.",
    )
    failing = (
        f"The disk reports a fault ({error}).",
        f"Check the disk, and make a copy of the study folder first. {STAYS}",
    )
    known = {
        sqlite3.SQLITE_BUSY: locked,
        sqlite3.SQLITE_LOCKED: locked,
        sqlite3.SQLITE_READONLY: read_only,
        sqlite3.SQLITE_PERM: read_only,
        sqlite3.SQLITE_FULL: full,
        sqlite3.SQLITE_CORRUPT: damaged,
        sqlite3.SQLITE_NOTADB: damaged,
        sqlite3.SQLITE_CANTOPEN: unreadable,
        sqlite3.SQLITE_IOERR: failing,
    }
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return known.get(code, (f"The database refuses this ({error}).", f"Ask whoever looks after it. {STAYS}"))


def _postgresql_words(error: BaseException | None) -> tuple[str, str]:
    state = getattr(error, "sqlstate", None) or ""
    told = str(error).strip().partition("\n")[0]
    known = {
        "55P03": ("Others kept the database busy.", "Try again in a moment."),
        "53100": ("The server has no room left on its disk.", "Ask whoever runs the server; then decide again."),
        "53300": ("The server takes no more connections.", "Try again in a moment, or ask whoever runs it."),
        "25006": ("The server takes no changes at present (read-only).", "Ask whoever runs it; then decide again."),
        "42501": (f"You may not do this there ({told}).", "Ask whoever runs the server for the right to."),
        "3D000": (f"There is no such database ({told}).", "Correct store.url, or have the database made."),
        "28P01": ("The server refuses the password.", "Put the right one into PGPASSWORD or your password file."),
        "28000": (f"The server refuses the login ({told}).", "Check the name in store.url, and the password."),
    }
    if state in known:
        found, remedy = known[state]
    elif state.startswith("08") or not state:
        found = f"The server does not answer ({told})."
        remedy = "Check the network, the name in store.url, and that the server runs; the password in PGPASSWORD."
    else:
        found, remedy = f"The server refuses this ({told}).", "Ask whoever runs it."
    return found, f"{remedy} What was not confirmed may be sent again: it is stored once."


# ------------------------------------------------------------------------------------------ opening


def sqlite_database(file: Path, shown: str, *, patience: float = PATIENCE) -> Database:
    """The database in a file, made where there is none; one in a folder that may not be written is read only."""
    _require_whole(file, shown)
    frozen = file.exists() and not _writable(file.parent) and not _holds_something(Path(f"{file}-wal"))
    place = f"file:{quote(str(file))}?mode=ro&immutable=1" if frozen else str(file)

    def connected() -> sqlite3.Connection:
        connection = sqlite3.connect(
            place, timeout=patience, isolation_level=None, check_same_thread=False, uri=frozen, cached_statements=256
        )
        if not frozen:
            _settle(connection)
        return connection

    engine = create_engine("sqlite://", creator=connected, poolclass=QueuePool, pool_size=8, max_overflow=16)
    event.listen(engine, "begin", _begin)
    database = Database(engine, shown, file, patience)
    with database.told():
        _require_ours(database)
        migrate(database)
    database._opened_as = _identity(file)
    return database


def _require_whole(file: Path, shown: str) -> None:
    """StoreError where a write-ahead log lies there without its database: SQLite would throw the log away."""
    log = Path(f"{file}-wal")
    if _holds_something(log) and not _holds_something(file):
        found = f"The database is gone, but {log.name}, which belongs to it and may hold decisions, is there."
        raise refusal(shown, found, "Put the database back from where it went, or from your backup, beside it.")


def _settle(connection: sqlite3.Connection) -> None:
    try:
        connection.execute("PRAGMA journal_mode = WAL").close()
        connection.execute("PRAGMA synchronous = FULL").close()
        connection.execute("PRAGMA cache_size = -16000").close()
    except BaseException:
        connection.close()
        raise


def _begin(connection: Connection) -> None:
    options = connection.get_execution_options()
    if options.get("isolation_level") != "AUTOCOMMIT":
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("writes") else "BEGIN")


def _writable(folder: Path) -> bool:
    return os.access(folder, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def _holds_something(file: Path) -> bool:
    return file.exists() and file.stat().st_size > 0


def _require_ours(database: Database) -> None:
    with database.reading() as connection:
        mark = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
        empty = not inspect(connection).get_table_names()
    if mark != APPLICATION and not empty:
        found = "This is a database of another program."
        raise refusal(database.shown, found, "Move it elsewhere; the workbench then makes its own.")


def postgresql_database(url: str, study: str, shown: str, *, patience: float = PATIENCE) -> Database:
    """The database of a study on a server, in a schema named after the study (wb_ and its id)."""
    engine = _server_engine(url, f"wb_{study}", shown, patience)
    database = Database(engine, shown, None, patience)
    try:
        migrate(database)
    except BaseException:
        database.close()
        raise
    return database


def _server_engine(url: str, space: str, shown: str, patience: float) -> Engine:
    try:
        address = make_url(url)
    except URLFault:
        raise refusal(shown, "This is no address of a database.", _EXAMPLE) from None
    if address.get_backend_name() != "postgresql" or address.drivername not in ("postgresql", "postgresql+psycopg"):
        raise refusal(shown, f"“{address.drivername}” is not PostgreSQL by psycopg.", _EXAMPLE)
    if address.password:
        remedy = "Take it out; put it into the environment variable PGPASSWORD or a password file."
        raise refusal(shown, "The password stands in study.toml, where everybody with the folder reads it.", remedy)
    settings = f'-csearch_path="{space}" -clock_timeout={int(patience * 1000)} -csynchronous_commit=on'
    try:
        return create_engine(
            address.set(drivername="postgresql+psycopg"),
            connect_args={"options": settings, "connect_timeout": 10},
            pool_pre_ping=True,
            pool_size=8,
            max_overflow=16,
            execution_options={"space": space},
        )
    except ImportError:
        remedy = 'Install it: pip install "study-workbench[postgres]".'
        raise refusal(shown, "The library that speaks to PostgreSQL is not installed.", remedy) from None


_EXAMPLE = "Write it as postgresql+psycopg://NAME@HOST/DATABASE, or leave store.url out to keep a file in the folder."


# --------------------------------------------------------------------------------------- migrations


def migrate(database: Database) -> None:
    """Bring the database to the newest shape, step by step, each step whole or not at all.

    An SQLite file is copied aside before its shape changes. Raises StoreError for a database of a newer version.
    """
    newest = len(schema.MIGRATIONS)
    done = _steps_done(database)
    if done > newest:
        found = f"The database was made by a newer version of the workbench (step {done}; this one knows {newest})."
        raise refusal(database.shown, found, "Update the workbench. The database was left as it is.")
    if done == newest:
        return
    if done and database.file is not None:
        copy_file(database, copy_before(database.file, done))
    for migration in schema.MIGRATIONS[done:]:
        with database.writing() as connection:
            _step(connection, migration)


def copy_before(file: Path, step: int) -> Path:
    """Where the copy of a file is kept that was made before a migration from this step."""
    return file.with_name(f"{file.name}.before-step-{step + 1}")


def _steps_done(database: Database) -> int:
    with database.reading() as connection:
        if not inspect(connection).has_table("migrations"):
            return 0
        return connection.execute(select(func.max(schema.migrations.c.number))).scalar_one() or 0


def _step(connection: Connection, migration: schema.Migration) -> None:
    """Make one step, unless another program has made it meanwhile."""
    if connection.dialect.name == "postgresql":
        _make_space(connection)
    connection.exec_driver_sql(
        "CREATE TABLE IF NOT EXISTS migrations (number INTEGER NOT NULL PRIMARY KEY, name TEXT NOT NULL, at TEXT NOT NULL)"
    )
    done = select(schema.migrations.c.number).where(schema.migrations.c.number == migration.number)
    if connection.execute(done).first():
        return
    migration.make(connection)
    row = {"number": migration.number, "name": migration.name, "at": now()}
    connection.execute(insert(schema.migrations), row)
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION}")


def _make_space(connection: Connection) -> None:
    space = connection.get_execution_options()["space"]
    if not inspect(connection).has_schema(space):
        connection.exec_driver_sql(f'CREATE SCHEMA "{space}"')


def copy_file(database: Database, target: Path) -> None:
    """Copy an SQLite database while others may use it: whole or not at all."""
    if database.file is None:
        raise refusal(database.shown, "A database on a server is not a file.", "Copy it with the server's own tools.")
    aside = target.with_name(f".{target.name}.new")
    try:
        with (
            database.told(),
            closing(sqlite3.connect(database.file)) as source,
            closing(sqlite3.connect(aside)) as copy,
        ):
            source.backup(copy)
        os.replace(aside, target)
    finally:
        aside.unlink(missing_ok=True)


def now() -> str:
    """The time in UTC, ISO 8601, to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
