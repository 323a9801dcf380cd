"""Tables of trials to measures: repeated trials are summarized per participant and condition.

Trials of one person are not independent of each other, so no test ever sees single trials.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import COMMA_NUMBER, POINT_NUMBER, Decimal, SourceTable, gathering
from workbench.measure import SETTING, Measure, on_the_whole_grid, settings, with_exclusions, without_excluded
from workbench.responses.names import (
    condition_words,
    explained,
    matched,
    mixed_marks,
    numbers,
    require_columns,
    without_pilots,
    wrong_words,
)
from workbench.study import Study, TrialMeasure, Trials

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class TrialMeasures:
    """The measures made of trials; `findings` are those that do not block."""

    measures: tuple[Measure, ...]
    findings: tuple[Finding, ...]


def read_trials(study: Study) -> TrialMeasures:
    """Every trial measure that study.toml declares.

    Raises StudyError for unknown columns, participants, conditions and cells that are no numbers.
    """
    faults: list[Finding] = []
    notes: list[Finding] = []
    measures: list[Measure] = []
    for number, trials in enumerate(study.declared.trials, start=1):
        parts = []
        for file in trials.files:
            with gathering(faults):
                part, further = _rows(study, trials, f"trials[{number}]", file, faults)
                parts.append(part)
                notes += further
        if not faults:
            measures += [_measure(study, one, parts) for one in trials.measures]
    if faults:
        raise StudyError(faults)
    return TrialMeasures(tuple(measures), tuple(notes))


@dataclass(frozen=True, slots=True, eq=False)
class _Trials:
    """The trials of one file: participant, condition, occasion, file, row, and the value of each measure in each row."""

    settings: pd.DataFrame
    values: dict[str, pd.Series]


def _rows(study: Study, trials: Trials, key: str, file: str, faults: list[Finding]) -> tuple[_Trials, list[Finding]]:
    table = study.table(file, trials.reading)
    require_columns(table, _columns_needed(trials), key)
    frame, notes = without_pilots(table, trials.participant, study, faults)
    known = condition_words(study, {})
    condition = matched(frame[trials.condition], known, file, "condition", "Correct it.", faults)
    settings = (
        frame[[trials.participant]]
        .set_axis(["participant"], axis=1)
        .assign(condition=condition, occasion="", file=file, row=frame.index)
    )
    numeric = {name for one in trials.measures if one.summary != "share" for name in (one.column, one.minus) if name}
    columns = {name: _numbers(frame[name].str.strip(), table, faults) for name in sorted(numeric)}
    values = {
        one.id: _share_rows(one, frame, table.decimal) if one.summary == "share" else _number_rows(one, columns)
        for one in trials.measures
    }
    return _Trials(settings, values), notes


def _columns_needed(trials: Trials) -> list[str]:
    needed = [trials.participant, trials.condition]
    for one in trials.measures:
        needed += [name for name in (one.column, one.minus, _column_in_brackets(one)) if name]
    return needed


def _column_in_brackets(one: TrialMeasure) -> str:
    if one.summary != "share" or not one.equals:
        return ""
    return one.equals[1:-1] if one.equals.startswith("[") and one.equals.endswith("]") else ""


def _numbers(words: pd.Series, table: SourceTable, faults: list[Finding]) -> pd.Series:
    found = numbers(words, table.decimal)
    wrong = words[(words != "") & found.isna()]
    mixed = mixed_marks(words, table.file)
    faults += mixed
    faults += wrong_words(
        wrong[~wrong.str.fullmatch(f"{COMMA_NUMBER}|{POINT_NUMBER}")] if mixed else wrong,
        table.file,
        f", column {words.name}",
        lambda word: f"“{word[:60]}” is not a number.",
        lambda word: explained(word, table.decimal) or "Correct it, or leave the cell empty.",
        "wrong value",
    )
    return found


def _share_rows(one: TrialMeasure, frame: pd.DataFrame, decimal: Decimal) -> pd.Series:
    """1 where the answer is the one counted (as a word in any case, or as a number), 0 where not, NaN without either."""
    import pandas as pd

    answers = frame[one.column].str.strip().str.casefold()
    column = _column_in_brackets(one)
    counted = (
        frame[column].str.strip().str.casefold()
        if column
        else pd.Series((one.equals or "").strip().casefold(), index=answers.index, dtype="str")
    )
    alike = (answers == counted) | (numbers(answers, decimal) == numbers(counted, decimal))
    return alike.astype(float).where((answers != "") & (counted != ""))


def _number_rows(one: TrialMeasure, columns: dict[str, pd.Series]) -> pd.Series:
    values = columns[one.column] - columns[one.minus] if one.minus else columns[one.column]
    return values.abs() if one.absolute else values


def _measure(study: Study, one: TrialMeasure, parts: Sequence[_Trials]) -> Measure:
    import pandas as pd

    trials = pd.concat([part.settings.assign(value=part.values[one.id]) for part in parts], ignore_index=True)
    grouped = trials.groupby(SETTING)["value"]
    found = pd.DataFrame(
        {
            "value": grouped.median() if one.summary == "median" else grouped.mean(),
            "standard_error": float("nan") if one.summary == "median" else grouped.sem(),
            "reason": [
                "" if given else f"{size} trials, none with a value"
                for size, given in zip(grouped.size(), grouped.count(), strict=True)
            ],
        }
    ).reset_index()
    whole = on_the_whole_grid(found, study.participants, settings("per_condition", study.conditions))
    values = with_exclusions(whole, one.id, study.declared.exclusions)
    given = trials.dropna(subset="value").assign(item="")[[*SETTING, "item", "value", "file", "row"]]
    low, high = (0.0, 1.0) if one.summary == "share" else (float("nan"), float("nan"))
    return Measure(
        one.id,
        one.label,
        one.unit,
        one.higher,
        "trials",
        "per_condition",
        values,
        without_excluded(given, values),
        low,
        high,
    )
