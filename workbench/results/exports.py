"""Codings and the journal as files for elsewhere, in the form that is asked for, and what is to be told with them."""

from __future__ import annotations

from typing import Literal

from workbench.coding.material import Material
from workbench.coding.outgoing import Export, coding_records, export_codings, export_journal
from workbench.coding.reading import Decided
from workbench.errors import UsageError
from workbench.report.table import to_csv
from workbench.report.tables.excerpts import codings_table
from workbench.store.journal import Journal

Target = Literal["csv", "annotations", "qdpx", "journal"]


def exported(
    to: Target,
    decided: Decided,
    material: Material,
    *,
    journal: Journal | None = None,
    own_use: bool = False,
    counted: bool = False,
) -> Export:
    """What is known of coding as a file: a table of codings, annotations, a project, or the journal itself.

    `own_use` keeps the words of participants who do not allow sharing, `counted` takes the codings that count alone.
    Raises UsageError where nothing may be written.
    """
    if to == "csv":
        records = coding_records(decided, counted=counted)
        return Export(to_csv(codings_table(records)), len(records))
    if to == "journal":
        if journal is None:
            raise UsageError("Nothing was decided yet, so there is no journal to write.")
        return export_journal(journal, decided, material, own_use=own_use)
    return export_codings(to, decided, material, own_use=own_use, counted=counted)


def told_of(made: Export, to: Target, *, own_use: bool) -> list[str]:
    """What a person should know of a file before it is passed on."""
    lines = [f"{made.n} {'entries' if to == 'journal' else 'codings'}."]
    if made.lost:
        lines.append(f"{made.lost} codings are not in it: their units or words are not in the transcripts.")
    if made.left_out:
        lines.append(f"Participants left out, because they do not allow sharing: {len(made.left_out)}.")
    if own_use and to != "csv":
        lines.append("For own use: this file holds participants' words. Keep it where the transcripts are.")
    return lines
