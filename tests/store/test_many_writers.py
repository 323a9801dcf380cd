"""Writers that are killed, writers side by side, and a server that crashes: what was acknowledged is there."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgres_server import postgres_server
from study_folders import study_in

from workbench.store.database import StoreError
from workbench.store.opening import open_store
from workbench.store.operations import new_operation
from workbench.study import Study

WRITER = Path(__file__).with_name("writer.py")
THREADS, EACH = 8, 12
"""As in writer.py."""


@pytest.fixture
def writer(study: Study) -> Iterator[subprocess.Popen]:
    command = [sys.executable, str(WRITER), str(study.folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        yield process
        process.stdin.close()


def killed_after(writer: subprocess.Popen, seconds: float) -> list[str]:
    """The ids that a child acknowledged before it was killed."""
    writer.stdin.write("write R1\n")
    writer.stdin.flush()
    acknowledged: list[str] = []
    child = 0
    for line in writer.stdout:
        match line.split():
            case ["child", number]:
                child = int(number)
            case ["writing"]:
                time.sleep(seconds)
                os.kill(child, signal.SIGKILL)
            case ["ended", how]:
                assert int(how) == -signal.SIGKILL
                return acknowledged
            case ids:
                assert ids[0] != "failed", line
                acknowledged += ids
    raise AssertionError("The writer ended by itself.")


def require_all(study: Study, acknowledged: set[str]) -> None:
    with open_store(study) as journal:
        entries = journal.history()
        assert journal.check() == []
    assert acknowledged <= {entry.id for entry in entries}
    assert [entry.seq for entry in entries] == list(range(1, len(entries) + 1))
    halves = Counter(entry.key[:-1] for entry in entries)
    assert set(halves.values()) <= {2}, "A pair that was recorded together is there by half."


def kill_again_and_again(study: Study, writer: subprocess.Popen, rounds: int) -> None:
    chance = random.Random(rounds)
    acknowledged: set[str] = set()
    for _ in range(rounds):
        acknowledged |= set(killed_after(writer, chance.uniform(0, 0.15)))
        require_all(study, acknowledged)
    assert len(acknowledged) > rounds


def test_what_was_acknowledged_is_there_after_the_writer_was_killed(study, writer):
    kill_again_and_again(study, writer, 25)


@pytest.mark.full
def test_what_was_acknowledged_is_there_after_the_writer_was_killed_300_times(study, writer):
    kill_again_and_again(study, writer, 300)


def test_two_processes_of_eight_threads_each(study, writer):
    open_store(study).close()
    said, _ = writer.communicate("threads R1\nthreads R2\n", timeout=120)
    assert "failed" not in said, said
    assert said.count("ended 0") == 2
    with open_store(study) as journal:
        entries = journal.history()
        assert journal.check() == []
        counted = Counter(entry.by for entry in journal.present("coding"))
    assert [entry.seq for entry in entries] == list(range(1, 2 * THREADS * (EACH + 1) + 1))
    assert counted == {f"{by}-{thread}": EACH - 1 for by in ("R1", "R2") for thread in range(THREADS)}


def test_two_journals_begun_at_once_in_an_empty_place(study, writer):
    said, _ = writer.communicate("threads R1\nthreads R2\nthreads R3\n", timeout=120)
    assert said.count("ended 0") == 3, said


def test_a_server_that_crashes_keeps_what_it_acknowledged(tmp_path, request):
    request.getfixturevalue("server")
    with postgres_server() as server:
        study = study_in(tmp_path, store={"url": server.url})
        with open_store(study) as journal:
            stored = journal.record([new_operation("R1", "coding", "k", {"n": 1})])
            server.stop("immediate")
            lost = new_operation("R1", "coding", "k2", {"n": 2})
            with pytest.raises(StoreError, match=r"store\.url.*(does not answer|refuses)"):
                journal.record([lost])
            server.start()
            journal.record([lost])
            journal.record([lost])
            assert [entry.id for entry in journal.history()] == [stored[0].id, lost.id]
