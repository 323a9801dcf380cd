"""What the panel of one transcript sends from a rater's browser: looked at with distrust, then recorded.

Who decides is told by whoever asks for it here, never by what was sent: an operation of another rater, of another round or
transcript, or one that is no decision of coding, is refused, and the others are recorded all the same.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from workbench.codebook.model import Codebook
from workbench.coding.assignments import units_in_round
from workbench.coding.decisions import RaterView
from workbench.coding.material import Material
from workbench.coding.packet import KINDS, Assignment
from workbench.coding.packet_result import checked_operation
from workbench.coding.rounds import require_open_for, state_of
from workbench.errors import StudyError, UsageError, WorkbenchError
from workbench.store.operations import FIELDS, REDO, UNDO, Entry, Operation


@dataclass(frozen=True, slots=True)
class Taken:
    """The ids that are stored now, and why others were refused."""

    stored: tuple[str, ...]
    refused: Mapping[str, str]


def transcript_assignment(material: Material, view: RaterView, round: str, transcript: str) -> Assignment:
    """One transcript as the view's rater codes it in a round, under the newest codebook, without what was decided there.

    Raises UsageError for a round that is not open for the rater, and a transcript that has no unit in it.
    """
    require_open_for(state_of(view.journal, material.study, round), view.rater)
    working = material.transcript(transcript)
    units = tuple(one for one in units_in_round(material, view.journal, round) if one.transcript == transcript)
    if not units:
        raise UsageError(f"{transcript} has no unit in the round “{round}”.")
    if material.codebooks is None:
        raise UsageError("The study has no codebook yet: name its file in study.toml, interviews.codebook.")
    study, interviews = material.study, material.study.declared.interviews
    return Assignment(
        study=study.declared.id,
        title=study.declared.title,
        round=round,
        rater=view.rater,
        kind=interviews.units if interviews else "answers",
        transcripts=(working,),
        units=units,
        codebook=material.codebooks.current,
        conditions=study.condition_labels,
        questions={one.id: one.label or one.id for one in interviews.guide} if interviews else {},
    )


def take_sent(view: RaterView, assignment: Assignment, codebooks: Sequence[Codebook], sent: Sequence[object]) -> Taken:
    """Record what was sent for an assignment of the view's rater, each move as one step; sending twice stores once.

    Raises StoreError where the database fails; what is not in the answer may be sent again.
    """
    refused: dict[str, str] = {}
    fit: list[Operation] = []
    closed = _why_closed(view, assignment)
    for told in sent:
        try:
            fit.append(_checked(told, assignment, codebooks))
        except WorkbenchError as error:
            refused[_id_of(told)] = str(error)
    stored: list[str] = []
    for _, several in groupby(fit, key=lambda one: one.at):
        move = list(several)
        if closed:
            refused |= _unless_stored(view, move, closed, stored)
            continue
        try:
            stored += [entry.id for entry in view.journal.record(move)]
        except StudyError as error:
            if error.findings[0].kind != "contradiction":
                raise
            refused |= dict.fromkeys((one.id for one in move), error.findings[0].found)
    return Taken(tuple(stored), refused)


def _why_closed(view: RaterView, assignment: Assignment) -> str:
    try:
        require_open_for(state_of(view.journal, view.study, assignment.round), view.rater)
    except UsageError as error:
        return str(error)
    return ""


def _unless_stored(view: RaterView, move: Sequence[Operation], why: str, stored: list[str]) -> dict[str, str]:
    """Why operations of a round that is closed are refused; those that were stored before it closed are added to `stored`."""
    known = {one.id for one in sent_before(view, move[0].round, move[0].transcript)}
    stored += [one.id for one in move if one.id in known]
    return {one.id: why for one in move if one.id not in known}


def _id_of(told: object) -> str:
    return str(told.get("id", "")) if isinstance(told, dict) else ""


def _checked(told: object, assignment: Assignment, codebooks: Sequence[Codebook]) -> Operation:
    """The operation, under the version of the codebook that the rater saw."""
    version = told.get("version") if isinstance(told, dict) else None
    known = [one for one in codebooks if one.version == version]
    seen = replace(assignment, codebook=known[0]) if known and version != assignment.version else assignment
    every_code = {name for one in codebooks for name in one.names}
    operation = checked_operation(told, seen, withdrawn=every_code)
    if operation.transcript != assignment.transcripts[0].name:
        raise UsageError(f"It belongs to the transcript “{operation.transcript}”.")
    return operation


def sent_before(view: RaterView, round: str, transcript: str, *, since: int = 0) -> list[Entry]:
    """What the view's rater decided in a transcript after entry `since`, in order, for the panel to go on from.

    Where steps were taken back by the journal itself, only what holds now: the panel knows its own undo alone.
    """
    journal, rater = view.journal, view.rater  # one's own may always be seen, so the journal is asked directly
    if journal.history(kind=(UNDO, REDO), by=rater, round=round, limit=1):
        holding = journal.present(KINDS, by=rater, round=round, transcript=transcript)
        return [one for one in holding if one.seq > since]
    return journal.history(kind=KINDS, by=rater, round=round, transcript=transcript, since=since)


def as_sent(entry: Entry) -> dict[str, Any]:
    """An entry as the panel takes it."""
    return {name: getattr(entry, name) for name in FIELDS}
