"""Tables of trials to measures: repeated trials are summarized per participant and condition.

Trials of one person are not independent of each other, so no test ever sees single trials.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault, gathering, read_table
from workbench.measure import SETTING, Measure, on_the_whole_grid, settings, with_exclusions, without_excluded
from workbench.responses.names import condition_words, matched, require_columns, rows_named, without_pilots
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
    measures = []
    for number, trials in enumerate(study.declared.trials, start=1):
        with gathering(faults):
            frame, further = _rows(study, trials, f"trials[{number}]")
            measures += [_measure(study, one, frame) for one in trials.measures]
            notes += further
    if faults:
        raise StudyError(faults)
    return TrialMeasures(tuple(measures), tuple(notes))


def _rows(study: Study, trials: Trials, key: str) -> tuple[pd.DataFrame, list[Finding]]:
    import pandas as pd

    faults: list[Finding] = []
    notes: list[Finding] = []
    parts = []
    for file in trials.files:
        with gathering(faults):
            table = read_table(study.path(file), file)
            require_columns(table, _columns_needed(trials), key)
            frame, further = without_pilots(table, trials.participant, study)
            condition = matched(frame[trials.condition], condition_words(study, {}), file, "condition", "Correct it.")
            notes += further
            parts.append(_numbers(trials, frame.assign(**{trials.condition: condition}), table))
    if faults:
        raise StudyError(faults)
    return pd.concat(parts, ignore_index=True), notes


def _columns_needed(trials: Trials) -> list[str]:
    needed = [trials.participant, trials.condition]
    for one in trials.measures:
        needed += [
            one.column,
            *([one.minus] if one.minus else []),
            *([_column_in_brackets(one)] if _column_in_brackets(one) else []),
        ]
    return needed


def _column_in_brackets(one: TrialMeasure) -> str:
    return one.equals[1:-1] if one.equals and one.equals.startswith("[") and one.equals.endswith("]") else ""


def _numbers(trials: Trials, frame: pd.DataFrame, table: SourceTable) -> pd.DataFrame:
    """The measures' row values as columns named by measure; StudyError for cells that are no numbers."""
    import pandas as pd

    faults: list[Finding] = []
    out = (
        frame[[trials.participant, trials.condition]].set_axis(["participant", "condition"], axis=1).assign(occasion="")
    )
    numeric = {name for one in trials.measures if one.summary != "share" for name in (one.column, one.minus) if name}
    numbers = {}
    for name in sorted(numeric):
        words = frame[name].str.strip()
        numbers[name] = pd.to_numeric(words.where(words != ""), errors="coerce")
        wrong = words[(words != "") & numbers[name].isna()]
        faults += [
            fault(
                table.file,
                f"{rows_named(wrong.index[wrong == word])}, column {name}",
                f"“{word[:60]}” is not a number.",
                "Correct it, or leave the cell empty.",
                "wrong value",
            )
            for word in dict.fromkeys(wrong)
        ]
    if faults:
        raise StudyError(faults)
    for one in trials.measures:
        out[one.id] = _share_rows(one, frame) if one.summary == "share" else _number_rows(one, numbers)
    return out


def _share_rows(one: TrialMeasure, frame: pd.DataFrame) -> pd.Series:
    words = frame[one.column].str.strip().str.casefold()
    target = (
        frame[_column_in_brackets(one)].str.strip().str.casefold()
        if _column_in_brackets(one)
        else (one.equals or "").strip().casefold()
    )
    return (words == target).astype(float).where(words != "")


def _number_rows(one: TrialMeasure, numbers: dict[str, pd.Series]) -> pd.Series:
    values = numbers[one.column] - numbers[one.minus] if one.minus else numbers[one.column]
    return values.abs() if one.absolute else values


def _measure(study: Study, one: TrialMeasure, frame: pd.DataFrame) -> Measure:
    given = frame[[*SETTING, one.id]].rename(columns={one.id: "value"}).dropna(subset="value")
    grouped = given.groupby(SETTING)["value"]
    found = (grouped.median() if one.summary == "median" else grouped.mean()).reset_index()
    found["standard_error"] = float("nan") if one.summary == "median" else grouped.sem().to_numpy()
    whole = on_the_whole_grid(found.assign(reason=""), study.participants, settings("per_condition", study.conditions))
    values = with_exclusions(whole, one.id, study.declared.exclusions)
    rows = without_excluded(given.assign(item="")[[*SETTING, "item", "value"]], values)
    low, high = (0.0, 1.0) if one.summary == "share" else (float("nan"), float("nan"))
    return Measure(one.id, one.label, one.unit, one.higher, "trials", "per_condition", values, rows, low, high)
