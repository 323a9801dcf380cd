"""Questionnaire files to answers: one row per answer, each with its value and its origin.

Three layouts become one long table. Reversal and scoring are not done here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault, gathering, read_table
from workbench.instrument import ResponseFormat
from workbench.measure import OCCASIONS
from workbench.responses.names import condition_words, matched, require_columns, rows_named, without_pilots
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import pandas as pd

ANSWER_COLUMNS = (
    "questionnaire",
    "instrument",
    "item",
    "participant",
    "condition",
    "occasion",
    "raw",
    "value",
    "missing",
    "file",
    "row",
    "column",
)
SKIPPED, NOT_APPLICABLE = "skipped", "not applicable"
PLACES_NAMED = 12
"""How many unreadable answers of one column are named one by one."""


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """All answers of a study.

    `answers` has a row per answer that a file has a cell for: questionnaire, instrument, item, participant, condition,
    occasion, raw (text as collected), value (number, NaN where missing or in words), missing ("", "skipped" or
    "not applicable"), and file, row, column as its origin. `findings` are those that do not block.
    """

    answers: pd.DataFrame
    findings: tuple[Finding, ...]


def read_responses(study: Study) -> Responses:
    """The answers in every questionnaire file of the study.

    Raises StudyError with all faults of all files at once: columns, participants, conditions and
    answers that are unknown, answers off their response scale, and answers given twice.
    """
    import pandas as pd

    faults: list[Finding] = []
    notes: list[Finding] = []
    parts = []
    for number, questionnaire in enumerate(study.declared.questionnaires, start=1):
        for file in questionnaire.files:
            with gathering(faults):
                part, further = _answers_in(
                    study, questionnaire, f"questionnaires[{number}]", read_table(study.path(file), file)
                )
                parts.append(part)
                notes += further
    answers = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({name: [] for name in ANSWER_COLUMNS})
    faults += _given_twice(answers)
    if faults:
        raise StudyError(faults)
    return Responses(answers, tuple(notes))


def _answers_in(
    study: Study, questionnaire: Questionnaire, key: str, table: SourceTable
) -> tuple[pd.DataFrame, list[Finding]]:
    names = questionnaire.columns
    required = [names.participant]
    if questionnaire.layout != "row_per_participant":
        required += {"per_condition": [names.condition], "before_after": [names.occasion], "once": []}[
            questionnaire.asked
        ]
    if questionnaire.layout == "row_per_answer":
        required += [names.item, names.answer]
    require_columns(table, required, f"{key}.columns")
    faults: list[Finding] = []
    frame, notes = table.frame, list[Finding]()
    with gathering(faults):
        frame, notes = without_pilots(table, names.participant, study)
    with gathering(faults):
        frame = _with_setting(study, questionnaire, key, frame, table)
    long = None
    with gathering(faults):
        long = (_from_rows if questionnaire.layout == "row_per_answer" else _from_columns)(
            study, questionnaire, key, frame, table
        )
    if long is not None:
        with gathering(faults):
            long = _with_values(study, questionnaire, long, table.file)
    if faults or long is None:
        raise StudyError(faults)
    return long, notes


def _with_setting(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, table: SourceTable
) -> pd.DataFrame:
    """Add `condition` and `occasion` ids for layouts whose rows name them."""
    frame = frame.rename(columns={questionnaire.columns.participant: "·participant"})
    condition = occasion = ""
    if questionnaire.layout != "row_per_participant" and questionnaire.asked == "per_condition":
        column, known = questionnaire.columns.condition, condition_words(study, questionnaire.condition_names)
        condition = matched(
            frame[column], known, table.file, "condition", f"Correct it, or add it to {key}.condition_names."
        )
    if questionnaire.layout != "row_per_participant" and questionnaire.asked == "before_after":
        column, words = (
            questionnaire.columns.occasion,
            {one: one for one in OCCASIONS} | dict(questionnaire.occasion_names),
        )
        occasion = matched(
            frame[column], words, table.file, "occasion", f"Correct it, or add it to {key}.occasion_names."
        )
    return frame.assign(**{"·condition": condition, "·occasion": occasion})


def _items_by_name(study: Study, questionnaire: Questionnaire) -> dict[str, tuple[str, str]]:
    """Names an item answers to, and (instrument, item): its qualified name, and its plain one where that is unique."""
    names: dict[str, tuple[str, str]] = {}
    plain = [item.id for use in questionnaire.instruments for item in study.instruments[use.id].items]
    for use in questionnaire.instruments:
        for item in study.instruments[use.id].items:
            names[f"{use.id}.{item.id}"] = (use.id, item.id)
            if plain.count(item.id) == 1:
                names[item.id] = (use.id, item.id)
    return names


def _item_named(name: str, items: Mapping[str, tuple[str, str]], place: str) -> tuple[str, str]:
    if name not in items:
        raise StudyError(
            [
                fault(
                    "study.toml",
                    place,
                    f"“{name}” is no item of this questionnaire.",
                    nearest(name, sorted(items)),
                    "unknown item",
                )
            ]
        )
    return items[name]


def _expected_columns(study: Study, questionnaire: Questionnaire, key: str) -> dict[str, tuple[str, str, str]]:
    """Every column an answer may stand in, and its (instrument, item, condition or occasion)."""
    items = _items_by_name(study, questionnaire)
    words: dict[str, str] = {"": ""}
    if questionnaire.layout == "row_per_participant" and questionnaire.asked == "per_condition":
        words = condition_words(study, questionnaire.condition_names)
    elif questionnaire.layout == "row_per_participant" and questionnaire.asked == "before_after":
        words = {one: one for one in OCCASIONS} | dict(questionnaire.occasion_names)
    expected = {}
    for name, (instrument, item) in items.items():
        for word, setting in words.items():
            column = (
                questionnaire.columns.pattern.replace("{item}", name)
                .replace("{condition}", word)
                .replace("{occasion}", word)
            )
            expected[column] = (instrument, item, setting)
    for column, target in questionnaire.items.items():
        name, _, word = target.partition("@")
        if word not in words:
            known = nearest(word, sorted(word for word in words if word))
            raise StudyError(
                [
                    fault(
                        "study.toml",
                        f"{key}.items",
                        f"“{target}” should be an item, an @, and a condition or occasion.",
                        known,
                        "wrong value",
                    )
                ]
            )
        expected[column] = (*_item_named(name, items, f"{key}.items"), words[word])
    return expected


def _from_columns(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, table: SourceTable
) -> pd.DataFrame:
    """Answers of a table whose columns hold the items."""
    import pandas as pd

    expected = _expected_columns(study, questionnaire, key)
    present = {column: target for column, target in expected.items() if column in table.columns}
    faults = [
        fault(
            table.file,
            "row 1",
            f"No column “{column}” is there, which {key}.items names.",
            nearest(column, table.columns),
            "missing column",
        )
        for column in questionnaire.items
        if column not in table.columns
    ]
    faults += _items_without_column(expected, present, key, table)
    faults += [
        fault(
            table.file,
            "row 1",
            f"Columns {' and '.join(f'“{column}”' for column in columns)} both hold {'.'.join(target[:2])}.",
            f"Keep one, or correct {key}.items.",
            "contradiction",
        )
        for target, columns in _columns_by_target(present).items()
        if len(columns) > 1
    ]
    if faults:
        raise StudyError(faults)
    parts = []
    for column, (instrument, item, setting) in present.items():
        part = frame[["·participant", "·condition", "·occasion"]].set_axis(
            ["participant", "condition", "occasion"], axis=1
        )
        if setting:
            part = part.assign(**{"condition" if questionnaire.asked == "per_condition" else "occasion": setting})
        parts.append(part.assign(instrument=instrument, item=item, raw=frame[column], row=frame.index, column=column))
    return pd.concat(parts, ignore_index=True)


def _columns_by_target(present: Mapping[str, tuple[str, str, str]]) -> dict[tuple[str, str, str], list[str]]:
    columns: dict[tuple[str, str, str], list[str]] = {}
    for column, target in present.items():
        columns.setdefault(target, []).append(column)
    return columns


def _items_without_column(
    expected: Mapping[str, tuple[str, str, str]],
    present: Mapping[str, tuple[str, str, str]],
    key: str,
    table: SourceTable,
) -> list[Finding]:
    faults = []
    for target in dict.fromkeys(expected.values()):
        if target not in present.values():
            instrument, item, setting = target
            column = next(column for column, candidate in expected.items() if candidate == target)
            where = f" in “{setting}”" if setting else ""
            remedy = f"Looked for “{column}”. {_close_columns(item, column, table.columns)} Name its column under {key}.items, or correct {key}.columns.pattern."
            faults.append(
                fault(
                    table.file,
                    "row 1",
                    f"No column holds item “{item}” of {instrument}{where}.",
                    remedy,
                    "missing column",
                )
            )
    return faults


def _close_columns(item: str, column: str, columns: list[str]) -> str:
    return nearest(column, columns).replace("Known here:", "Columns here:")


def _from_rows(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, table: SourceTable
) -> pd.DataFrame:
    """Answers of a table with a row per answer."""
    names = questionnaire.columns
    items = _items_by_name(study, questionnaire)
    known = {name: ".".join(target) for name, target in items.items()}
    known |= {
        word: ".".join(_item_named(target, items, f"{key}.items")) for word, target in questionnaire.items.items()
    }
    which = matched(
        frame[names.item], known, table.file, "item", f"Correct it, or name the item it stands for under {key}.items."
    )
    long = frame[["·participant", "·condition", "·occasion"]].set_axis(["participant", "condition", "occasion"], axis=1)
    return long.assign(
        instrument=which.str.split(".", n=1).str[0],
        item=which.str.split(".", n=1).str[1],
        raw=frame[names.answer],
        row=frame.index,
        column=names.answer,
    ).reset_index(drop=True)


def _with_values(study: Study, questionnaire: Questionnaire, long: pd.DataFrame, file: str) -> pd.DataFrame:
    """Add value, missing, questionnaire and file; StudyError for every answer that cannot be read."""
    import pandas as pd

    long = long.assign(raw=long["raw"].str.strip(), questionnaire=questionnaire.id, file=file)
    faults: list[Finding] = []
    parts = []
    for (instrument, item), rows in long.groupby(["instrument", "item"], sort=False):
        part, further = _read_answers(rows, study.instruments[instrument].response_of(item), questionnaire, file)
        parts.append(part)
        faults += further
    if faults:
        raise StudyError(faults)
    return (
        pd.concat(parts, ignore_index=True)[list(ANSWER_COLUMNS)]
        if parts
        else pd.DataFrame({name: [] for name in ANSWER_COLUMNS})
    )


def _read_answers(
    rows: pd.DataFrame, response: ResponseFormat, questionnaire: Questionnaire, file: str
) -> tuple[pd.DataFrame, list[Finding]]:
    import numpy as np
    import pandas as pd

    words = rows["raw"].str.casefold()
    missing = pd.Series("", index=rows.index, dtype="str")
    missing[words.isin(["", *(word.casefold() for word in questionnaire.missing_words)])] = SKIPPED
    missing[words.isin([word.casefold() for word in questionnaire.not_applicable_words])] = NOT_APPLICABLE
    if response.kind == "text":
        return rows.assign(value=np.nan, missing=missing), []
    value = words.map(response.words).astype(float)
    value = value.fillna(
        pd.to_numeric(rows["raw"].where(rows["raw"].str.fullmatch(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?")), errors="coerce")
    ).where(missing == "")
    unreadable = (missing == "") & (value.isna() | ~_on_scale(value, response))
    return rows.assign(value=value, missing=missing), _unreadable(rows[unreadable], response, file)


def _on_scale(value: pd.Series, response: ResponseFormat) -> pd.Series:
    if response.kind == "choice":
        return value.isin([float(choice.value) for choice in response.choices])
    low, high = response.range
    inside = value.between(low, high)
    return inside & (value == value.round()) if response.kind == "likert" else inside


def _unreadable(rows: pd.DataFrame, response: ResponseFormat, file: str) -> list[Finding]:
    low, high = response.range
    if response.kind == "choice":
        needed = (
            "One of " + ", ".join(f"{choice.value} ({choice.label})" for choice in response.choices) + " is needed."
        )
    else:
        needed = f"{'A whole number' if response.kind == 'likert' else 'A number'} from {low:g} to {high:g} is needed."
    remedy = f"{needed} If it stands for no answer, list it under missing_words."
    named = [
        fault(
            file,
            f"row {row.row}, column {row.column}",
            f"“{row.raw[:60]}” is not an answer on this response scale.",
            remedy,
            "off the response scale",
        )
        for row in rows.head(PLACES_NAMED).itertuples()
    ]
    if len(rows) > PLACES_NAMED:
        rest = rows.iloc[PLACES_NAMED:]
        named.append(
            fault(
                file,
                f"column {rest['column'].iloc[0]}, {rows_named(rest['row'])}",
                f"{len(rest)} more answers are not on this response scale.",
                remedy,
                "off the response scale",
            )
        )
    return named


def _given_twice(answers: pd.DataFrame) -> list[Finding]:
    """A fault for each participant and setting that has answers to the same item twice."""
    which = ["questionnaire", "instrument", "item", "participant", "condition", "occasion"]
    given = answers[answers["missing"] == ""]
    repeated = given[given.duplicated(which, keep=False)]
    faults = []
    for (questionnaire, participant, condition, occasion), rows in repeated.groupby(
        ["questionnaire", "participant", "condition", "occasion"], sort=False
    ):
        places = " and ".join(
            f"{file} {rows_named(dict.fromkeys(part['row']))}" for file, part in rows.groupby("file", sort=False)
        )
        setting = " ".join(part for part in (condition, occasion) if part)
        found = f"{participant} answered {rows['item'].nunique()} items of “{questionnaire}” twice{f' for {setting}' if setting else ''}: {places}."
        faults.append(
            fault(
                str(rows["file"].iloc[0]),
                rows_named(dict.fromkeys(rows["row"])),
                found,
                "Keep the row that counts, and note in the study why.",
                "duplicate",
            )
        )
    return faults
