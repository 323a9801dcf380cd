"""What a rater has to code in a round: the units, the working text around them, the codebook, as an Assignment; and what came
back from its packet, looked at before it is recorded.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from workbench.codebook.model import Codebook
from workbench.coding.decisions import RaterView
from workbench.coding.material import Material
from workbench.coding.packet import KINDS, Assignment
from workbench.coding.packet_result import read_packet_result, to_record
from workbench.coding.rounds import require_open_for, state_of
from workbench.coding.units import Unit
from workbench.errors import Finding, UsageError
from workbench.files import read_table
from workbench.responses.names import require_columns
from workbench.store.journal import Journal
from workbench.store.operations import FIELDS, Operation


def current_codebook(material: Material) -> Codebook:
    """The newest version of the codebook; UsageError where the study has none."""
    if material.codebooks is None:
        raise UsageError("The study has no codebook yet: name its file in study.toml, interviews.codebook.")
    return material.codebooks.current


def units_in_round(material: Material, journal: Journal, round: str) -> tuple[Unit, ...]:
    """The units a round is made of, all where none were named for it. UsageError where units named are there no more."""
    wanted = state_of(journal, material.study, round).units
    units = tuple(material.all_units())
    if not wanted:
        return units
    gone = sorted(set(wanted) - {unit.id for unit in units})
    if gone:
        raise UsageError(
            f"Units of “{round}” are there no more: {', '.join(gone[:5])}. Look at `workbench units STUDY`."
        )
    return tuple(unit for unit in units if unit.id in wanted)


def chosen_units(
    material: Material,
    journal: Journal | None,
    *,
    transcripts: Iterable[str] = (),
    named: Collection[str] | None = None,
    without: str = "",
) -> list[Unit]:
    """The units to begin a round with, or to draw from: of these transcripts (all where none are given), among those `named`,
    and without the units of the round `without`.

    Raises UsageError for an unknown transcript or round, and for a round that has no units of its own.
    """
    wanted = {material.transcript(name).name for name in transcripts}
    elsewhere = _own_units(material, journal, without) if without else ()
    return [
        unit
        for unit in material.all_units()
        if (not wanted or unit.transcript in wanted)
        and (named is None or unit.id in named)
        and unit.id not in elsewhere
    ]


def _own_units(material: Material, journal: Journal | None, round: str) -> Collection[str]:
    units = state_of(journal, material.study, round).units
    if not units:
        raise UsageError(f"“{round}” has no units of its own that could be left out; begin or draw it first.")
    return units


def units_named(material: Material, file: Path, shown: str) -> set[str]:
    """The units that a table names in its column `unit`.

    Raises StudyError for a table that cannot be read, UsageError where it names units that are not there.
    """
    table = read_table(file, shown)
    require_columns(table, ("unit",), "the column")
    named = set(table.frame["unit"].str.strip()) - {""}
    unknown = sorted(named - {unit.id for unit in material.all_units()})
    if unknown:
        raise UsageError(
            f"{shown} names {len(unknown)} units that are not there: {', '.join(unknown[:5])}. `workbench units STUDY` lists them."
        )
    return named


def assignment_for(material: Material, journal: Journal, round: str, rater: str, *, go_on: bool = True) -> Assignment:
    """What `rater` codes in `round`, with what they have decided there already (unless `go_on` is False).

    Raises UsageError for an unknown rater or round, one that is submitted, and where there is nothing to code.
    """
    study = material.study
    view = RaterView(journal, study, rater)
    require_open_for(state_of(journal, study, round), rater)
    units = units_in_round(material, journal, round)
    if not units:
        raise UsageError("There are no units to code: the study has no transcripts.")
    interviews = study.declared.interviews
    own = view.present(KINDS, by=rater, round=round) if go_on else []
    return Assignment(
        study=study.declared.id,
        title=study.declared.title,
        round=round,
        rater=rater,
        kind=interviews.units if interviews else "answers",
        transcripts=tuple(material.working.values()),
        units=units,
        codebook=current_codebook(material),
        conditions=study.condition_labels,
        questions={one.id: one.label or one.id for one in interviews.guide} if interviews else {},
        own=tuple(Operation(**{name: getattr(one, name) for name in FIELDS}) for one in own),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Merge:
    """What of a packet's result would be recorded as its rater's.

    `new` decisions concern `units` units; `known` were recorded before. `withdrawn` counts codings, marks and memos that
    hold now and would not afterwards. `findings` do not block.
    """

    new: tuple[Operation, ...]
    known: int
    units: int
    withdrawn: int
    findings: tuple[Finding, ...]


def merge_of(
    material: Material, journal: Journal, round: str, rater: str, file: Path, *, shown: str = "", go_on: bool = True
) -> Merge:
    """What came back from a packet of this rater and round, against what the journal has; nothing is recorded.

    Raises as assignment_for and read_packet_result do.
    """
    assignment = assignment_for(material, journal, round, rater, go_on=go_on)
    result = read_packet_result(file, assignment, shown=shown)
    view, mine = RaterView(journal, material.study, rater), {"by": rater, "round": round}
    present, history = view.present(KINDS, **mine), view.history(**mine)
    operations, before = to_record(result, present, history), {one.id for one in history}
    new = tuple(one for one in operations if one.id not in before)
    last = {(one.kind, one.key): one.content for one in new}
    withdrawn = sum((one.kind, one.key) in last and last[one.kind, one.key] is None for one in present)
    units = len({_unit_of(one) for one in new})
    return Merge(new, len(operations) - len(new), units, withdrawn, result.findings)


def _unit_of(operation: Operation) -> str:
    """The unit in the key of what a packet takes: "round/transcript/unit/…", of a memo "unit/UNIT/…"."""
    parts = operation.key.split("/")
    return parts[1] if operation.kind == "memo" else parts[2]
