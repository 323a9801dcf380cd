"""What a rater has to code in a round: the units, the working text around them, the codebook, as an Assignment."""

from __future__ import annotations

from workbench.codebook.model import Codebook
from workbench.coding.decisions import RaterView
from workbench.coding.material import Material
from workbench.coding.packet import KINDS, Assignment
from workbench.coding.rounds import require_open_for, state_of
from workbench.coding.units import Unit
from workbench.errors import UsageError
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
