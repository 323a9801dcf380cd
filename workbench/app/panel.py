"""The coding panel of one transcript inside a page, and the way between it and the journal.

The browser keeps each decision in an outbox and sends all of it, with a number, until the answer says that the journal has
it. The text goes to the browser once, and after that only what is new. Whose decisions they are is told by the session.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cache, partial
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import streamlit as st

from workbench.app.held import Held, held
from workbench.app.interviews import journal_of, material_of, rater_here, study_of
from workbench.errors import StudyError, WorkbenchError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from workbench.coding.material import Material
    from workbench.coding.packet import Assignment
    from workbench.store.operations import Entry

SIGNED_OUT = (
    "Nobody is signed in here any more. Sign in again: what is not stored yet waits in this tab and is sent then."
)
STAYS = "What is not stored yet waits in this tab and is sent again until it is stored: leave the tab open."


@dataclass(frozen=True, slots=True)
class Place:
    """Whose panel it is, and of what."""

    rater: str
    round: str
    transcript: str

    @property
    def key(self) -> str:
        return f"panel {self.rater} {self.round} {self.transcript}"


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What a browser session was given of a transcript; `face` is its hash, `material` what it was made from."""

    material: Material
    assignment: Assignment
    data: Mapping[str, Any]
    face: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of what was sent under a number; `trouble` says why nothing could be stored."""

    nonce: int
    stored: tuple[str, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    trouble: str = ""


@cache
def _component() -> Any:
    """The component, registered once."""
    panel = resources.files("workbench.coding").joinpath("panel")
    script = (
        panel.joinpath("panel.js")
        .read_text(encoding="utf-8")
        .replace("export default function mount", "function mount")
    )
    own = Path(__file__).with_name("panel.js").read_text(encoding="utf-8")
    style = panel.joinpath("panel.css").read_text(encoding="utf-8")
    return st.components.v2.component("workbench_coding_panel", css=style, js=f"{script}\n{own}", isolate_styles=False)


def send_again() -> None:
    """A button that the panel presses where its own part of the page is no longer known; nobody else sees it."""
    st.button("Send again", key="send_again")


def coding_panel(found: Held, place: Place, *, goto: str = "") -> int | None:
    """Show the panel, record what it sent, and tell it what is stored. `goto` names a unit to show.

    Returns how many units of the transcript are left to code; None where the study cannot be read.
    """
    left: int | None = None
    try:
        data = _data(found, place)
        left = _left(found, place)
    except (WorkbenchError, OSError) as error:
        data = _in_trouble(place, error)
    _component()(key=place.key, data=data | {"goto": goto}, on_sent_change=partial(_take, found.folder, place))
    return left


def _left(found: Held, place: Place) -> int:
    """How many units of the transcript the rater has neither coded nor said of that nothing applies."""
    from workbench.coding.decisions import RaterView

    view = RaterView(journal_of(found), study_of(found), place.rater)
    own = view.present(("coding", "rated"), round=place.round, transcript=place.transcript)
    rated = {one.content["unit"] for one in own if one.content and one.by == place.rater}
    return sum(unit.id not in rated for unit in _shown(found, place).assignment.units)


def _data(found: Held, place: Place) -> dict[str, Any]:
    shown = _shown(found, place)
    sent, answer = _sent(place), _take(found.folder, place)
    seen = sent.get("seen") if sent.get("face") == shown.face else 0
    entries = _entries(found, place, seen if isinstance(seen, int) else 0)
    texts = {unit.id: unit.text for unit in shown.assignment.units}
    st.session_state[f"last code {place.rater}"] = next(
        (one.content["code"] for one in reversed(entries) if one.kind == "coding" and one.content),
        st.session_state.get(f"last code {place.rater}", ""),
    )
    return {
        "study": shown.assignment.study,
        "face": shown.face,
        "shown": None if sent.get("face") == shown.face else shown.data,
        "operations": [_as_shown(one, texts) for one in entries],
        "seen": max((one.seq for one in entries), default=0),
        "nonce": sent.get("nonce", 0),
        "stored": list(answer.stored),
        "refused": dict(answer.refused),
        "trouble": answer.trouble,
    }


def _in_trouble(place: Place, error: Exception) -> dict[str, Any]:
    """What the panel is told when the study cannot be read: what it shows stays, and the work with it."""
    shown: Shown | None = st.session_state.get(f"shown {place.key}")
    has = shown is not None and _sent(place).get("face") == shown.face
    return {
        "study": shown.assignment.study if shown else "",
        "face": shown.face if shown else "",
        "shown": shown.data if shown and not has else None,
        "operations": [],
        "seen": 0,
        "nonce": _sent(place).get("nonce", 0),
        "stored": [],
        "refused": {},
        "trouble": in_words(error),
    }


def in_words(error: Exception) -> str:
    """What went wrong and what to do, in one line."""
    if isinstance(error, StudyError):
        told = " ".join(f"{one.file}: {one.found} {one.remedy}" for one in error.findings[:3])
    elif isinstance(error, OSError):
        told = f"{error.strerror or error}."
    else:
        told = str(error)
    return f"{told} {STAYS}"


def _shown(found: Held, place: Place) -> Shown:
    """The transcript as this session's panel shows it, made anew where the material changed."""
    material, key = material_of(found), f"shown {place.key}"
    known: Shown | None = st.session_state.get(key)
    if known is None or known.material is not material:
        known = st.session_state[key] = _made(found, material, place)
    return known


