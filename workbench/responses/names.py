"""The names a response table uses, matched with those the study declares.

Shared by every reader of collected tables: columns that must be there, participants, conditions, numbers.
What takes `faults` adds the faults it finds to that list and goes on with the rest, so that all are told at once.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isclose
from typing import TYPE_CHECKING

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import COMMA_NUMBER, POINT_NUMBER, Decimal, SourceTable, fault
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd

ROWS_NAMED = 5
"""How many rows a finding names before it counts the others."""
WORDS_NAMED = 12
"""How many wrong words of one column are named one by one."""
NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]{1,2})?"
LONGEST_LIST = 1000
"""Characters of a remedy beyond which the known words are not all listed."""

_MONTHS = [
    "jan",
    "feb",
    "mar|mär|mrz",
    "apr|avr",
    "may|mai",
    "jun|juin",
    "jul|juil",
    "aug|aoû",
    "sep",
    "oct|okt",
    "nov",
    "dec|dez|déc",
]
_MONTH = f"(?:{'|'.join(_MONTHS)})[^\\W\\d_]*"
_DATES = (
    r"\d{4}-\d{2}-\d{2}(?:[ T].*)?",
    r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}",
    rf"\d{{1,2}}[. -]{{1,2}}{_MONTH}\.?(?:[ -]\d{{2,4}})?",
    rf"{_MONTH}\.?[ -]\d{{1,4}}",
)
_TIME = r"\d{1,2}:\d{2}(?::\d{2})?"
_THOUSANDS = r"[-+]?[0-9]{1,3}([ '’.,\u00a0\u202f])[0-9]{3}(?:\1[0-9]{3})*(?:[.,][0-9]+)?"


def require_columns(table: SourceTable, columns: Iterable[str], key: str) -> None:
    """StudyError naming every one of `columns` that the table lacks, and the nearest it has."""
    absent = [column for column in dict.fromkeys(columns) if column not in table.columns]
    if absent:
        remedy = f"Correct {key} in study.toml, or the file."
        raise StudyError(
            [
                fault(
                    table.file,
                    table.header,
                    f"There is no column “{column}”.",
                    f"{near(column, table.columns)} {remedy}",
                    "missing column",
                )
                for column in absent
            ]
        )


def near(word: str, known: Sequence[str]) -> str:
    """A remedy that names the nearest of the `known` words, or all, or the first of very many."""
    told = nearest(word, known)
    return told if len(told) <= LONGEST_LIST else f"There are {len(known):,}, such as {', '.join(known[:5])}."


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
    """The table's rows of declared participants, and its notes with one on how many pilot rows were left out.

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
    notes = list(table.notes)
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
    reasons = {known: reason for known in study.participants if (reason := _why_rewritten(name, known))}
    if len(reasons) == 1:
        ((known, reason),) = reasons.items()
        return f"It may stand for “{known}”: {reason}. Correct the id, or declare it under [participants]."
    close = near(name, list(study.participants)).partition("Known here")[0].strip()
    close = close if close.startswith("Did you mean") else ""
    return f"Correct the id, or declare it under [participants]. {close}".strip()


def _why_rewritten(seen: str, declared: str) -> str:
    """How a spreadsheet program, or copying, may have made `seen` of a declared id; "" where it did not."""
    if _visible(seen) == _visible(declared) and seen.casefold() != declared.casefold():
        return "they differ in signs that look alike or are invisible"
    if re.fullmatch(NUMBER, declared) and re.fullmatch(NUMBER, seen.replace(",", ".")):
        precision = 1e-4 if "e" in seen.casefold() else 1e-15
        if isclose(float(seen.replace(",", ".")), float(declared), rel_tol=precision):
            scientific = "e" in (seen + declared).casefold()
            return (
                "spreadsheet programs show it as a number in scientific notation"
                if scientific
                else "spreadsheet programs drop zeros before and after a number"
            )
    if _time_of_day(seen) and _time_of_day(seen) == _time_of_day(declared):
        return "spreadsheet programs take it for a time of day"
    if _day_and_month(seen) and _day_and_month(seen) == _day_and_month(declared):
        return "spreadsheet programs take it for a date"
    return ""


def _visible(word: str) -> str:
    """`word` in plain forms of its letters, without case, spaces and what is not seen."""
    plain = unicodedata.normalize("NFKC", word).casefold()
    return "".join(sign for sign in plain if not sign.isspace() and unicodedata.category(sign) != "Cf")


def _time_of_day(word: str) -> int:
    """The minutes of a word such as 20:03, 20.03, 2003 or the part of a day 0.8354; 0 where it is none."""
    clock = re.fullmatch(r"(\d{1,2})[:.h]?(\d{2})(?::00)?", word)
    if clock:
        return int(clock[1]) * 60 + int(clock[2])
    return round(float(word.replace(",", ".")) * 1440) if re.fullmatch(r"0[.,]\d{3,}", word) else 0


