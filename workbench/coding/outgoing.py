"""Codings and the journal as files for elsewhere, with what participants allow kept.

What carries words (annotations, projects, the journal) leaves out participants who do not allow sharing, unless it is for one's
own use. A table of codings carries none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from workbench.coding.annotations import annotation_lines
from workbench.coding.codings import CODING_COLUMNS
from workbench.coding.decisions import ClosedView
from workbench.coding.incoming import labels_of
from workbench.coding.material import Material
from workbench.coding.placed import Coded, coded_of, source_texts
from workbench.coding.projects import project_of
from workbench.coding.reading import Decided, participant_of, whose
from workbench.errors import UsageError
from workbench.store.journal import Journal
from workbench.store.operations import to_line

Kind = Literal["annotations", "qdpx"]


@dataclass(frozen=True, slots=True, eq=False)
class Export:
    """What leaves, and what does not: `left_out` participants do not allow sharing, `lost` codings have no place in the transcripts."""

    content: str | bytes
    n: int
    left_out: tuple[str, ...] = ()
    lost: int = 0


def coding_records(decided: Decided, *, counted: bool = False) -> list[dict[str, str]]:
    """All codings, or those that count, as rows of a table of codings."""
    rows = decided.counted if counted else decided.rows
    records: list[dict[str, str]] = rows[list(CODING_COLUMNS)].to_dict("records")
    return records


def export_codings(
    kind: Kind, decided: Decided, material: Material, *, own_use: bool = False, counted: bool = False
) -> Export:
    """The codings with the words they stand on, as annotations or as a QDPX project.

    Raises UsageError where nothing is left, and for a project where the study has no codebook.
    """
    sources = source_texts(material)
    coded, lost = coded_of(decided.counted if counted else decided.rows, sources, decided.times)
    kept, left_out = _shared(coded, decided, own_use=own_use)
    if not kept:
        why = (
            f"None of {len(left_out)} participants with codings allows sharing" if left_out else "There are no codings"
        )
        raise UsageError(f"{why}, so there is nothing to write.{_own_use_remedy(left_out)}")
    number = sum(map(len, lost.places.values()))
    declared = material.study.declared
    if kind == "annotations":
        lines = annotation_lines(kept, sources, study=declared.id, labels=labels_of(material))
        return Export("".join(lines), len(kept), left_out, number)
    if material.codebooks is None:
        raise UsageError("A project needs a codebook; name its file in study.toml, interviews.codebook.")
    content = project_of(kept, sources, material.codebooks, title=declared.title, study=declared.id)
    return Export(content, len(kept), left_out, number)


def _own_use_remedy(left_out: Sequence[str]) -> str:
    return " For a file that stays where the transcripts are, say --for own-use." if left_out else ""


def _shared(coded: Sequence[Coded], decided: Decided, *, own_use: bool) -> tuple[list[Coded], tuple[str, ...]]:
    """The codings of participants whose words may leave, and the participants whose may not."""
    people = dict.fromkeys(one.participant for one in coded)
    left_out = tuple(one for one in people if not own_use and not decided.permissions_of(one).share)
    return [one for one in coded if one.participant not in left_out], left_out


def export_journal(journal: Journal, decided: Decided, material: Material, *, own_use: bool = False) -> Export:
    """The journal as JSON Lines, as nobody sees it: closed rounds only. Entries on words that may not leave are left out."""
    named = whose(material)
    entries = [(entry, participant_of(entry, named)) for entry in ClosedView(journal, material.study).history()]
    people = dict.fromkeys(who for _, who in entries if who)
    hidden = tuple(who for who in people if not own_use and not decided.permissions_of(who).share)
    lines = [f"{to_line(entry)}\n" for entry, who in entries if who not in hidden]
    if not lines:
        raise UsageError(f"The journal holds nothing that may be written.{_own_use_remedy(hidden)}")
    return Export("".join(lines), len(lines), hidden)
