"""What people decide while coding, recorded in the journal, and who may see it.

A RaterView is the only way to read codings of an open round, and only one's own; a ClosedView acts as nobody and sees
closed rounds only. All that reads codings from the store goes through one of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Protocol
from uuid import uuid4

from workbench.codebook.model import Codebook, codebook_content, codebook_from, version_age
from workbench.coding.codings import CODING_COLUMNS, CONSENSUS, STANCES
from workbench.coding.rounds import (
    CodedUnit,
    RoundState,
    interviews_of,
    require_open_for,
    require_rater,
    round_states,
    state_of,
)
from workbench.errors import UsageError
from workbench.store.journal import Journal, Kinds
from workbench.store.operations import PERSONAL, REDO, UNDO, Entry, Operation, new_operation
from workbench.study import Permissions, Study

if TYPE_CHECKING:
    import pandas as pd

CODING, RATED, MEMO, CODEBOOK, THEME, PERMISSION = "coding", "rated", "memo", "codebook", "theme", "permission"

BLIND = (*PERSONAL, UNDO, REDO)
"""Kinds that one rater does not see of another while a round is open."""

STORE = "the journal"
"""Where codings of the store are said to stand, as others stand in a file."""

Stance = Literal["for", "against", "mixed", ""]
Subject = Literal["unit", "code", "transcript", "study"]


class TextUnit(CodedUnit, Protocol):
    """A unit with its words."""

    @property
    def text(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Applied:
    """A code on a unit, or on the words from `start` to `end` in it; `about` are conditions."""

    code: str
    about: tuple[str, ...] = ()
    stance: Stance = ""
    start: int | None = None
    end: int | None = None


# ------------------------------------------------------------------------------------- who may see


class View:
    """What somebody may see of the journal: everything but what others decide in rounds that are open.

    `rater` is empty for nobody. Memos and undone steps outside of any round are shown once no round is open.
    """

    def __init__(self, journal: Journal, study: Study, rater: str = ""):
        self.journal, self.study, self.rater = journal, study, rater

    def rounds(self) -> dict[str, RoundState]:
        """Every round as it stands."""
        return round_states(self.journal, self.study)

    def present(self, kind: Kinds, **chosen: str) -> list[Entry]:
        """What holds now, as far as it may be seen; `chosen` as for Journal.present."""
        return self._seen(self.journal.present(kind, **chosen))

    def history(self, **chosen: Any) -> list[Entry]:
        """What was ever recorded, as far as it may be seen; `chosen` as for Journal.history."""
        return self._seen(self.journal.history(**chosen))

    def lines(self) -> Iterator[str]:
        """The journal in JSON Lines, as far as it may be seen."""
        closed, outside = self._open_to_all()
        return self.journal.to_lines(lambda entry: self._sees(entry, closed, outside))

    def _seen(self, entries: Iterable[Entry]) -> list[Entry]:
        closed, outside = self._open_to_all()
        return [entry for entry in entries if self._sees(entry, closed, outside)]

    def _sees(self, entry: Entry, closed: set[str], outside: bool) -> bool:
        if entry.kind not in BLIND or (self.rater and entry.by == self.rater):
            return True
        return entry.round in closed if entry.round else outside

    def _open_to_all(self) -> tuple[set[str], bool]:
        """The closed rounds, and whether what belongs to no round may be seen."""
        states = self.rounds().values()
        return {one.id for one in states if one.closed}, all(one.closed for one in states if one.begun)


class RaterView(View):
    """What a rater sees: their own decisions, and others' in closed rounds. Recording as this rater needs it."""

    def __init__(self, journal: Journal, study: Study, rater: str):
        require_rater(study, rater)
        super().__init__(journal, study, rater)


class ClosedView(View):
    """What anybody sees: closed rounds."""

    def __init__(self, journal: Journal, study: Study):
        super().__init__(journal, study)


# ---------------------------------------------------------------------------------------- codings


