"""The names a response table uses, matched with those the study declares.

Shared by every reader of collected tables: columns that must be there, participants, conditions.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd

ROWS_NAMED = 5
"""How many rows a finding names before it counts the others."""


def require_columns(table: SourceTable, columns: Iterable[str], key: str) -> None:
    """StudyError naming every one of `columns` that the table lacks, and the nearest it has."""
    absent = [column for column in dict.fromkeys(columns) if column not in table.columns]
    if absent:
        remedy = f"Correct {key} in study.toml, or the file."
        raise StudyError(
            [
                fault(
                    table.file,
                    "row 1",
                    f"There is no column “{column}”.",
                    f"{nearest(column, table.columns)} {remedy}",
                    "missing column",
                )
                for column in absent
            ]
        )


def rows_named(rows: Iterable[int]) -> str:
    """Row numbers as "row 4" or "rows 4, 7, 9 and 12 more"."""
    listed = [str(row) for row in rows]
    if len(listed) == 1:
        return f"row {listed[0]}"
    more = f" and {len(listed) - ROWS_NAMED} more" if len(listed) > ROWS_NAMED else ""
    return f"rows {', '.join(listed[:ROWS_NAMED])}{more}"


def without_pilots(table: SourceTable, column: str, study: Study) -> tuple[pd.DataFrame, list[Finding]]:
    """The table's rows of declared participants, and a note on how many pilot rows were left out.

    Raises StudyError for rows of participants that study.toml does not declare.
    """
    ids = table.frame[column].str.strip()
    pilots = ids.isin(study.declared.participants.pilots)
    unknown = ids[~ids.isin(study.participants) & ~pilots]
    if len(unknown):
        raise StudyError(
            [
                fault(
                    table.file,
                    rows_named(unknown.index[unknown == name]),
                    _undeclared(name),
                    _declare(name, study),
                    "unknown participant",
                )
                for name in dict.fromkeys(unknown)
            ]
        )
    notes = []
    if pilots.any():
        notes.append(
            Finding(
                "note",
                "pilots",
                table.file,
                rows_named(ids.index[pilots]),
                f"{int(pilots.sum())} rows of pilot participants are left out.",
                "",
            )
        )
    frame = table.frame[~pilots].copy()
    frame[column] = ids[~pilots]
    return frame, notes


def _undeclared(name: str) -> str:
    return f"“{name}” is not a participant of this study." if name else "No participant is named."


def _declare(name: str, study: Study) -> str:
    if not name:
        return "Fill in the id, or remove the row."
    return f"Correct the id, or declare it under [participants]. {nearest(name, list(study.participants)).split(' Known here')[0]}".strip()


def matched(values: pd.Series, known: Mapping[str, str], file: str, what: str, remedy: str) -> pd.Series:
    """Words of a column replaced by the ids they stand for, whatever their case.

    `known` maps words to ids. Raises StudyError naming every word that stands for nothing.
    """
    lower = {word.strip().casefold(): name for word, name in known.items()}
    words = values.str.strip().str.casefold()
    unknown = values[~words.isin(list(lower))]
    if len(unknown):
        raise StudyError(
            [
                fault(
                    file,
                    rows_named(unknown.index[unknown == word]),
                    f"“{word}” is no {what}." if word.strip() else f"No {what} is named.",
                    f"{nearest(word, sorted(known))} {remedy}",
                    f"unknown {what}",
                )
                for word in dict.fromkeys(unknown)
            ]
        )
    return words.map(lower)


def condition_words(study: Study, further: Mapping[str, str]) -> dict[str, str]:
    """Words that may name a condition: its label, its id, and those a questionnaire adds."""
    labels = {condition.label: condition.id for condition in study.declared.conditions}
    return labels | {condition: condition for condition in study.conditions} | dict(further)
