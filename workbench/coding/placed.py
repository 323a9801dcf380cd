"""Codings at places in whole transcripts, as exchange standards know them: a text, and positions in it.

Positions are Unicode code points; the first is 0, and the end is left out. A unit is found by its name, by its place, or by
its words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from typing import TYPE_CHECKING

from workbench.coding.codings import CODING_COLUMNS
from workbench.coding.decisions import STORE
from workbench.coding.material import Material
from workbench.coding.units import Piece, Unit
from workbench.coding.working_text import WorkingTranscript, WorkingTurn, occurrences

if TYPE_CHECKING:
    import pandas as pd

BESIDE = 32
"""Code points kept in front of and behind words, by which they are told from the same words elsewhere."""

_ROLES = {"interviewer": "Interviewer", "other": "Other speaker", "unknown": "Unknown speaker"}


@dataclass(frozen=True, slots=True)
class Coded:
    """A row of the codings table: an empty `code` says that nothing applies, `start` None that the whole unit is meant.

    `about` are conditions, `version` is the codebook's, `at` an ISO time where one is known.
    """

    participant: str
    transcript: str
    unit: str
    start: int | None
    end: int | None
    rater: str
    round: str
    version: str
    code: str
    about: tuple[str, ...] = ()
    stance: str = ""
    at: str = ""


@dataclass(slots=True)
class LeftOut:
    """What could not be taken, and where it stood: {why: places}."""

    places: dict[str, list[str]] = field(default_factory=dict)

    def add(self, why: str, place: str) -> None:
        self.places.setdefault(why, []).append(place)


@dataclass(frozen=True, slots=True, eq=False)
class Arrived:
    """What a file from elsewhere holds: codings, each with its place in the file, and what was left out of it."""

    codings: tuple[tuple[str, Coded], ...]
    left_out: LeftOut


# ------------------------------------------------------------------------------------------- texts


@dataclass(frozen=True, slots=True, eq=False)
class SourceText:
    """A transcript's working text in one piece, a paragraph per turn, each after its speaker.

    Speakers are told by their role, so that no name stands there. `begins` is where the words of each turn begin.
    """

    name: str
    participant: str
    language: str
    text: str
    begins: Mapping[str, int]
    units: Mapping[str, Unit]

    def span(self, unit: Unit, start: int | None = None, end: int | None = None) -> tuple[int, int]:
        """Where a unit, or its words from `start` to `end`, stand in the text."""
        first, last = (0, len(unit.text)) if start is None or end is None else (start, end)
        begin = next(one for one in unit.pieces if first < _behind(one))
        until = next(one for one in reversed(unit.pieces) if last > one.at)
        return self._here(begin, max(first, begin.at)), self._here(until, min(last, _behind(until)))

    def _here(self, piece: Piece, offset: int) -> int:
        return self.begins[piece.turn] + piece.start + offset - piece.at

    def unit_at(self, start: int, end: int) -> tuple[Unit, int, int] | None:
        """The unit that holds a span, and the span in the unit's text; None where none does.

        Where the span reaches into space beside a unit, it is taken without it.
        """
        words = self.text[start:end]
        bare = (start + len(words) - len(words.lstrip()), start + len(words.rstrip()))
        for first, last in dict.fromkeys(((start, end), bare)):
            for unit in self.units.values():
                begin, until = self._offset(unit, first), self._offset(unit, last - 1)
                if begin is not None and until is not None and begin <= until:
                    return unit, begin, until + 1
        return None

    def _offset(self, unit: Unit, position: int) -> int | None:
        """Where in the unit's text the character at a position stands."""
        for piece in unit.pieces:
            here = position - self.begins[piece.turn] - piece.start
            if 0 <= here < piece.end - piece.start:
                return piece.at + here
        return None

    def find(self, exact: str, start: int | None, prefix: str = "", suffix: str = "") -> tuple[int, int] | None:
        """Where words stand: at `start`, or else where they stand once, by what stands beside them if need be."""
        if start is not None and exact and self.text.startswith(exact, start):
            return start, start + len(exact)
        places = list(occurrences(exact, self.text)) if exact else []
        if len(places) > 1:
            places = [
                one
                for one in places
                if self.text[:one].endswith(prefix) and self.text.startswith(suffix, one + len(exact))
            ]
        return (places[0], places[0] + len(exact)) if len(places) == 1 else None

    def beside(self, start: int, end: int) -> tuple[str, str]:
        """What stands in front of and behind a span."""
        return self.text[max(0, start - BESIDE) : start], self.text[end : end + BESIDE]