def rate_unit(
    view: RaterView, round: str, unit: TextUnit, applied: Iterable[Applied], *, codebook: Codebook, why: str = ""
) -> list[Entry]:
    """Say which codes apply to a unit, all of them; none says "rated, nothing applies". Undone as one step.

    What was applied before and is not named is withdrawn; what stays the same under the same version is not recorded
    again. Raises UsageError for unknown codes and conditions, words outside of the unit, and a round that is submitted.
    """
    wanted = [_coding(view, round, unit, one, codebook, why) for one in applied]
    before = {
        entry.key: entry
        for entry in view.journal.present(CODING, by=view.rater, round=round, transcript=unit.transcript)
        if (entry.content or {})["unit"] == unit.id
    }
    kept = {one.key for one in wanted}
    operations = [one for one in wanted if not _stands(before.get(one.key), one)]
    operations += [_no_longer(entry, codebook, why) for key, entry in before.items() if key not in kept]
    mark = _rated(view, round, unit, codebook)
    (marked,) = view.journal.present(RATED, by=view.rater, key=mark.key) or (None,)
    if not _stands(marked, mark):
        operations.append(mark)
    return _recorded(view, round, unit, operations)


def apply_code(
    view: RaterView, round: str, unit: TextUnit, applied: Applied, *, codebook: Codebook, why: str = ""
) -> list[Entry]:
    """Apply one code beside those that are there. Raises as rate_unit does."""
    return _recorded(view, round, unit, [_coding(view, round, unit, applied, codebook, why)])


def withdraw_code(
    view: RaterView, round: str, unit: TextUnit, applied: Applied, *, codebook: Codebook, why: str = ""
) -> list[Entry]:
    """Withdraw a code, known by its name and place. Raises UsageError where the rater has not applied it."""
    key = coding_key(round, unit.transcript, unit.id, applied, view.rater)
    standing = view.journal.present(CODING, by=view.rater, key=key)
    if not standing:
        raise UsageError(f"{view.rater} has not applied {applied.code} to {unit.id} in “{round}”.")
    return _recorded(view, round, unit, [_no_longer(standing[0], codebook, why)])


def mark_rated(view: RaterView, round: str, unit: TextUnit, *, codebook: Codebook) -> list[Entry]:
    """Mark a unit as rated: where no code stands, nothing applies."""
    return _recorded(view, round, unit, [_rated(view, round, unit, codebook)])


def take_back(view: RaterView, round: str, transcript: str | None = None) -> Entry | None:
    """Undo the rater's latest step in a round; None where none is left. UsageError where it is submitted."""
    require_open_for(state_of(view.journal, view.study, round), view.rater)
    return view.journal.undo(view.rater, kinds=PERSONAL, **_within(round, transcript))


def bring_back(view: RaterView, round: str, transcript: str | None = None) -> Entry | None:
    """Redo what was taken back last; None where there is nothing. UsageError where the round is submitted."""
    require_open_for(state_of(view.journal, view.study, round), view.rater)
    return view.journal.redo(view.rater, **_within(round, transcript))


def _within(round: str, transcript: str | None) -> dict[str, str]:
    return {"round": round} | ({"transcript": transcript} if transcript is not None else {})


def coding_key(round: str, transcript: str, unit: str, applied: Applied, by: str) -> str:
    """What a coding is known by."""
    place = "-" if applied.start is None else f"{applied.start}-{applied.end}"
    return f"{round}/{transcript}/{unit}/{place}/{applied.code}/{by}"


def _coding(view: View, round: str, unit: TextUnit, applied: Applied, codebook: Codebook, why: str) -> Operation:
    return new_operation(
        view.rater,
        CODING,
        coding_key(round, unit.transcript, unit.id, applied, view.rater),
        coded_content(view.study, unit, applied, codebook),
        round=round,
        transcript=unit.transcript,
        version=codebook.version,
        why=why,
    )


def coded_content(study: Study, unit: TextUnit, applied: Applied, codebook: Codebook) -> dict[str, Any]:
    """What the journal keeps of a code on a unit; UsageError for an unknown code, condition, stance or place."""
    codebook.code(applied.code)
    unknown = [one for one in applied.about if one not in study.conditions]
    if unknown:
        known = ", ".join(study.conditions)
        raise UsageError(f"“{unknown[0]}” is no condition of this study. Conditions: {known}.")
    if applied.stance not in STANCES:
        raise UsageError(f"“{applied.stance}” is no stance; for, against, mixed or none.")
    return {
        "participant": unit.participant,
        "unit": unit.id,
        "start": applied.start,
        "end": applied.end,
        "quote": _quote(unit, applied),
        "code": applied.code,
        "about": [one for one in study.conditions if one in applied.about],
        "stance": applied.stance,
    }