def _made(found: Held, material: Material, place: Place) -> Shown:
    from workbench.coding.decisions import RaterView
    from workbench.coding.packet import codes_shown, transcript_shown
    from workbench.coding.sent import transcript_assignment

    view = RaterView(journal_of(found), material.study, place.rater)
    made = transcript_assignment(material, view, place.round, place.transcript)
    data = transcript_shown(made.transcripts[0], made.units) | {
        "round": made.round,
        "by": made.rater,
        "version": made.version,
        "kind": made.kind,
        "codes": codes_shown(made.codebook),
        "conditions": [{"id": id, "label": label} for id, label in made.conditions.items()],
        "questions": dict(made.questions),
        "stances": made.has_stances,
        "kept": "stored",
    }
    face = hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()[:32]
    return Shown(material, made, data, face)


def _sent(place: Place) -> dict[str, Any]:
    """What the browser sent last; nothing yet, or not what it should be, is nothing."""
    state = st.session_state.get(place.key)
    sent = state.get("sent") if state else None
    return dict(sent) if sent else {}


def _take(folder: Path, place: Place) -> Answer:
    """Record what was sent, once for each number, as the rater of the session and nobody else."""
    sent, key = _sent(place), f"answer {place.key}"
    known: Answer | None = st.session_state.get(key)
    nonce = sent.get("nonce", 0)
    if not isinstance(nonce, int) or not sent.get("operations"):
        return Answer(0)
    if known is None or known.nonce != nonce or known.trouble:
        st.session_state[key] = known = _answer(held(folder), place, nonce, sent["operations"])
    return known


def _answer(found: Held, place: Place, nonce: int, operations: Sequence[object]) -> Answer:
    from workbench.coding.decisions import RaterView
    from workbench.coding.sent import take_sent

    try:
        if rater_here(found) != place.rater:
            return Answer(nonce, trouble=SIGNED_OUT)
        shown = _shown(found, place)
        view = RaterView(journal_of(found), shown.material.study, place.rater)
        codebooks = shown.material.codebooks
        taken = take_sent(view, shown.assignment, codebooks.versions if codebooks else (), list(operations))
    except (WorkbenchError, OSError) as error:
        return Answer(nonce, trouble=in_words(error))
    return Answer(nonce, taken.stored, tuple(taken.refused.items()))


def _entries(found: Held, place: Place, since: int) -> list[Entry]:
    from workbench.coding.decisions import RaterView
    from workbench.coding.sent import sent_before

    view = RaterView(journal_of(found), study_of(found), place.rater)
    return sent_before(view, place.round, place.transcript, since=since)


def _as_shown(entry: Entry, texts: Mapping[str, str]) -> dict[str, Any]:
    """An entry for the panel; words that a correction moved are shown where they stand now, or on the whole unit."""
    from workbench.coding.sent import as_sent
    from workbench.coding.working_text import occurrences

    told, content = as_sent(entry), entry.content
    if not content or content.get("start") is None:
        return told
    text, quote = texts.get(content["unit"], ""), content["quote"]
    if text[content["start"] : content["end"]] == quote:
        return told
    places = list(occurrences(quote, text))
    at = places[0] if len(places) == 1 else None
    return told | {"content": content | {"start": at, "end": None if at is None else at + len(quote)}}
