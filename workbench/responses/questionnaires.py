"""Questionnaire files to answers: one row per answer, each with its value and its origin.

Three layouts become one long table. Reversal and scoring are not done here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

from workbench.declared import nearest
from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, fault, gathering, read_table
from workbench.instrument import ResponseFormat
from workbench.measure import OCCASIONS
from workbench.responses.names import (
    condition_words,
    matched,
    numbers,
    require_columns,
    rows_named,
    whatever_case,
    without_pilots,
)
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
ONE_ANSWER = ["questionnaire", "instrument", "item", "participant", "condition", "occasion"]
"""The columns that tell one answer from every other."""
SKIPPED, NOT_APPLICABLE = "skipped", "not applicable"
PLACES_NAMED = 12
"""How many unreadable answers of one item, missing columns or double sessions are named one by one."""

Target = tuple[str, str, str]
"""Instrument, item, and the condition or occasion a column stands for ("" where rows say it)."""


@dataclass(frozen=True, slots=True, eq=False)
class Responses:
    """All answers of a study, at most one to each item in each setting.

    `answers` has a row per answer that a file has a cell for: questionnaire, instrument, item, participant, condition,
    occasion, raw (text as collected), value (number, NaN where missing or in words), missing ("", "skipped" or
    "not applicable"), and file, row, column as its origin. `findings` are those that do not block.
    """

    answers: pd.DataFrame
    findings: tuple[Finding, ...]


def read_responses(study: Study) -> Responses:
    """The answers in every questionnaire file of the study.

    An item that is left empty in one row and answered in another counts as answered; a finding names such rows.
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
                table = read_table(study.path(file), file)
                part, further = _answers_in(study, questionnaire, f"questionnaires[{number}]", table, faults)
                parts.append(part)
                notes += further
    answers = pd.concat(parts, ignore_index=True) if parts else _no_answers()
    faults += _given_twice(answers)
    if faults:
        raise StudyError(list(dict.fromkeys(faults)))
    return Responses(_one_answer_each(answers), (*notes, *_taken_together(answers)))


def _no_answers() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({name: [] for name in ANSWER_COLUMNS}, dtype="str").astype({"value": float, "row": int})


def _answers_in(
    study: Study, questionnaire: Questionnaire, key: str, table: SourceTable, faults: list[Finding]
) -> tuple[pd.DataFrame, list[Finding]]:
    """The answers in one file that could be read, with notes; what could not is added to `faults`."""
    names = questionnaire.columns
    required = [names.participant]
    if questionnaire.layout != "row_per_participant":
        required += {"per_condition": [names.condition], "before_after": [names.occasion], "once": []}[
            questionnaire.asked
        ]
    by_row = questionnaire.layout == "row_per_answer"
    if by_row:
        required += [names.item, names.answer]
    columns = {} if by_row else _item_columns(study, questionnaire, key, table, faults)
    require_columns(table, required, f"{key}.columns")
    frame, notes = without_pilots(table, names.participant, study, faults)
    frame = _with_setting(study, questionnaire, key, frame, table.file, faults)
    if by_row:
        long = _from_rows(study, questionnaire, key, frame, table.file, faults)
    else:
        long = _from_columns(frame, columns, "occasion" if questionnaire.asked == "before_after" else "condition")
    return _with_values(study, questionnaire, long, table.file, faults), notes


def _with_setting(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, file: str, faults: list[Finding]
) -> pd.DataFrame:
    """Add `·participant`, `·condition` and `·occasion`; rows whose setting is unknown are faults and left out."""
    condition = occasion = ""
    names, by_participant = questionnaire.columns, questionnaire.layout == "row_per_participant"
    if questionnaire.asked == "per_condition" and not by_participant:
        known, remedy = condition_words(study, questionnaire.condition_names), f"add it to {key}.condition_names."
        condition = matched(frame[names.condition], known, file, "condition", f"Correct it, or {remedy}", faults)
    if questionnaire.asked == "before_after" and not by_participant:
        known, remedy = _occasion_words(questionnaire), f"add it to {key}.occasion_names."
        occasion = matched(frame[names.occasion], known, file, "occasion", f"Correct it, or {remedy}", faults)
    whole = frame.assign(**{"·participant": frame[names.participant], "·condition": condition, "·occasion": occasion})
    return whole[whole["·condition"].notna() & whole["·occasion"].notna()]


def _occasion_words(questionnaire: Questionnaire) -> dict[str, str]:
    return {one: one for one in OCCASIONS} | dict(questionnaire.occasion_names)


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


