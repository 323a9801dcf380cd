"""Work that takes longer than a page: run beside it, with progress, and stopped when asked."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

from workbench.errors import WorkbenchError

Result = TypeVar("Result")
Progress = Callable[[int, int], None]


class Stopped(WorkbenchError):
    """Somebody asked for the work to stop; nothing was changed."""


class Job(Generic[Result]):
    """`work(progress)` in a thread of its own. `share` is how much is done, from 0 to 1."""

    def __init__(self, work: Callable[[Progress], Result]):
        self.share = 0.0
        self.result: Result | None = None
        self.error: Exception | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(work,), daemon=True)
        self._thread.start()

    def _run(self, work: Callable[[Progress], Result]) -> None:
        try:
            self.result = work(self._progress)
            self.share = 1.0
        except Exception as error:
            self.error = error

    def _progress(self, done: int, total: int) -> None:
        if self._stop.is_set():
            raise Stopped("Stopped; nothing was changed.")
        self.share = min(done / total, 1.0) if total else 0.0

    @property
    def running(self) -> bool:
        return self._thread.is_alive()

    def stop(self) -> None:
        """Ask for an end at the next step."""
        self._stop.set()

    def wait(self, seconds: float) -> None:
        self._thread.join(seconds)
