"""Consensus on units that raters coded apart: what holds from then on, of which kind the difference was, and why.

The codings made apart stay as they are. A consensus is reached only on a round that is closed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

from workbench.codebook.model import Codebook
from workbench.coding.codings import CONSENSUS
from workbench.coding.decisions import Applied, TextUnit, View, coded_content
from workbench.coding.rounds import declared_round, state_of
from workbench.errors import UsageError
from workbench.store.journal import Journal
from workbench.store.operations import Entry, new_operation
from workbench.study import Study

Outcome = Literal["codebook change", "slip", "real ambiguity"]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)


@dataclass(frozen=True, slots=True)
class Difference:
    """A unit on which raters differ in a closed round. `codes` by rater; `agreed` where a consensus stands."""

    transcript: str
    unit: str
    codes: dict[str, tuple[str, ...]]
    agreed: bool


def differences(view: View, study: Study, round: str) -> list[Difference]:
    """The units of a closed round that two raters or more rated, and not alike.

    Raises UsageError where the round is open: who looks at differences is no longer blind.
    """
    _require_closed(view.journal, study, round)
    ratings: dict[tuple[str, str], dict[str, set[str]]] = {}
    for entry in view.present(("coding", "rated"), round=round):
        content = entry.content or {}
        codes = ratings.setdefault((entry.transcript, content["unit"]), {}).setdefault(entry.by, set())
        codes |= {content["code"]} if entry.kind == "coding" else set()
    agreed = {(entry.transcript, (entry.content or {})["unit"]) for entry in view.present(CONSENSUS)}
    return [
        Difference(*unit, {rater: tuple(sorted(codes)) for rater, codes in by.items()}, unit in agreed)
        for unit, by in sorted(ratings.items())
        if len(by) > 1 and len({frozenset(codes) for codes in by.values()}) > 1
    ]


def record_consensus(
    journal: Journal,
    study: Study,
    round: str,
    unit: TextUnit,
    applied: Iterable[Applied],
    *,
    discussed: str,
    outcome: Outcome,
    why: str,
    by: str,
    codebook: Codebook,
) -> Entry:
    """Keep what was agreed on for a unit in a consensus round, after `discussed`, a round that is closed.

    No codes say that nothing applies. A later consensus on the unit in the same round takes the place of this one.
    Raises UsageError for a round of another kind, one still open, an unknown outcome, and no reason.
    """
    if declared_round(study, round).kind != CONSENSUS:
        raise UsageError(f"“{round}” is no consensus round; declare one under interviews.rounds.")
    _require_closed(journal, study, discussed)
    if outcome not in OUTCOMES:
        raise UsageError(f"“{outcome}” is no outcome of a discussion; known: {', '.join(OUTCOMES)}.")
    if not why.strip():
        raise UsageError("Give the reason for what was agreed on.")
    content = {
        "participant": unit.participant,
        "unit": unit.id,
        "codes": [coded_content(study, unit, one, codebook) for one in applied],
        "outcome": outcome,
        "discussed": discussed,
    }
    key = f"{round}/{unit.transcript}/{unit.id}"
    place = {"round": round, "transcript": unit.transcript, "version": codebook.version}
    return journal.record([new_operation(by, CONSENSUS, key, content, **place, why=why)])[0]


def _require_closed(journal: Journal, study: Study, round: str) -> None:
    state = state_of(journal, study, round)
    if state.kind == CONSENSUS:
        raise UsageError(f"“{round}” is a consensus round itself; name the round that was rated apart.")
    if not state.closed:
        raise UsageError(f"“{round}” is open: {', '.join(state.waiting_for)} has not submitted it yet.")
