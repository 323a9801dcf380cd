"""Tables of the coding as work: rounds, what is left, differences to settle, the trail of decisions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import nan

from workbench.coding.codings import CONSENSUS
from workbench.coding.consensus import Difference
from workbench.coding.decisions import AuditRow
from workbench.coding.recoding import RecodeQueue
from workbench.coding.rounds import RoundState
from workbench.report.table import Column, Table

BLIND = "While a round is open its codings are shown to nobody but the rater who made them."


def rounds_state_table(states: Sequence[RoundState], rated: Mapping[tuple[str, str], int], everything: int) -> Table:
    """Each round: its raters, how far they are, who has submitted. `rated` counts units by round and rater."""
    columns = (
        Column("round", "Round"),
        Column("kind", "Kind"),
        Column("units", "Units", "count"),
        Column("progress", "Rated", help="Units each rater has rated."),
        Column("submitted", "Submitted"),
        Column("state", "State"),
        Column("reopened", "Reopened", "count"),
    )
    rows = tuple(
        {
            "round": one.id,
            "kind": one.kind,
            "units": nan if one.kind == CONSENSUS else len(one.units) or everything,
            "progress": ""
            if one.kind == CONSENSUS
            else _joined(f"{rater} {rated.get((one.id, rater), 0)}" for rater in one.raters),
            "submitted": _joined(one.submitted),
            "state": _state(one),
            "reopened": one.reopened,
        }
        for one in states
    )
    return Table("rounds", "Rounds of coding", columns, rows, (BLIND,))


def _state(one: RoundState) -> str:
    if one.kind == CONSENSUS:
        return "agreed together"
    return "closed" if one.closed else ("open" if one.begun else "not begun")


def differences_table(found: Sequence[Difference], texts: Mapping[str, str]) -> Table:
    """Units that raters coded differently, side by side, those not settled first."""
    raters = sorted({rater for one in found for rater in one.codes})
    columns = (
        Column("unit", "Unit"),
        Column("settled", "Settled"),
        *(Column(f"codes_{rater}", rater) for rater in raters),
        Column("words", "Words"),
    )
    rows = tuple(
        {
            "unit": one.unit,
            "settled": one.agreed,
            **{f"codes_{rater}": _codes(one, rater) for rater in raters},
            "words": texts.get(one.unit, ""),
        }
        for one in sorted(found, key=lambda one: one.agreed)
    )
    left = sum(not one.agreed for one in found)
    note = f"{left} of {len(found)} differences are not settled yet. A difference is no fault of a rater."
    return Table("differences", "Differences between the raters", columns, rows, (note,))


def _codes(one: Difference, rater: str) -> str:
    if rater not in one.codes:
        return "not rated"
    return ", ".join(one.codes[rater]) or "nothing applies"


def recode_table(queue: RecodeQueue) -> Table:
    """Units to look at again, since a code on them was split or redefined."""
    columns = (
        Column("unit", "Unit"),
        Column("participant", "Participant"),
        Column("rater", "Rater"),
        Column("round", "Round"),
        Column("version", "Coded under"),
        Column("codes", "Codes"),
        Column("changes", "What changed"),
    )
    rows = tuple(
        {
            "unit": one.unit,
            "participant": one.participant,
            "rater": one.rater,
            "round": one.round,
            "version": one.version,
            "codes": _joined(one.codes),
            "changes": " ".join(one.changes),
        }
        for one in queue.items
    )
    note = f"{queue.left} units are left to look at again; {queue.done} were looked at again already."
    return Table("recode", "To be coded anew", columns, rows, (note,))


def trail_table(trail: Sequence[AuditRow]) -> Table:
    """Who decided what, when, under which version of the codebook, and why."""
    columns = (
        Column("seq", "No.", "count"),
        Column("at", "When"),
        Column("by", "By"),
        Column("kind", "Kind"),
        Column("what", "What"),
        Column("round", "Round"),
        Column("transcript", "Transcript"),
        Column("version", "Version"),
        Column("why", "Why"),
    )
    rows = tuple(
        {column.key: getattr(one, column.key) for column in columns}
        | {"at": _to_the_second(one.at), "what": _step(one)}
        for one in trail
    )
    return Table("trail", "Trail of decisions", columns, rows, (BLIND,))


def _to_the_second(at: str) -> str:
    """When, without what no reader needs: the numbers give the order."""
    return at[:19].replace("T", " ")


def _step(one: AuditRow) -> str:
    """What a step was, in words where it is known by a key that tells a reader nothing."""
    words = {
        "correction": f"correction of {one.transcript}",
        "pseudonym": "decision on a phrase that the key holds",
        "submission": f"{one.round} submitted",
    }.get(one.kind, "")
    taken_back = one.what.startswith("no longer: ")
    return (f"no longer: {words}" if taken_back else words) if words else one.what


def _joined(names: Iterable[str]) -> str:
    return ", ".join(names)
