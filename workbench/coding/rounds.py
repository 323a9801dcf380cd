"""Rounds of coding: what they are made of, who has submitted, and the sample on which agreement is measured.

A round is open until all its raters have submitted it. Reopening is a decision with a reason, and stays on record.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from workbench.coding.codings import CONSENSUS
from workbench.declared import nearest
from workbench.errors import ArgumentError, UsageError
from workbench.responses.names import require_columns
from workbench.store.journal import Journal
from workbench.store.operations import Entry, new_operation
from workbench.study import Interviews, Round, Study

if TYPE_CHECKING:
    import numpy as np

ROUND, SUBMISSION = "round", "submission"


class CodedUnit(Protocol):
    """What can be drawn: a unit of a participant's transcript."""

    @property
    def id(self) -> str: ...
    @property
    def transcript(self) -> str: ...
    @property
    def participant(self) -> str: ...


One = TypeVar("One", bound=CodedUnit)


@dataclass(frozen=True, slots=True)
class RoundState:
    """A round as it stands.

    `units` maps the ids it is made of to their transcripts, empty where any unit may be coded; `submitted` are raters who
    have handed it in, `reopened` counts how often one was given it back, `begun` whether anything is known of it, and
    `drawn` says how its units were found.
    """

    id: str
    kind: str
    raters: tuple[str, ...]
    units: Mapping[str, str]
    submitted: tuple[str, ...]
    reopened: int
    begun: bool
    drawn: Mapping[str, Any]

    @property
    def waiting_for(self) -> tuple[str, ...]:
        """The raters who have not submitted."""
        return tuple(one for one in self.raters if one not in self.submitted)

    @property
    def closed(self) -> bool:
        """Whether everybody may see its codings. What is agreed on together was never hidden."""
        return self.kind == CONSENSUS or (bool(self.raters) and not self.waiting_for)


def interviews_of(study: Study) -> Interviews:
    """How the study's interviews are coded; UsageError where it declares none."""
    if study.declared.interviews is None:
        raise UsageError("This study declares no interviews; add [interviews] to study.toml.")
    return study.declared.interviews


def declared_round(study: Study, round: str) -> Round:
    """The round of this name; UsageError where study.toml declares none."""
    rounds = interviews_of(study).rounds
    for one in rounds:
        if one.id == round:
            return one
    raise UsageError(f"“{round}” is no round of this study. {nearest(round, [one.id for one in rounds])}")


def require_rater(study: Study, rater: str) -> None:
    """UsageError where study.toml declares no such rater."""
    raters = interviews_of(study).raters
    if rater not in raters:
        raise UsageError(f"“{rater}” is no rater of this study. {nearest(rater, raters)}")


def round_states(journal: Journal | None, study: Study) -> dict[str, RoundState]:
    """Every declared round as it stands, in order; without a journal nothing was decided yet."""
    interviews = interviews_of(study)
    if journal is None:
        return {one.id: _state(one, interviews, None, set(), 0, False) for one in interviews.rounds}
    planned = {entry.key: entry for entry in journal.present(ROUND)}
    submissions = {entry.key for entry in journal.present(SUBMISSION)}
    given_back = [entry.round for entry in journal.history(kind=SUBMISSION) if entry.content is None]
    coded = {round for _, round, _ in journal.counts(("coding", "rated"))}
    return {
        one.id: _state(one, interviews, planned.get(one.id), submissions, given_back.count(one.id), one.id in coded)
        for one in interviews.rounds
    }


def _state(
    round: Round, interviews: Interviews, plan: Entry | None, submissions: set[str], reopened: int, coded: bool
) -> RoundState:
    content = plan.content or {} if plan else {}
    raters = tuple(content.get("raters", interviews.raters))
    submitted = tuple(rater for rater in raters if _submission_key(round.id, rater) in submissions)
    units = content.get("units", {})
    return RoundState(
        round.id, round.kind, raters, units, submitted, reopened, bool(plan) or coded, content.get("drawn", {})
    )


def _submission_key(round: str, rater: str) -> str:
    return f"{round}/{rater}"


# ------------------------------------------------------------------------------- beginning a round


