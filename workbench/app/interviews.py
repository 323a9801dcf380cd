"""The interviews of the study and its journal, held for all tabs. What one rater decided is never held here."""

from __future__ import annotations

import gc
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import streamlit as st

from workbench.app import page
from workbench.app.held import Held, held
from workbench.app.passphrases import raters_with_passphrase
from workbench.app.signin import SIGN_IN, rater_signed_in
from workbench.errors import WorkbenchError

if TYPE_CHECKING:
    from workbench.coding.material import Material
    from workbench.coding.reading import Decided
    from workbench.store.journal import Journal
    from workbench.study import Study

Result = TypeVar("Result")

PATIENCE = 2.0
"""Seconds that a page waits for a database that others hold; the browser sends again."""

MATERIAL_KINDS = ("correction", "unit", "codebook", "permission", "units fixed", "undo", "redo", "erasure")
"""Kinds of decisions after which transcripts, units, codebook or permissions may read otherwise."""

IN_RESULTS = (*MATERIAL_KINDS, "submission", "consensus", "theme")
"""Kinds of decisions after which results may be others: a round that closes brings its codings."""

SEEN_BY_ALL = (*IN_RESULTS, "memo")
"""Kinds of decisions after which everybody may see something else."""

_lock = threading.RLock()
_journals: dict[Path, Journal] = {}
_latest: dict[tuple[Path, str], tuple[Any, Any]] = {}
_making: dict[tuple[Path, str], Any] = {}


def rater_here(found: Held) -> str:
    """The rater who is signed in in this browser, as the server knows it now; "" for nobody."""
    return rater_signed_in(found.folder, st.context.cookies)


def study_of(found: Held) -> Study:
    """The study as it is declared, without what was collected."""
    from workbench.study import open_study

    return found.once("study", lambda: open_study(found.folder))


def has_journal(found: Held) -> bool:
    """Whether anything was decided yet."""
    from workbench.store.opening import has_store

    return found.folder in _journals or has_store(study_of(found))


def journal_of(found: Held) -> Journal:
    """The journal of the study, opened once for all tabs; it is begun where there is none.

    Raises StoreError where the database cannot be reached.
    """
    from workbench.store.opening import open_store

    with _lock:
        if found.folder not in _journals:
            _journals[found.folder] = open_store(study_of(found), patience=PATIENCE)
        return _journals[found.folder]


def material_of(found: Held) -> Material:
    """What raters work on, read anew where files, corrections, units or the codebook changed.

    Raises StudyError with every fault.
    """
    from workbench.coding.material import read_material

    return latest(found, "material", last_of(found, MATERIAL_KINDS), lambda: read_material(study_of(found)))


def decided_of(found: Held) -> Decided:
    """The codings of files and closed rounds, which everybody may see."""
    from workbench.coding.reading import read_decided

    material = material_of(found)
    return latest(found, "decided", last_of(found, SEEN_BY_ALL), lambda: read_decided(study_of(found), material))


def last_of(found: Held, kinds: tuple[str, ...]) -> int:
    """The number of the latest entry of these kinds in the journal; 0 where there is none."""
    if not has_journal(found):
        return 0
    journal = journal_of(found)
    key = found.folder, f"last of {' '.join(kinds)}"
    with _lock:
        _, seen = _latest.get(key, ("", (0, 0)))
        until = journal.last()
        fresh = journal.history(kind=kinds, since=seen[0]) if until != seen[0] else []
        now = until, fresh[-1].seq if fresh else seen[1]
        _latest[key] = "", now
        return int(now[1])


def latest(found: Held, name: str, state: object, make: Callable[[], Result]) -> Result:
    """What `make` returns for the study's files and a `state` of its journal; only the latest is held.

    Who asks for the same meanwhile waits; who asks for something else does not.
    """
    key, wanted = (found.folder, name), (found.stamp, state)
    with _lock:
        making = _making.setdefault(key, threading.RLock())
    with making:
        known = _latest.get(key)
        if known is None or known[0] != wanted:
            known = _latest[key] = (wanted, make())
    made: Result = known[1]
    return made


def warm(folder: Path) -> None:
    """Read the interviews before anybody asks, then spare what is there the garbage collector's walks."""
    with suppress(WorkbenchError, OSError):
        found = held(folder)
        if study_of(found).declared.interviews is not None:
            material_of(found)
    gc.collect()
    gc.freeze()


def decider(found: Held) -> str:
    """Who decides on this page: the rater signed in, else the name that is typed; "" where there is none yet.

    A rater who has a passphrase signs in: nobody decides under their name by typing it.
    """
    rater = rater_here(found)
    if rater:
        return rater
    name: str = st.text_input(
        "Who decides (your name or initials; it is kept with the decision)", key="decider"
    ).strip()
    if name and name in raters_with_passphrase(study_of(found)):
        page.say(
            f"<p class='warn' role='alert'>{page.text(name)} has a passphrase; <a href='{SIGN_IN}' target='_self'>sign in</a> to decide so.</p>"
        )
        return ""
    return name
