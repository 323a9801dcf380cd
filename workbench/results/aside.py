"""Work done in a second process while the report goes on.

What comes of it is the same wherever it is done: where no process can be started, or it ends early, it is done here.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import IO, TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from types import TracebackType

T = TypeVar("T")
PATIENCE = 10
"""Seconds that the second process has to end."""


class Aside:
    """A second process for functions of modules, which are done one after the other."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1)
        self._process = _second_process()

    def do(self, work: Callable[[], T]) -> Future[T]:
        """Have `work` done, a function of a module or a partial of one; what it is made of and what it returns are sent over."""
        return self._thread.submit(self._elsewhere_or_here, work)

    def _elsewhere_or_here(self, work: Callable[[], T]) -> T:
        if self._process is not None:
            try:
                return _asked(self._process, work)
            except (OSError, EOFError, pickle.PickleError):
                self._end()
        return work()

    def _end(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate(timeout=PATIENCE)
            self._process = None

    def __enter__(self) -> Aside:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._thread.shutdown(cancel_futures=True)
        self._end()


def _second_process() -> subprocess.Popen[bytes] | None:
    """A process that does what it is asked to, None where there can be none."""
    pipe = subprocess.PIPE
    try:
        return subprocess.Popen([sys.executable, "-m", __name__], stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL)
    except OSError:
        return None


def _asked(process: subprocess.Popen[bytes], work: Callable[[], T]) -> T:
    if process.stdin is None or process.stdout is None:
        raise OSError
    pickle.dump(work, process.stdin)
    process.stdin.flush()
    found: T = pickle.load(process.stdout)
    return found


def _answer(asked: IO[bytes], answers: IO[bytes]) -> None:
    """Do what is asked for until nothing more comes; a fault ends this process, and the other meets it anew."""
    while True:
        try:
            work = pickle.load(asked)
        except EOFError:
            return
        pickle.dump(work(), answers)
        answers.flush()


if __name__ == "__main__":
    _answer(sys.stdin.buffer, sys.stdout.buffer)