def _setting_words(study: Study, questionnaire: Questionnaire) -> dict[str, str]:
    """Words by which columns name a condition or occasion, where columns do; else "" alone."""
    if questionnaire.layout != "row_per_participant" or questionnaire.asked == "once":
        return {"": ""}
    if questionnaire.asked == "before_after":
        return _occasion_words(questionnaire)
    return condition_words(study, questionnaire.condition_names)


def _expected_columns(study: Study, questionnaire: Questionnaire) -> dict[str, list[Target]]:
    """Every column that the pattern makes, and what it would hold: several things where the pattern cannot tell."""
    expected: dict[str, list[Target]] = {}
    words = _setting_words(study, questionnaire)
    for name, (instrument, item) in _items_by_name(study, questionnaire).items():
        made = questionnaire.columns.pattern.replace("{item}", name)
        for word, setting in words.items():
            targets = expected.setdefault(made.replace("{condition}", word).replace("{occasion}", word), [])
            if (instrument, item, setting) not in targets:
                targets.append((instrument, item, setting))
    return expected


def _named_columns(study: Study, questionnaire: Questionnaire, key: str, faults: list[Finding]) -> dict[str, Target]:
    """The columns that `items` names, and what each holds."""
    items, words = _items_by_name(study, questionnaire), _setting_words(study, questionnaire)
    lower = whatever_case(words)
    named = {}
    for column, target in questionnaire.items.items():
        name, at, word = target.partition("@")
        if name not in items:
            faults.append(_no_item(name, items, key))
        elif word in words or word.casefold() in lower:
            named[column] = (*items[name], words.get(word, lower.get(word.casefold(), "")))
        else:
            found = f"“{target}” should be an item, an @, and a condition or occasion."
            remedy = nearest(word, sorted(words))
            if words == {"": ""}:
                found, remedy = f"“{target}” should be an item alone.", f"Take off “{at}{word}”: here rows say it."
            faults.append(fault("study.toml", f"{key}.items", found, remedy, "wrong value"))
    return named


def _no_item(name: str, items: Mapping[str, tuple[str, str]], key: str) -> Finding:
    found = f"“{name}” is no item of this questionnaire."
    return fault("study.toml", f"{key}.items", found, nearest(name, sorted(items)), "unknown item")


def _item_columns(
    study: Study, questionnaire: Questionnaire, key: str, table: SourceTable, faults: list[Finding]
) -> dict[str, Target]:
    """The table's columns that hold items, one for each item and setting.

    An item without a column, a named column that is not there, two columns for one item and one column for two are `faults`.
    """
    by_name = _named_columns(study, questionnaire, key, faults)
    by_pattern = _expected_columns(study, questionnaire)
    held = _columns_held(table.columns, by_name, by_pattern)
    present = {column: targets[0] for column, targets in held.items() if len(targets) == 1}
    clear = set(present.values())
    unclear = {column: targets for column, targets in held.items() if len(targets) > 1 and not set(targets) <= clear}
    faults += [*_unclear(unclear, key, table.file), *_held_twice(present, key, table.file)]
    found = clear | {target for targets in unclear.values() for target in targets}
    lost = {column: target for column, target in by_name.items() if target not in found}
    faults += [
        fault(
            table.file,
            "row 1",
            f"No column “{column}” is there, which {key}.items names.",
            nearest(column, table.columns),
            "missing column",
        )
        for column in lost
    ]
    found |= set(lost.values())
    wanted: dict[Target, list[str]] = {}
    for column, targets in by_pattern.items():
        for target in targets:
            wanted.setdefault(target, []).append(column)
    free = [column for column in table.columns if column not in held]
    lacking = {target: possible for target, possible in wanted.items() if target not in found}
    faults += _without_column(lacking, key, table.file, free)
    one_each = {target: column for column, target in present.items()}
    return {column: target for target, column in one_each.items()}


def _columns_held(
    columns: Sequence[str], by_name: Mapping[str, Target], by_pattern: Mapping[str, list[Target]]
) -> dict[str, list[Target]]:
    """What each column of a table would hold: by name, else by pattern, whatever its case where no column fits exactly."""
    held = {
        column: [by_name[column]] if column in by_name else by_pattern[column]
        for column in columns
        if column in by_name or column in by_pattern
    }
    found = {target for targets in held.values() for target in targets}
    lower: dict[str, list[Target]] = {}
    for column, targets in by_pattern.items():
        several = lower.setdefault(column.casefold(), [])
        several += [target for target in targets if target not in several]
    for column in columns:
        targets = lower.get(column.casefold(), [])
        if column not in held and targets and not found & set(targets):
            held[column] = targets
    return held