def begin_round(
    journal: Journal,
    study: Study,
    round: str,
    units: Sequence[CodedUnit],
    *,
    by: str,
    raters: Sequence[str] = (),
    why: str = "",
    drawn: Mapping[str, Any] | None = None,
) -> Entry:
    """Say which units a round is made of, and who rates them (all declared raters where none are named).

    Raises UsageError for a consensus round, which has no units of its own, for unknown raters, for no units, and where
    the round has codings already: its units are fixed from then on.
    """
    kind = declared_round(study, round).kind
    if kind == CONSENSUS:
        raise UsageError(f"“{round}” is a consensus round: it takes its units from the round that is discussed.")
    named = list(raters) or interviews_of(study).raters
    for rater in named:
        require_rater(study, rater)
    if not named:
        raise UsageError("The study declares no raters; list them under interviews.raters.")
    if not units:
        raise UsageError(f"No units are named for the round “{round}”; a round needs at least one.")
    if round in {coded for _, coded, _ in journal.counts(("coding", "rated"))}:
        raise UsageError(f"The round “{round}” has codings already, so its units stay; use another round for others.")
    content = {
        "kind": kind,
        "raters": named,
        "units": {one.id: one.transcript for one in units},
        "drawn": dict(drawn or {}),
    }
    return journal.record([new_operation(by, ROUND, round, content, round=round, why=why)])[0]


def draw_round(
    journal: Journal,
    study: Study,
    round: str,
    units: Sequence[One],
    *,
    size: int,
    seed: int,
    by: str,
    raters: Sequence[str] = (),
    why: str = "",
) -> list[One]:
    """Draw the sample of a round and store it with its seed.

    The sample is as draw_sample draws it, from `units` without those that a pilot round used; the seed goes into
    numpy's default generator. Raises as begin_round and draw_sample do.
    """
    import numpy as np

    left = unused_in_pilots(journal, study, units)
    sample = draw_sample(left, size, rng=np.random.default_rng(seed))
    drawn = {"seed": seed, "size": size, "from": len(left), "used_in_pilots": len(units) - len(left)}
    begin_round(journal, study, round, sample, by=by, raters=raters, why=why, drawn=drawn)
    return sample


def draw_sample(units: Sequence[One], size: int, *, rng: np.random.Generator) -> list[One]:
    """A random sample of units, from each participant in proportion to their number of units.

    Shares are rounded by largest remainder, equal remainders at random; every participant gives at least one unit where
    `size` allows. Units come back in the order given. Raises ArgumentError where `size` is below 1 or above the number
    of units.
    """
    if not 1 <= size <= len(units):
        raise ArgumentError(f"`size` is {size}; between 1 and {len(units)} units can be drawn.")
    of: dict[str, list[int]] = defaultdict(list)
    for place, unit in enumerate(units):
        of[unit.participant].append(place)
    shares = _shares([len(places) for places in of.values()], size, rng)
    chosen = [rng.choice(places, share, replace=False) for places, share in zip(of.values(), shares, strict=True)]
    return [units[place] for place in sorted(place for places in chosen for place in places)]


def _shares(counts: Sequence[int], size: int, rng: np.random.Generator) -> list[int]:
    """How many units each participant gives: in proportion, at least one where there are enough."""
    total = sum(counts)
    floor = 1 if size >= len(counts) else 0
    exact = [size * count / total for count in counts]
    shares = [max(int(one), floor) for one in exact]
    order = rng.permutation(len(counts))
    while sum(shares) != size:
        step = 1 if sum(shares) < size else -1
        open_to = [one for one in order if floor <= shares[one] + step <= counts[one]]
        at = max(open_to, key=lambda one: step * (exact[one] - shares[one]))
        shares[at] += step
    return shares


def unused_in_pilots(journal: Journal | None, study: Study, units: Sequence[One]) -> list[One]:
    """The units that no pilot round was made of and nobody coded in one, not even in part, in the journal or in files.

    Raises StudyError where files of codings cannot be read.
    """
    pilots = {one.id for one in interviews_of(study).rounds if one.kind == "pilot"}
    used = _in_files(study, pilots)
    if journal is not None:
        used |= {
            unit
            for entry in journal.history(kind=ROUND)
            if entry.round in pilots
            for unit in (entry.content or {})["units"]
        }
        coded = (entry for pilot in pilots for entry in journal.history(kind=("coding", "rated"), round=pilot))
        used |= {entry.content["unit"] for entry in coded if entry.content}
    whole = {one.partition(".")[0] for one in used}
    return [one for one in units if not _overlaps(one.id, used, whole)]