def _behind(piece: Piece) -> int:
    return piece.at + piece.end - piece.start


def source_texts(material: Material) -> dict[str, SourceText]:
    """Every transcript as one text, by its name."""
    return {
        name: _source_text(one, {unit.id: unit for unit in material.units[name].items})
        for name, one in material.working.items()
    }


def _source_text(transcript: WorkingTranscript, units: Mapping[str, Unit]) -> SourceText:
    paragraphs, begins, at = [], {}, 0
    for turn in transcript.turns:
        speaker = f"{spoken_by(transcript, turn)}: "
        begins[turn.id] = at + len(speaker)
        paragraphs.append(speaker + turn.text)
        at += len(paragraphs[-1]) + 2
    text = "\n\n".join(paragraphs)
    return SourceText(transcript.name, transcript.participant, transcript.language, text, begins, units)


def spoken_by(transcript: WorkingTranscript, turn: WorkingTurn) -> str:
    """Who speaks a turn, without a name: the participant's id, or the role."""
    return transcript.participant if turn.role == "participant" else _ROLES[turn.role]


# ----------------------------------------------------------------------------------------- codings


def coded_of(
    rows: pd.DataFrame, sources: Mapping[str, SourceText], times: Mapping[int, str] | None = None
) -> tuple[list[Coded], LeftOut]:
    """Rows of the codings table whose place is in the transcripts, and those that have none; `times` are by journal number."""
    found, left = [], LeftOut()
    for row in rows.to_dict("records"):
        source = sources.get(row["transcript"])
        unit = source.units.get(row["unit"]) if source else None
        place = f"{row['file']}, row {row['row']}"
        if unit is None or not unit.text:
            left.add("their unit is not in the transcripts", place)
            continue
        span = offsets(row["start"], row["end"], unit)
        if span is None:
            left.add("their words are not in the unit", place)
            continue
        at = (times or {}).get(row["row"], "") if row["file"] == STORE else ""
        about = tuple(one for one in row["about"].split("+") if one)
        found.append(coded_from(row, unit, span, about, at))
    return found, left


def coded_from(
    row: Mapping[str, str], unit: Unit, span: tuple[int | None, int | None], about: tuple[str, ...], at: str = ""
) -> Coded:
    """A row of the codings table on a unit, at a place in it."""
    return Coded(
        unit.participant,
        unit.transcript,
        unit.id,
        *span,
        row["rater"],
        row["round"],
        row["codebook_version"],
        row["code"],
        about,
        row["stance"],
        at,
    )


def offsets(start: str, end: str, unit: Unit) -> tuple[int | None, int | None] | None:
    """Two cells as a place in a unit: (None, None) where both are empty, None where they are no place in it."""
    if not start and not end:
        return None, None
    if not (start.isascii() and start.isdecimal() and end.isascii() and end.isdecimal()):
        return None
    return (int(start), int(end)) if int(start) < int(end) <= len(unit.text) else None


def coding_rows(coded: Iterable[Coded]) -> list[dict[str, str]]:
    """Codings as rows of the codings table."""
    told: list[dict[str, str]] = []
    for one in coded:
        *before, about, stance, _ = astuple(one)
        cells: Sequence[str] = ["" if cell is None else str(cell) for cell in before]
        told.append(dict(zip(CODING_COLUMNS, (*cells, "+".join(about), stance), strict=True)))
    return told