def _unclear(unclear: Mapping[str, list[Target]], key: str, file: str) -> list[Finding]:
    if not unclear:
        return []
    column, targets = next(iter(unclear.items()))
    more = f", and {len(unclear) - 1} more columns are as unclear" if len(unclear) > 1 else ""
    found = f"Column “{column}” could hold {' or '.join(map(_target_named, targets))}{more}."
    remedy = f"Let {key}.columns.pattern tell them apart, such as “{{condition}}_{{item}}”, or name the columns under {key}.items."
    return [fault(file, "row 1", found, remedy, "contradiction")]


def _held_twice(present: Mapping[str, Target], key: str, file: str) -> list[Finding]:
    columns: dict[Target, list[str]] = {}
    for column, target in present.items():
        columns.setdefault(target, []).append(column)
    return [
        fault(
            file,
            "row 1",
            f"Columns {' and '.join(f'“{column}”' for column in several)} both hold {_target_named(target)}.",
            f"Keep one, or correct {key}.items.",
            "contradiction",
        )
        for target, several in columns.items()
        if len(several) > 1
    ]


def _target_named(target: Target) -> str:
    instrument, item, setting = target
    return f"{instrument}.{item}{f' in {setting}' if setting else ''}"


def _without_column(wanted: Mapping[Target, list[str]], key: str, file: str, free: Sequence[str]) -> list[Finding]:
    """A fault for each item that no column holds; `wanted` says which columns would, `free` which hold nothing else."""
    remedy = f"Name its column under {key}.items, or correct {key}.columns.pattern."
    faults = []
    for target, possible in list(wanted.items())[:PLACES_NAMED]:
        column = max(possible, key=lambda one: _likeness(one, free))
        close = nearest(column, free).replace("Known here:", "Other columns:")
        found = f"No column holds {_target_named(target)}."
        faults.append(fault(file, "row 1", found, f"Looked for “{column}”. {close} {remedy}", "missing column"))
    if len(wanted) > PLACES_NAMED:
        found = f"{len(wanted) - PLACES_NAMED} more items or settings have no column."
        faults.append(fault(file, "row 1", found, remedy, "missing column"))
    return faults


def _likeness(column: str, columns: Sequence[str]) -> float:
    return max((SequenceMatcher(None, column.casefold(), one.casefold()).ratio() for one in columns), default=0.0)


def _from_columns(frame: pd.DataFrame, columns: Mapping[str, Target], named: str) -> pd.DataFrame:
    """Answers of a table whose columns hold the items, and name the setting where rows do not: "condition" or "occasion"."""
    import pandas as pd

    parts = []
    for column, (instrument, item, setting) in columns.items():
        part = _setting_of(frame).assign(
            instrument=instrument, item=item, raw=frame[column], row=frame.index, column=column
        )
        parts.append(part.assign(**{named: setting}) if setting else part)
    return pd.concat(parts, ignore_index=True) if parts else _no_answers()