def _quote(unit: TextUnit, applied: Applied) -> str:
    if applied.start is None and applied.end is None:
        return ""
    if applied.start is None or applied.end is None or not 0 <= applied.start < applied.end <= len(unit.text):
        told = f"{applied.start} to {applied.end}"
        raise UsageError(f"The words from {told} are not in {unit.id}, which has {len(unit.text)} characters.")
    return unit.text[applied.start : applied.end]


def _no_longer(entry: Entry, codebook: Codebook, why: str) -> Operation:
    place = {"round": entry.round, "transcript": entry.transcript, "version": codebook.version, "why": why}
    return new_operation(entry.by, entry.kind, entry.key, None, **place)


def _rated(view: View, round: str, unit: CodedUnit, codebook: Codebook) -> Operation:
    return new_operation(
        view.rater,
        RATED,
        f"{round}/{unit.transcript}/{unit.id}/{view.rater}",
        {"participant": unit.participant, "unit": unit.id},
        round=round,
        transcript=unit.transcript,
        version=codebook.version,
    )


def _stands(entry: Entry | None, operation: Operation) -> bool:
    return entry is not None and (entry.content, entry.version) == (operation.content, operation.version)


def _recorded(view: RaterView, round: str, unit: CodedUnit, operations: Sequence[Operation]) -> list[Entry]:
    state = state_of(view.journal, view.study, round)
    require_open_for(state, view.rater)
    if state.units and unit.id not in state.units:
        raise UsageError(f"{unit.id} is not among the units of the round “{round}”.")
    return view.journal.record(operations) if operations else []


# --------------------------------------------------------------------------------- the codings table


def codings_frame(view: View) -> pd.DataFrame:
    """The codings that may be seen, as read_codings gives those of files: the columns of a codings file, file and row.

    `row` is the number in the journal. A unit that was rated and has no code has a row with an empty code.
    """
    import pandas as pd

    entries = view.present((CODING, RATED, CONSENSUS))
    rows = [row for entry in entries for row in _rows(entry)]
    coded = {_rating(row) for row in rows if row["code"]}
    told = [row for row in rows if row["code"] or _rating(row) not in coded]
    columns = [*CODING_COLUMNS, "file", "row"]
    words = {name: "str" for name in columns if name != "row"}
    return pd.DataFrame(told, columns=columns).astype(words | {"row": "int64"})


