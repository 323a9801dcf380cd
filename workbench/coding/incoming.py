"""Codings from elsewhere as decisions of one rater in one round.

Reading tells what a file holds, planning what of it would be recorded, and nothing is recorded here: a command hands the
operations to the journal. Their ids are made from what they say, so that the same file twice adds nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from workbench.codebook.model import Codebook
from workbench.coding.annotations import read_annotations
from workbench.coding.codings import CODING_COLUMNS, STANCES
from workbench.coding.decisions import CODING, RATED, Applied, RaterView, coded_content, coding_key
from workbench.coding.exchange import read_qdpx
from workbench.coding.material import Material
from workbench.coding.packet import hashed
from workbench.coding.placed import Arrived, Coded, LeftOut, SourceText, coded_from, offsets, source_texts
from workbench.coding.projects import from_project
from workbench.coding.rounds import require_open_for, state_of
from workbench.coding.units import Unit
from workbench.errors import UsageError
from workbench.files import read_table
from workbench.responses.names import require_columns
from workbench.store.operations import Entry, Operation, as_text

ENDINGS = {
    ".csv": "codings",
    ".xlsx": "codings",
    ".jsonl": "annotations",
    ".ndjson": "annotations",
    ".json": "annotations",
    ".qdpx": "qdpx",
}
_FORMULA = re.compile(r"^'(?=[=+\-@\t\r])")


def read_arrived(path: Path, shown: str, material: Material) -> Arrived:
    """The codings in a file, by its ending: a CSV or XLSX table of codings, annotations in JSON Lines, a QDPX project.

    Raises UsageError for another ending, StudyError for a file that cannot be read.
    """
    kind = ENDINGS.get(path.suffix.lower())
    if kind is None:
        raise UsageError(f"{shown} is no file of codings; {', '.join(ENDINGS)} are read.")
    if not path.is_file():
        raise UsageError(f"There is no file {shown}.")
    sources = source_texts(material)
    if kind == "codings":
        return _from_table(path, shown, sources)
    if kind == "annotations":
        return read_annotations(path, shown, sources, labels_of(material))
    return from_project(read_qdpx(path, shown), sources)


def labels_of(material: Material) -> dict[str, str]:
    """Every code that any version of the codebook or study.toml knows, in words; the newest words count."""
    interviews = material.study.declared.interviews
    labels = dict(interviews.code_labels) if interviews else {}
    for version in material.codebooks.versions if material.codebooks else ():
        labels |= {one.code: one.label or labels.get(one.code, one.code) for one in version.codes}
    return labels


# -------------------------------------------------------------------------------- a table of codings


def _from_table(path: Path, shown: str, sources: Mapping[str, SourceText]) -> Arrived:
    table = read_table(path, shown)
    require_columns(table, CODING_COLUMNS, "the columns")
    left, found = LeftOut(), []
    cells = table.frame[list(CODING_COLUMNS)].apply(
        lambda column: column.str.strip().str.replace(_FORMULA, "", regex=True)
    )
    for number, row in zip(cells.index, cells.to_dict("records"), strict=True):
        place = f"row {number}"
        source = sources.get(row["transcript"])
        unit = source.units.get(row["unit"]) if source else None
        if unit is None:
            left.add("codings of units that are not in the transcripts", place)
        elif unit.participant != row["participant"]:
            left.add("codings under another participant than the unit's", place)
        elif (span := offsets(row["start"], row["end"], unit)) is None:
            left.add("codings whose words are not found", place)
        else:
            about = tuple(one.strip() for one in row["about"].split("+") if one.strip())
            found.append((place, coded_from(row, unit, span, about)))
    return Arrived(tuple(found), left)


# ----------------------------------------------------------------------------------------- planning


@dataclass(frozen=True, slots=True, eq=False)
class Intake:
    """What would be recorded of a file. `new`, `changed`, `unchanged` and `before` (recorded before) count codings.

    `units` are those that would be marked as rated; what is left out is told with its places.
    """

    operations: tuple[Operation, ...]
    new: int
    changed: int
    unchanged: int
    before: int
    units: int
    left_out: Mapping[str, Sequence[str]]


def intake(arrived: Arrived, view: RaterView, round: str, material: Material, *, rater: str = "") -> Intake:
    """What of a file would be recorded as this rater's in this round.

    `rater` is whose codings of the file are meant: as the file names them, the view's rater where not given. Rows that name
    another rater or round are left out, those that name none are taken. Raises UsageError where the round is not open for
    the rater, or the study has no codebook.
    """
    state = state_of(view.journal, view.study, round)
    require_open_for(state, view.rater)
    if material.codebooks is None:
        raise UsageError("The study has no codebook, so no code is known; name one in study.toml, interviews.codebook.")
    left = LeftOut({why: list(places) for why, places in arrived.left_out.places.items()})
    taking = _Taking(view, round, material, rater or view.rater, frozenset(state.units), left)
    chosen = [taken for place, coded in arrived.codings if (taken := taking.chosen(place, coded))]
    asked = taking.operations(chosen)
    mine = {"by": view.rater, "round": round}
    holds = {(one.kind, one.key): one for one in view.present((CODING, RATED), **mine)}
    known = {one.id for one in view.history(**mine)}
    counts = dict.fromkeys(("new", "changed", "unchanged", "before"), 0)
    recorded = []
    for one in asked:
        state_now = _standing(one, holds.get((one.kind, one.key)), known)
        if state_now in ("new", "changed"):
            recorded.append(one)
        if one.kind == CODING:
            counts[state_now] += 1
    units = sum(one.kind == RATED for one in recorded)
    return Intake(tuple(recorded), **counts, units=units, left_out=left.places)


def _standing(one: Operation, holds: Entry | None, known: set[str]) -> str:
    if holds is not None and (holds.content, holds.version) == (one.content, one.version):
        return "unchanged"
    if one.id in known:
        return "before"
    return "new" if holds is None else "changed"


@dataclass(frozen=True, slots=True, eq=False)
class _Taking:
    view: RaterView
    round: str
    material: Material
    rater: str
    in_round: frozenset[str]
    left: LeftOut

    def chosen(self, place: str, one: Coded) -> tuple[str, Coded, Unit, Codebook] | None:
        """A coding with its unit and codebook, or None where it cannot be taken, which is told."""
        books = self.material.codebooks
        versions = {book.version: book for book in books.versions} if books else {}
        book = versions.get(one.version) if one.version or books is None else books.current
        unit = next((unit for unit in self.material.units[one.transcript].items if unit.id == one.unit), None)
        unknown = [about for about in one.about if about not in self.view.study.conditions]
        why = ""
        if one.rater not in ("", self.rater):
            why = f"codings by {one.rater}"
        elif one.round not in ("", self.round):
            why = f"codings of the round {one.round}"
        elif unit is None or (self.in_round and unit.id not in self.in_round):
            why = f"codings of units that are not in the round {self.round}"
        elif book is None:
            why = f"codings under version {one.version} of the codebook, which is not there"
        elif one.code and one.code not in book.names:
            why = f"codings with the code {one.code}, which version {book.version} of the codebook does not have"
        elif unknown:
            why = f"codings about {unknown[0]}, which is no condition of the study"
        elif one.stance not in STANCES:
            why = f"codings with the stance {one.stance}, which is none of for, against and mixed"
        if why or unit is None or book is None:
            self.left.add(why, place)
            return None
        return place, one, unit, book

    def operations(self, chosen: Iterable[tuple[str, Coded, Unit, Codebook]]) -> Iterator[Operation]:
        """Unit by unit, in the order of the file: a coding for each, and one mark as rated.

        The same code on the same words about several conditions is one coding, where its stance is the same.
        """
        codings: dict[str, tuple[str, Coded, Unit, Codebook]] = {}
        rated: dict[str, Operation] = {}
        for place, one, unit, book in chosen:
            mark = self._operation(RATED, f"{self.round}/{unit.transcript}/{unit.id}/{self.view.rater}", one, book)
            rated.setdefault(mark.key, replace(mark, content={"participant": unit.participant, "unit": unit.id}))
            if not one.code:
                continue
            key = coding_key(self.round, unit.transcript, unit.id, _applied(one), self.view.rater)
            before = codings.get(key)
            if before is not None and before[1].stance != one.stance:
                self.left.add("codings with another stance than the same code has on the same words", place)
                continue
            about = (*before[1].about, *one.about) if before else one.about
            codings[key] = (mark.key, replace(one, about=about), unit, book)
        of_unit: dict[str, list[Operation]] = {key: [] for key in rated}
        for key, (mark_key, one, unit, book) in codings.items():
            content = coded_content(self.view.study, unit, _applied(one), book)
            of_unit[mark_key].append(replace(self._operation(CODING, key, one, book), content=content))
        for key, one_rated in rated.items():
            for operation in (*of_unit[key], one_rated):
                yield _named(operation, self.view.study.declared.id)

    def _operation(self, kind: str, key: str, one: Coded, book: Codebook) -> Operation:
        return Operation(
            "", self.view.rater, kind, key, {}, self.round, one.transcript, book.version, "imported", one.at
        )


def _applied(one: Coded) -> Applied:
    return Applied(one.code, one.about, one.stance, one.start, one.end)  # type: ignore[arg-type]


def _named(one: Operation, study: str) -> Operation:
    """The operation with an id that is the same for the same decision."""
    told = (study, one.by, one.kind, one.key, one.round, one.transcript, one.version, as_text(one.content) or "")
    return replace(one, id=hashed("\x1f".join(told))[:32])
