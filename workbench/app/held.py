"""What was computed for the study, held for as long as its files stay as they are, and shared by all tabs.

A result belongs to a stamp of the study: names, sizes and times of its files, and the last decision that everybody may see. Nothing here depends on who looks,
so whatever a rater must not see does not belong here.
"""

from __future__ import annotations

import gc
import hashlib
import os
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from workbench.analysis.comparison import Comparison
    from workbench.analysis.preference import Preference
    from workbench.analysis.reliability import ScaleReliability
    from workbench.report.figures import Figure
    from workbench.results.chain import Compared, Evidence

Result = TypeVar("Result")

STAMPS_HELD = 2
"""States of a folder whose results are held; older ones are let go."""

RESULTS = "results"
DATABASES = (".sqlite", ".sqlite-wal", ".sqlite-shm", ".sqlite-journal")

_lock = threading.Lock()
_held: dict[tuple[str, str], dict[str, Future[Any]]] = {}


@dataclass(frozen=True, slots=True)
class Held:
    """The study in `folder` as its files are at `stamp`; each property is computed once."""

    folder: Path
    stamp: str

    @property
    def evidence(self) -> Evidence:
        """All that was collected. Raises StudyError with every blocking finding."""
        return self.once("evidence", self._collect)

    def _collect(self) -> Evidence:
        from workbench.results.chain import collect

        return collect(self.folder)

    @property
    def comparisons(self) -> list[Comparison]:
        return self.once("comparisons", self._compare)

    def _compare(self) -> list[Comparison]:
        from workbench.results.chain import comparison_of

        return comparison_of(self.evidence)

    @property
    def compared(self) -> Compared:
        return self.once("compared", self._compare_otherwise)

    def _compare_otherwise(self) -> Compared:
        from workbench.results.chain import compared_of

        return compared_of(self.evidence, self.comparisons)

    @property
    def reliabilities(self) -> list[ScaleReliability]:
        return self.once("reliabilities", self._reliabilities)

    def _reliabilities(self) -> list[ScaleReliability]:
        from workbench.results.chain import reliability_of

        return reliability_of(self.evidence)

    @property
    def preference(self) -> Preference | None:
        return self.once("preference", self._preference)

    def _preference(self) -> Preference | None:
        from workbench.results.chain import preference_of

        return preference_of(self.evidence)

    def figures(self, comparison: Comparison) -> list[Figure]:
        """The figures of one measure: its points, and the shifts between conditions where there are pairs."""
        from workbench.results.sections import points_figure, shifts_figure

        study, name, drawn = self.evidence.study, comparison.measure.id, []
        if comparison.measure.values["value"].notna().any():
            conditions = list(study.condition_labels.items())
            drawn.append(self.once(f"points {name}", lambda: points_figure(comparison, conditions)))
        if any(pair.result.n_pairs for pair in comparison.pairs):
            drawn.append(self.once(f"shifts {name}", lambda: shifts_figure(study, comparison)))
        return drawn

    def reliability_figure(self, scale: ScaleReliability) -> Figure:
        """Alpha of a scale in each setting."""
        from workbench.results.sections import reliability_figure

        study = self.evidence.study
        return self.once(f"alpha {scale.measure.id}", lambda: reliability_figure(study, [scale]))

    def preference_figure(self, preference: Preference) -> Figure:
        """How often each condition got each rank."""
        from workbench.results.sections import preference_figure

        conditions = list(self.evidence.study.condition_labels.items())
        return self.once("ranks", lambda: preference_figure(preference, conditions))

    def has(self, name: str) -> bool:
        """Whether a result is there already."""
        future = _held.get((str(self.folder), self.stamp), {}).get(name)
        return future is not None and future.done()

    def once(self, name: str, make: Callable[[], Result]) -> Result:
        """What `make` returns, made once for these files, whoever asks first; others wait. Our own errors are held too."""
        with _lock:
            shelf = _held.setdefault((str(self.folder), self.stamp), {})
            _let_go()
            future: Future[Any] | None = shelf.get(name)
            mine = future is None
            if future is None:
                future = shelf[name] = Future()
        if mine:
            try:
                future.set_result(make())
            except WorkbenchError as error:
                future.set_exception(error)
            except BaseException as error:
                with _lock:
                    shelf.pop(name, None)
                future.set_exception(error)
        found: Result = future.result()
        return found


def _let_go() -> None:
    for key in list(_held)[:-STAMPS_HELD]:
        del _held[key]


def held(folder: Path) -> Held:
    """The study in `folder` as it is now: its files, and what everybody may see of the decisions.

    Codings of open rounds do not count. A database that cannot be reached is told by the pages that need it.
    """
    from workbench.app.interviews import IN_RESULTS, last_of

    found = Held(folder, stamp(folder))
    with suppress(WorkbenchError, OSError):
        decided = last_of(found, IN_RESULTS)
        return Held(folder, f"{found.stamp} {decided}") if decided else found
    return found


def stamp(folder: Path) -> str:
    """A hash over the names, sizes and times of a study's files, without results, databases and hidden files.

    Raises UsageError where the folder is gone.
    """
    from workbench.errors import UsageError

    if not folder.is_dir():
        raise UsageError(
            f"The study folder {folder.name} is no longer there. Put it back where it was, or end the app and open it anew."
        )
    told = hashlib.sha256()
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(
            one for one in folders if not one.startswith(".") and not (place == str(folder) and one == RESULTS)
        )
        for name in sorted(files):
            if not name.startswith(".") and not name.endswith(DATABASES):
                with suppress(OSError):
                    about = os.stat(os.path.join(place, name))
                    told.update(
                        f"{place}/{name}\0{about.st_size}\0{about.st_mtime_ns}\n".encode(errors="surrogateescape")
                    )
    return told.hexdigest()


def warm(folder: Path) -> None:
    """Compute what the pages show before anybody asks, then spare what is there the garbage collector's walks."""
    with suppress(WorkbenchError, OSError):
        found = held(folder)
        for step in (
            lambda: found.evidence,
            lambda: [found.figures(one) for one in found.comparisons],
            lambda: found.reliabilities,
            lambda: found.compared,
            lambda: found.preference,
        ):
            step()
    gc.collect()
    gc.freeze()