def _rating(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Whose rating of which unit a row belongs to."""
    return row["transcript"], row["unit"], row["rater"], row["round"]


def _rows(entry: Entry) -> Iterator[dict[str, Any]]:
    content = entry.content or {}
    place = {
        "participant": content["participant"],
        "transcript": entry.transcript,
        "unit": content["unit"],
        "rater": CONSENSUS if entry.kind == CONSENSUS else entry.by,
        "round": entry.round,
        "codebook_version": entry.version,
        "file": STORE,
        "row": entry.seq,
    }
    nothing: dict[str, Any] = {"code": "", "about": [], "stance": "", "start": None, "end": None}
    applied = {CODING: [content], RATED: [nothing], CONSENSUS: content.get("codes") or [nothing]}[entry.kind]
    for one in applied:
        yield place | {
            "start": _cell(one["start"]),
            "end": _cell(one["end"]),
            "code": one["code"],
            "about": "+".join(one["about"]),
            "stance": one["stance"],
        }


def _cell(offset: int | None) -> str:
    return "" if offset is None else str(offset)


# --------------------------------------------------------------------------------- other decisions


def record_memo(
    view: RaterView, on: Subject, name: str, text: str, *, round: str = "", transcript: str = "", key: str = ""
) -> Entry:
    """Write a memo on a unit, code, transcript or the study; `key` names an earlier memo of one's own to write anew.

    A memo in a round is seen by others when the round is closed, one in no round when no round is open.
    """
    if not text.strip():
        raise UsageError("A memo is empty; write something, or remove it.")
    content = {"on": on, "name": name, "text": text}
    operation = new_operation(
        view.rater, MEMO, key or f"{on}/{name}/{uuid4().hex}", content, round=round, transcript=transcript
    )
    return view.journal.record([operation])[0]


def remove_memo(view: RaterView, memo: Entry) -> Entry:
    """Remove a memo of one's own."""
    if memo.by != view.rater:
        raise UsageError(f"This memo is by {memo.by}; {view.rater} can remove their own.")
    place = {"round": memo.round, "transcript": memo.transcript}
    return view.journal.record([new_operation(view.rater, MEMO, memo.key, None, **place)])[0]


def record_codebook(journal: Journal, codebook: Codebook, *, by: str, why: str) -> Entry:
    """Keep a new version of the codebook, whole, with what changed. Codings keep the version they were made under.

    Raises UsageError without a reason, and for a version that is not newer than all kept so far.
    """
    _require_reason(why, "a new version of the codebook")
    newest = max((entry.key for entry in journal.present(CODEBOOK)), key=version_age, default="")
    if newest and version_age(codebook.version) <= version_age(newest):
        raise UsageError(f"Version {codebook.version} is not newer than {newest}; what was decided before stays.")
    content = codebook_content(codebook)
    return journal.record([new_operation(by, CODEBOOK, codebook.version, content, version=codebook.version, why=why)])[
        0
    ]


def recorded_codebooks(journal: Journal) -> list[Codebook]:
    """The versions of the codebook in the journal, from old to new."""
    versions = [codebook_from(entry.content) for entry in journal.present(CODEBOOK) if entry.content]
    return sorted(versions, key=lambda one: version_age(one.version))


def record_theme(
    journal: Journal, theme: str, codes: Sequence[str], *, by: str, why: str = "", label: str = "", definition: str = ""
) -> Entry:
    """Group codes under a theme; no codes dissolve it."""
    content = {"label": label, "definition": definition, "codes": list(codes)} if codes else None
    return journal.record([new_operation(by, THEME, theme, content, why=why)])[0]


def record_permission(
    journal: Journal, study: Study, participant: str, permissions: Permissions, *, by: str, why: str
) -> Entry:
    """Keep what a participant allows from now on, and why it changed."""
    _require_reason(why, "a change of permissions")
    if participant not in study.participants:
        raise UsageError(f"“{participant}” is no participant of this study.")
    return journal.record([new_operation(by, PERMISSION, participant, permissions.model_dump(), why=why)])[0]


def _require_reason(why: str, what: str) -> None:
    if not why.strip():
        raise UsageError(f"Give the reason for {what}.")


# ------------------------------------------------------------------------------------- audit trail


@dataclass(frozen=True, slots=True)
class AuditRow:
    """One step of the work: who did what, when, under which version of the codebook, and why."""

    seq: int
    at: str
    by: str
    kind: str
    what: str
    round: str
    transcript: str
    version: str
    why: str


def audit_trail(view: View, *, since: int = 0) -> list[AuditRow]:
    """Every step that may be seen, in order."""
    return [
        AuditRow(one.seq, one.at, one.by, one.kind, _what(one), one.round, one.transcript, one.version, one.why)
        for one in view.history(since=since)
    ]


def _what(entry: Entry) -> str:
    """What an entry says, in a few words."""
    content = entry.content
    if content is None:
        return f"no longer: {entry.key}" if entry.key else "erased"
    match entry.kind:
        case "coding":
            about = f" about {', '.join(content['about'])}" if content["about"] else ""
            return f"{content['code']} on {content['unit']}{about}"
        case "rated":
            return f"rated {content['unit']}"
        case "consensus":
            agreed = ", ".join(one["code"] for one in content["codes"]) or "nothing applies"
            return f"{agreed} on {content['unit']} ({content['outcome']})"
        case "memo":
            return f"memo on {content['on']} {content['name']}"
        case "codebook":
            return f"codebook version {entry.key}, {len(content['changes'])} changes"
        case "round":
            return f"round of {len(content['units'])} units, rated by {', '.join(content['raters'])}"
        case "undo" | "redo":
            return f"{entry.kind} of {len(content['of'])} steps"
        case _:
            return entry.key


def view_of(journal: Journal, study: Study, rater: str | None = None) -> View:
    """A rater's view, or nobody's."""
    interviews_of(study)
    return RaterView(journal, study, rater) if rater else ClosedView(journal, study)