def _setting_of(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[["·participant", "·condition", "·occasion"]].set_axis(["participant", "condition", "occasion"], axis=1)


def _from_rows(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, file: str, faults: list[Finding]
) -> pd.DataFrame:
    """Answers of a table with a row per answer."""
    names = questionnaire.columns
    items = _items_by_name(study, questionnaire)
    faults += [_no_item(target, items, key) for target in questionnaire.items.values() if target not in items]
    known = {name: ".".join(target) for name, target in items.items()}
    known |= {word: ".".join(items[target]) for word, target in questionnaire.items.items() if target in items}
    remedy = f"Correct it, or name the item it stands for under {key}.items."
    which = matched(frame[names.item], known, file, "item", remedy, faults)
    long = _setting_of(frame).assign(
        instrument=which.map({".".join(target): target[0] for target in items.values()}),
        item=which.map({".".join(target): target[1] for target in items.values()}),
        raw=frame[names.answer],
        row=frame.index,
        column=names.answer,
    )
    return long[which.notna()].reset_index(drop=True)


def _with_values(
    study: Study, questionnaire: Questionnaire, long: pd.DataFrame, file: str, faults: list[Finding]
) -> pd.DataFrame:
    """Add value, missing, questionnaire and file; answers that cannot be read are `faults`."""
    import pandas as pd

    long = long.assign(raw=long["raw"].str.strip(), questionnaire=questionnaire.id, file=file)
    parts = []
    for (instrument, item), rows in long.groupby(["instrument", "item"], sort=False):
        response = study.instruments[str(instrument)].response_of(str(item))
        part, unreadable = _read_answers(rows, response, questionnaire)
        parts.append(part)
        faults += _unreadable(part[unreadable], response, file)
    return (
        pd.concat(parts, ignore_index=True).astype(_no_answers().dtypes)[list(ANSWER_COLUMNS)]
        if parts
        else _no_answers()
    )


def _read_answers(
    rows: pd.DataFrame, response: ResponseFormat, questionnaire: Questionnaire
) -> tuple[pd.DataFrame, pd.Series]:
    """`rows` of one item with value and missing, and which of them cannot be read."""
    import numpy as np
    import pandas as pd

    words = rows["raw"].str.casefold()
    missing = pd.Series("", index=rows.index, dtype="str")
    missing[words.isin(["", *(word.strip().casefold() for word in questionnaire.missing_words)])] = SKIPPED
    missing[words.isin([word.strip().casefold() for word in questionnaire.not_applicable_words])] = NOT_APPLICABLE
    if response.kind == "text":
        return rows.assign(value=np.nan, missing=missing), pd.Series(False, index=rows.index)
    known = {word.strip(): value for word, value in response.words.items()}
    value = words.map(known).astype(float).fillna(numbers(rows["raw"])).where(missing == "")
    unreadable = (missing == "") & (value.isna() | ~_on_scale(value, response))
    return rows.assign(value=value, missing=missing), unreadable


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
    rest = rows.iloc[PLACES_NAMED:]
    for column, part in rest.groupby("column", sort=False):
        more = f"{len(part)} more answers are not on this response scale."
        named.append(fault(file, f"{rows_named(part['row'])}, column {column}", more, remedy, "off the response scale"))
    return named


def _given_twice(answers: pd.DataFrame) -> list[Finding]:
    """A fault for each participant and setting that has answers to the same item twice."""
    given = answers[answers["missing"] != SKIPPED]
    repeated = given[given.duplicated(ONE_ANSWER, keep=False)]
    found = "{participant} answered {n} items of “{questionnaire}” twice{setting}: {places}."
    return [
        fault(file, rows, told, "Keep the row that counts, and note in the study why.", "duplicate")
        for file, rows, told in _by_session(repeated, found)
    ]


def _taken_together(answers: pd.DataFrame) -> list[Finding]:
    """A finding for each participant and setting whose answers stand in several rows, no item answered twice."""
    repeated = answers[answers.duplicated(ONE_ANSWER, keep=False)]
    found = (
        "{participant} has {n} items of “{questionnaire}” in more than one row{setting}, none answered twice: {places}."
    )
    remedy = "The answers are taken together; check that they belong to one session."
    return [
        Finding("attention", "several rows", file, rows, told, remedy)
        for file, rows, told in _by_session(repeated, found)
    ]


def _by_session(repeated: pd.DataFrame, found: str) -> list[tuple[str, str, str]]:
    """File, rows and a sentence for each participant and setting in `repeated`, beyond PLACES_NAMED for the rest at once."""
    sessions = repeated.groupby(["questionnaire", "participant", "condition", "occasion"], sort=False)
    number = sessions.ngroup()
    told = []
    for (questionnaire, participant, condition, occasion), rows in repeated[number < PLACES_NAMED].groupby(
        ["questionnaire", "participant", "condition", "occasion"], sort=False
    ):
        places = " and ".join(
            f"{file} {rows_named(dict.fromkeys(part['row']))}" for file, part in rows.groupby("file", sort=False)
        )
        named = f"{condition}{occasion}"
        sentence = found.format(
            participant=participant,
            questionnaire=questionnaire,
            n=len(rows[["instrument", "item"]].drop_duplicates()),
            setting=f" for {named}" if named else "",
            places=places,
        )
        file = str(rows["file"].iloc[0])
        told.append((file, rows_named(dict.fromkeys(rows.loc[rows["file"] == file, "row"])), sentence))
    rest = repeated[number >= PLACES_NAMED]
    if len(rest):
        more = f"{sessions.ngroups - PLACES_NAMED} more participants and settings are concerned."
        told.append((str(rest["file"].iloc[0]), rows_named(dict.fromkeys(rest["row"])), more))
    return told


def _one_answer_each(answers: pd.DataFrame) -> pd.DataFrame:
    """`answers` without the empty cells of items that are answered, or empty, elsewhere too."""
    if not answers.duplicated(ONE_ANSWER).any():
        return answers
    given_first = answers.assign(empty=answers["missing"] == SKIPPED).sort_values("empty", kind="stable")
    return answers.loc[given_first.drop_duplicates(ONE_ANSWER).index.sort_values()].reset_index(drop=True)
