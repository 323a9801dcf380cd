"""Tables of what was collected, for looking things up: gaps with their reasons, and the origin of answers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from workbench.quality.collection import Collected
from workbench.report.table import Column, Table
from workbench.report.tables.parts import listing, place_name
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd


def gaps_table(study: Study, grid: Sequence[Collected]) -> Table:
    """Why values are missing, by participant and condition."""
    columns = (
        Column("participant", "Participant"),
        Column("condition", "Condition"),
        Column("reason", "Why no value"),
        Column("measures", "Of which measures"),
    )
    rows = tuple(
        {
            "participant": one.participant,
            "condition": study.condition_labels[one.condition],
            "reason": reason,
            "measures": "all" if len(which) == one.measures else listing(which),
        }
        for one in grid
        for reason, which in one.gaps
    )
    return Table("gaps", "What is missing, and why", columns, rows)


def origin_table(study: Study, answers: pd.DataFrame) -> Table:
    """Where each of `answers` (columns of ANSWER_COLUMNS) comes from: its file, row and column, and how it was read."""
    whole = all(float(value).is_integer() for value in answers["value"].dropna())
    columns = (
        Column("participant", "Participant"),
        Column("setting", "Condition or occasion"),
        Column("item", "Item"),
        Column("text", "Wording"),
        Column("raw", "As collected"),
        Column("value", "Counts as", "number", 0 if whole else 2),
        Column("missing", "No answer"),
        Column("file", "File"),
        Column("row", "Row", "count"),
        Column("column", "Column"),
    )
    rows = tuple(
        {
            "participant": one.participant,
            "setting": place_name(study, one.condition or one.occasion),
            "item": one.item,
            "text": study.instruments[one.instrument].item(one.item).text,
            "raw": one.raw,
            "value": float(one.value),
            "missing": one.missing,
            "file": one.file,
            "row": int(one.row),
            "column": one.column,
        }
        for one in answers.itertuples()
    )
    note = "Rows are counted as a spreadsheet counts them. “Counts as” is before reversed items are turned round."
    return Table("origin", "Where answers come from", columns, rows, (note,))
