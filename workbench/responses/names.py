"""The names a response table uses, matched with those the study declares.

Shared by every reader of collected tables: columns that must be there, participants, conditions, numbers.
What takes `faults` adds the faults it finds to that list and goes on with the rest, so that all are told at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd

ROWS_NAMED = 5
"""How many rows a finding names before it counts the others."""
WORDS_NAMED = 12
"""How many wrong words of one column are named one by one."""
NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,2})?"


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
    """Row numbers as "row 4" or "rows 4, 7, 9, 12, 13 and 12 more"."""
    listed = [str(row) for row in rows]
    if len(listed) == 1:
        return f"row {listed[0]}"
    more = f" and {len(listed) - ROWS_NAMED} more" if len(listed) > ROWS_NAMED else ""
    return f"rows {', '.join(listed[:ROWS_NAMED])}{more}"


def wrong_words(
    words: pd.Series, file: str, place: str, found: Callable[[str], str], remedy: Callable[[str], str], kind: str
) -> list[Finding]:
    """A fault for each distinct one of `words` (indexed by row), with its rows; many more words than a person reads are counted.

    `place` follows the rows, such as ", column age"; `found` and `remedy` make their sentences from a word.
    """
    distinct = list(words.unique())
    faults = [
        fault(file, rows_named(words.index[words == word]) + place, found(word), remedy(word), kind)
        for word in distinct[:WORDS_NAMED]
    ]
    rest = words[words.isin(distinct[WORDS_NAMED:])]
    if len(rest):
        more = f"{len(distinct) - WORDS_NAMED} more such words stand in {len(rest)} rows."
        faults.append(fault(file, rows_named(rest.index) + place, more, "Is this the column that was meant?", kind))
    return faults


def without_pilots(
    table: SourceTable, column: str, study: Study, faults: list[Finding]
) -> tuple[pd.DataFrame, list[Finding]]:
    """The table's rows of declared participants, and a note on how many pilot rows were left out.

    Rows of participants that study.toml does not declare are `faults`.
    """
    ids = table.frame[column].str.strip()
    pilots = ids.isin(study.declared.participants.pilots)
    declared = ids.isin(study.participants)
    faults += wrong_words(
        ids[~declared & ~pilots],
        table.file,
        "",
        lambda name: f"“{name}” is not a participant of this study." if name else "No participant is named.",
        lambda name: _declare(name, study),
        "unknown participant",
    )
    notes = []
    if pilots.any():
        rows = ids.index[pilots]
        found = (
            f"{len(rows)} rows of pilot participants are left out." if len(rows) > 1 else "A pilot's row is left out."
        )
        notes.append(Finding("note", "pilots", table.file, rows_named(rows), found, ""))
    frame = table.frame[declared].copy()
    frame[column] = ids[declared]
    return frame, notes


def _declare(name: str, study: Study) -> str:
    if not name:
        return "Fill in the id, or remove the row."
    close = nearest(name, list(study.participants)).partition("Known here")[0].strip()
    return f"Correct the id, or declare it under [participants]. {close}".strip()


def matched(
    values: pd.Series, known: Mapping[str, str], file: str, what: str, remedy: str, faults: list[Finding]
) -> pd.Series:
    """Words of a column replaced by the ids they stand for; NaN where they stand for nothing, which is a fault.

    `known` maps words to ids. Case does not matter, but where words that differ in case alone stand for different ids.
    """
    words = values.str.strip()
    exact = {word.strip(): name for word, name in known.items()}
    ids = words.map(exact).astype("str").fillna(words.str.casefold().map(whatever_case(exact)).astype("str"))
    faults += wrong_words(
        words[ids.isna()],
        file,
        f", column {values.name}",
        lambda word: f"“{word}” is no {what}." if word else f"No {what} is named.",
        lambda word: f"{nearest(word, sorted(exact))} {remedy}",
        f"unknown {what}",
    )
    return ids


def whatever_case(known: Mapping[str, str]) -> dict[str, str]:
    """`known` by its words in lower case, without those that would then stand for several ids."""
    meant: dict[str, set[str]] = {}
    for word, name in known.items():
        meant.setdefault(word.casefold(), set()).add(name)
    return {word: next(iter(names)) for word, names in meant.items() if len(names) == 1}


def condition_words(study: Study, further: Mapping[str, str]) -> dict[str, str]:
    """Words that may name a condition: its label, its id, and those a questionnaire adds."""
    labels = {condition.label: condition.id for condition in study.declared.conditions}
    return labels | {condition: condition for condition in study.conditions} | dict(further)


def numbers(words: pd.Series) -> pd.Series:
    """Stripped `words` as floats; NaN where they are no number with a decimal point (so for "inf", "nan", "1,5")."""
    import pandas as pd

    return pd.to_numeric(words.where(words.str.fullmatch(NUMBER)), errors="coerce").astype(float)
