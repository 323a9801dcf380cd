"""A real PostgreSQL server for tests, from the programs of the distribution, in a temporary folder.

It listens on a socket in that folder only. PostgreSQL refuses to run as root, so root runs it as the user `postgres`.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

OWNER = "postgres"


def programs() -> Path | None:
    """The folder of initdb and pg_ctl, or None where PostgreSQL is not installed."""
    on_path = shutil.which("initdb")
    places = [Path(on_path).resolve().parent] if on_path else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((place for place in places if (place / "initdb").exists() and (place / "pg_ctl").exists()), None)


def missing() -> str:
    """Why no server can be started here; empty where one can."""
    if programs() is None:
        return "PostgreSQL's programs (initdb, pg_ctl) are not installed: apt-get install postgresql"
    if os.geteuid() == 0 and OWNER not in {one.pw_name for one in pwd.getpwall()}:
        return f"PostgreSQL refuses to run as root, and there is no user {OWNER}"
    return ""


@dataclass(frozen=True)
class Server:
    """A running server in `folder`."""

    folder: Path

    @property
    def url(self) -> str:
        return f"postgresql+psycopg://{OWNER}@/postgres?host={self.folder}"

    def start(self) -> None:
        options = f"-k {self.folder} -c listen_addresses='' -c max_connections=60"
        _run("pg_ctl", "-D", str(self._data), "-l", str(self.folder / "log"), "-w", "-o", options, "start")

    def stop(self, how: str = "fast") -> None:
        """Stop it; "immediate" stops it as a crash would."""
        _run("pg_ctl", "-D", str(self._data), "-w", "-m", how, "stop")

    @property
    def _data(self) -> Path:
        return self.folder / "data"


@contextmanager
def postgres_server() -> Iterator[Server]:
    """A new server, stopped and removed in the end."""
    folder = Path(tempfile.mkdtemp(prefix="wb-pg-"))
    server = Server(folder)
    try:
        if os.geteuid() == 0:
            owner = pwd.getpwnam(OWNER)
            os.chown(folder, owner.pw_uid, owner.pw_gid)
        _run("initdb", "-D", str(server._data), "-U", OWNER, "--auth=trust", "--encoding=UTF8", "--no-locale")
        server.start()
        try:
            yield server
        finally:
            server.stop("immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(program: str, *arguments: str) -> None:
    place = programs()
    assert place is not None, missing()
    as_owner = ["setpriv", f"--reuid={OWNER}", f"--regid={OWNER}", "--init-groups"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*as_owner, str(place / program), *arguments], cwd="/", capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{program} failed: {done.stderr or done.stdout}")