def _in_files(study: Study, rounds: Collection[str]) -> set[str]:
    """The units that files of codings have in these rounds; what else is wrong with a file is told where it is read whole."""
    interviews, wanted, units = interviews_of(study), [one.casefold() for one in rounds], set[str]()
    for file in interviews.codings:
        table = study.table(file, interviews.reading)
        require_columns(table, ("unit", "round"), "interviews.codings")
        among = table.frame["round"].str.strip().str.casefold().isin(wanted)
        units |= set(table.frame.loc[among, "unit"].str.strip())
    return units


def _overlaps(unit: str, used: Collection[str], whole: Collection[str]) -> bool:
    """Whether a unit, its whole or a sentence of it is among those used: "A01-002" holds "A01-002.1".

    `whole` are the answers that the used ones are, or are sentences of.
    """
    return unit in used or unit in whole or unit.partition(".")[0] in used


# ------------------------------------------------------------------------------- submitting a round


def submit_round(journal: Journal, study: Study, round: str, *, rater: str, why: str = "") -> Entry:
    """Hand in a rater's round: they change nothing in it from then on, and when all have, everybody sees it.

    Raises UsageError for one who does not rate in it, who has submitted already, or who left units unrated and
    gives no reason why.
    """
    state = state_of(journal, study, round)
    _require_rates_in(state, rater)
    if rater in state.submitted:
        raise UsageError(f"{rater} has submitted the round “{round}” already.")
    rated = rated_units(journal, round, rater)
    left = [unit for unit in state.units if unit not in rated]
    if (left or not rated) and not why.strip():
        told = f"{len(left)} of {len(state.units)} units are not" if left else "Nothing is"
        raise UsageError(f"{told} rated by {rater} in “{round}”; rate them, or give the reason why not.")
    content = {"rated": len(rated), "units": len(state.units)}
    operation = new_operation(rater, SUBMISSION, _submission_key(round, rater), content, round=round, why=why)
    return journal.record([operation])[0]


def reopen_round(
    journal: Journal, study: Study, round: str, *, by: str, why: str, raters: Iterable[str] = ()
) -> list[Entry]:
    """Give a submitted round back to raters (all who submitted, where none are named).

    Who saw others' codings has seen them: the journal keeps that the round was closed before. Raises UsageError
    without a reason, and where one named has not submitted.
    """
    state = state_of(journal, study, round)
    named = list(raters) or list(state.submitted)
    _require_reason(why, "reopening a round")
    absent = [rater for rater in named if rater not in state.submitted]
    if absent or not named:
        raise UsageError(f"{', '.join(absent) or 'Nobody'} has submitted “{round}”; there is nothing to reopen.")
    return journal.record(
        new_operation(by, SUBMISSION, _submission_key(round, rater), None, round=round, why=why) for rater in named
    )


def state_of(journal: Journal | None, study: Study, round: str) -> RoundState:
    """A round as it stands; UsageError where study.toml declares none of this name."""
    declared_round(study, round)
    return round_states(journal, study)[round]


def require_open_for(state: RoundState, rater: str) -> None:
    """UsageError where a rater may not change anything in a round."""
    _require_rates_in(state, rater)
    if rater in state.submitted:
        raise UsageError(f"{rater} has submitted the round “{state.id}”; reopen it first, with the reason.")


def _require_rates_in(state: RoundState, rater: str) -> None:
    if state.kind == CONSENSUS:
        raise UsageError(f"“{state.id}” is a consensus round: units are agreed on there, not rated.")
    if rater not in state.raters:
        raise UsageError(f"{rater} does not rate in “{state.id}”; its raters: {', '.join(state.raters)}.")


def _require_reason(why: str, what: str) -> None:
    if not why.strip():
        raise UsageError(f"Give the reason for {what}.")


def rated_counts(journal: Journal | None, states: Iterable[RoundState]) -> dict[tuple[str, str], int]:
    """How many units each rater has rated, by round and rater: all that anybody may know of a round that is open."""
    pairs = [(one.id, rater) for one in states for rater in one.raters]
    return {pair: len(rated_units(journal, *pair)) if journal is not None else 0 for pair in pairs}


def rated_units(journal: Journal, round: str, rater: str) -> set[str]:
    """The units that a rater has rated in a round: with a code, or marked as rated."""
    entries = journal.present(("coding", "rated"), by=rater, round=round)
    return {entry.content["unit"] for entry in entries if entry.content}