def _day_and_month(word: str) -> frozenset[int]:
    """The day and the month of a word such as 3-4, 3/4, MAR4 or 2026-04-03, whichever is which."""
    plain = re.sub(r"[ T]00:00.*", "", word.casefold().strip())
    plain = re.sub(r"^\d{4}-(?=\d{2}-\d{2}$)", "", plain)
    plain = re.sub(r"^(\d{1,2}[./-]\d{1,2})[./-]\d{2,4}$|^(\d{1,2}\W+[^\W\d]+)\W+\d{2,4}$", r"\1\2", plain)
    for number, names in enumerate(_MONTHS, start=1):
        plain = re.sub(rf"({names})[^\W\d]*", f" {number} ", plain)
    parts = re.findall(r"\d+", plain)
    whole = re.fullmatch(r"[\d\s./-]+", plain) and len(parts) == 2 and all(len(part) <= 2 for part in parts)
    return frozenset(map(int, parts)) if whole else frozenset()


def matched(
    values: pd.Series, known: Mapping[str, str], file: str, what: str, remedy: str, faults: list[Finding]
) -> pd.Series:
    """Words of a column replaced by the ids they stand for; NaN where they stand for nothing, which is a fault.

    `known` maps words to ids. Case does not matter, but where words that differ in case alone stand for different ids.
    """
    words = values.str.strip()
    exact = {word.strip(): name for word, name in known.items()}
    lower = whatever_case(exact)
    ids = by_word(
        words,
        lambda distinct: distinct.map(exact).astype("str").fillna(distinct.str.casefold().map(lower).astype("str")),
    )
    faults += wrong_words(
        words[ids.isna()],
        file,
        f", column {values.name}",
        lambda word: f"“{word}” is no {what}." if word else f"No {what} is named.",
        lambda word: f"{near(word, sorted(exact))} {remedy}",
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


def by_word(words: pd.Series, meaning: Callable[[pd.Series], pd.Series]) -> pd.Series:
    """What `meaning` makes of each distinct one of `words`, for all of them: a column has few words and many rows."""
    import pandas as pd

    codes, distinct = pd.factorize(words, use_na_sentinel=False)
    return meaning(pd.Series(distinct, dtype="str")).take(codes).set_axis(words.index).rename(words.name)


def looked_up(words: pd.Series, known: Mapping[str, float]) -> pd.Series:
    """The number that each of `words` stands for; NaN where it stands for none."""
    return by_word(words, lambda distinct: distinct.map(known).astype(float))


def numbers(words: pd.Series, decimal: Decimal = "point") -> pd.Series:
    """Stripped `words` as floats; NaN where they are no number with that decimal mark (so for "inf", "nan")."""
    import pandas as pd

    def read(distinct: pd.Series) -> pd.Series:
        if decimal == "comma":
            distinct = distinct.where(~distinct.str.contains(".", regex=False), "").str.replace(",", ".", regex=False)
        return pd.to_numeric(distinct.where(distinct.str.fullmatch(NUMBER)), errors="coerce").astype(float)

    return by_word(words, read)


def mixed_marks(words: pd.Series, file: str) -> list[Finding]:
    """A fault where broken numbers of a column (words indexed by row) have decimal commas here and points there."""
    comma, point = (words[words.str.fullmatch(mark)] for mark in (COMMA_NUMBER, POINT_NUMBER))
    if comma.empty or point.empty:
        return []
    first, second = sorted((one.index[0], one.iloc[0]) for one in (comma, point))
    found = f"“{first[1]}” (row {first[0]}) and “{second[1]}” (row {second[0]}) have different decimal marks."
    remedy = 'Write all numbers of the file with one mark, and say which: reading = { decimal = "comma" } or "point".'
    return [fault(file, f"rows {first[0]} and {second[0]}, column {words.name}", found, remedy, "mixed decimal marks")]


def explained(word: str, decimal: Decimal) -> str:
    """Why a cell may not be the number or answer it was: what spreadsheet programs do, and marks inside numbers. "" if unknown."""
    if any(re.fullmatch(date, word, re.IGNORECASE) for date in _DATES) or re.fullmatch(_TIME, word):
        what = "time" if re.fullmatch(_TIME, word) else "date"
        return f"This is a {what}: spreadsheet programs make one of answers such as 1-2 or 1:2. Look at the export before it was opened there."
    if re.fullmatch(r"#+", word):
        return "The column was too narrow when this was saved. Widen it and save again."
    if word.startswith("#"):
        return "A formula could not be calculated here. Put the answer itself into the cell."
    if word.startswith("="):
        return "This is a formula, not its result. Save the sheet as values."
    if re.fullmatch(COMMA_NUMBER, word) and decimal == "point":
        return 'If the comma is a decimal mark, say so: reading = { decimal = "comma" }. Marks between thousands must be taken out.'
    if re.fullmatch(_THOUSANDS, word):
        return "Write numbers without marks between thousands."
    if re.fullmatch(POINT_NUMBER, word) and decimal == "comma":
        return 'The decimal mark of this file is a comma; if that is wrong, say so: reading = { decimal = "point" }.'
    return ""
