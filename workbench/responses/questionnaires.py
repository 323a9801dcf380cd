"""Questionnaire files to answers: one row per answer, each with its value and its origin.

Three layouts become one long table. Reversal and scoring are not done here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import COMMA_NUMBER, POINT_NUMBER, Decimal, SourceTable, fault, gathering
from workbench.instrument import ResponseFormat
from workbench.measure import OCCASIONS
from workbench.responses.names import (
    by_word,
    condition_words,
    explained,
    matched,
    mixed_marks,
    near,
    numbers,
    require_columns,
    rows_named,
    whatever_case,
    without_pilots,
)
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import numpy as np
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
ONE_SESSION = ["questionnaire", "participant", "condition", "occasion"]
ONE_ANSWER = ["questionnaire", "instrument", "item", "participant", "condition", "occasion"]
"""The columns that tell one answer from every other."""
SKIPPED, NOT_APPLICABLE = "skipped", "not applicable"
PLACES_NAMED = 12
"""How many unreadable answers of one item, missing columns or double sessions are named one by one."""

MOST_COMPARED = 200
"""How many columns of a table are compared to find the name that was meant."""

SAID_TWICE = re.compile(r"(?P<point>[+-]?\d+)\W+(?P<words>.+)|(?P<first>.+?)\W+(?P<last>\d+)\W*", re.DOTALL)
"""An answer that gives a point and its words: “7 - Completely”, “Completely (7)”."""

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
                table = study.table(file, questionnaire.reading)
                part, further = _answers_in(study, questionnaire, f"questionnaires[{number}]", table, faults)
                parts.append(part)
                notes += further
    answers = pd.concat(parts, ignore_index=True) if parts else _no_answers()
    once, further = _once_each(answers, faults)
    if faults:
        raise StudyError(list(dict.fromkeys(faults)))
    return Responses(once, (*dict.fromkeys(notes), *further))


def answers_in_table(
    study: Study, questionnaire: Questionnaire, number: int, table: SourceTable
) -> tuple[pd.DataFrame, list[Finding], list[Finding]]:
    """The answers that can be read from one table, as `read_responses` reads them; faults that block; and notes.

    `number` is the questionnaire's place in study.toml, from 1, for the faults to name.
    """
    faults: list[Finding] = []
    notes: list[Finding] = []
    answers = _no_answers()
    with gathering(faults):
        answers, notes = _answers_in(study, questionnaire, f"questionnaires[{number}]", table, faults)
    once, further = _once_each(answers, faults)
    return once, list(dict.fromkeys(faults)), [*notes, *further]


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
    counted, left_out = _without_rows_left_out(questionnaire, key, table, faults)
    frame, notes = without_pilots(counted, names.participant, study, faults)
    notes += left_out
    frame = with_setting(study, questionnaire, key, frame, table.file, faults)
    if by_row:
        long = _from_rows(study, questionnaire, key, frame, table.file, faults)
    else:
        long = _from_columns(frame, columns, "occasion" if questionnaire.asked == "before_after" else "condition")
    answers = _with_values(study, questionnaire, long, table, faults)
    return _turned_round(study, questionnaire, key, answers, table.file, faults, notes), notes


def _without_rows_left_out(
    questionnaire: Questionnaire, key: str, table: SourceTable, faults: list[Finding]
) -> tuple[SourceTable, list[Finding]]:
    """The table but for rows that study.toml leaves out, and a note on each; a row that is not the participant's is a fault."""
    left_out = [one for one in questionnaire.rows_left_out if one.file == table.file]
    ids = table.frame[questionnaire.columns.participant].str.strip()
    notes = []
    for one in left_out:
        if ids.get(one.row) == one.participant:
            found = f"A row of {one.participant} does not count: {one.reason.rstrip('.')}."
            notes.append(Finding("note", "row left out", table.file, f"row {one.row}", found, ""))
        else:
            found = f"Row {one.row}, which is to be left out, is no row of {one.participant}."
            faults.append(fault(table.file, f"row {one.row}", found, f"Correct {key}.rows_left_out.", "contradiction"))
    frame = table.frame.drop(index=[one.row for one in left_out], errors="ignore")
    return replace(table, frame=frame), notes


def _turned_round(
    study: Study,
    questionnaire: Questionnaire,
    key: str,
    answers: pd.DataFrame,
    file: str,
    faults: list[Finding],
    notes: list[Finding],
) -> pd.DataFrame:
    """The answers with those turned round whose key was wrong in this file: low + high - answer."""
    items = _items_by_name(study, questionnaire)
    for one in questionnaire.turned_round:
        if one.file != file:
            continue
        if one.item not in items:
            faults.append(_no_item(one.item, items, f"{key}.turned_round"))
            continue
        instrument, item = items[one.item]
        mine = (answers["instrument"] == instrument) & (answers["item"] == item)
        answers.loc[mine, "value"] = (
            sum(study.instruments[instrument].response_of(item).range) - answers.loc[mine, "value"]
        )
        found = f"{int(mine.sum())} answers to {one.item} are turned round: {one.reason}."
        notes.append(Finding("note", "turned round", file, f"item {one.item}", found, ""))
    return answers


def with_setting(
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
            faults.append(_no_item(name, items, f"{key}.items"))
        elif word in words or word.casefold() in lower:
            named[column] = (*items[name], words.get(word, lower.get(word.casefold(), "")))
        else:
            found = f"“{target}” should be an item, an @, and a condition or occasion."
            remedy = near(word, sorted(words))
            if words == {"": ""}:
                found, remedy = f"“{target}” should be an item alone.", f"Take off “{at}{word}”: here rows say it."
            faults.append(fault("study.toml", f"{key}.items", found, remedy, "wrong value"))
    return named


def _no_item(name: str, items: Mapping[str, tuple[str, str]], place: str) -> Finding:
    found = f"“{name}” is no item of this questionnaire."
    return fault("study.toml", place, found, near(name, sorted(items)), "unknown item")


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
    faults += [*_unclear(unclear, key, table), *_held_twice(present, key, table)]
    found = clear | {target for targets in unclear.values() for target in targets}
    lost = {column: target for column, target in by_name.items() if target not in found}
    faults += [
        fault(
            table.file,
            table.header,
            f"No column “{column}” is there, which {key}.items names.",
            near(column, table.columns),
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
    faults += _without_column(lacking, key, table, free)
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


def _unclear(unclear: Mapping[str, list[Target]], key: str, table: SourceTable) -> list[Finding]:
    if not unclear:
        return []
    column, targets = next(iter(unclear.items()))
    more = f", and {len(unclear) - 1} more columns are as unclear" if len(unclear) > 1 else ""
    found = f"Column “{column}” could hold {' or '.join(map(_target_named, targets))}{more}."
    remedy = f"Let {key}.columns.pattern tell them apart, such as “{{condition}}_{{item}}”, or name the columns under {key}.items."
    return [fault(table.file, table.header, found, remedy, "contradiction")]


def _held_twice(present: Mapping[str, Target], key: str, table: SourceTable) -> list[Finding]:
    columns: dict[Target, list[str]] = {}
    for column, target in present.items():
        columns.setdefault(target, []).append(column)
    return [
        fault(
            table.file,
            table.header,
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


def _without_column(
    wanted: Mapping[Target, list[str]], key: str, table: SourceTable, free: Sequence[str]
) -> list[Finding]:
    """A fault for each item that no column holds; `wanted` says which columns would, `free` which hold nothing else."""
    remedy = f"Name its column under {key}.items, or correct {key}.columns.pattern."
    faults = []
    for target, possible in list(wanted.items())[:PLACES_NAMED]:
        column = max(possible, key=lambda one: _likeness(one, free[:MOST_COMPARED]))
        close = near(column, free).replace("Known here:", "Other columns:")
        found = f"No column holds {_target_named(target)}."
        faults.append(
            fault(table.file, table.header, found, f"Looked for “{column}”. {close} {remedy}", "missing column")
        )
    if len(wanted) > PLACES_NAMED:
        found = f"{len(wanted) - PLACES_NAMED} more items or settings have no column."
        faults.append(fault(table.file, table.header, found, remedy, "missing column"))
    return faults


def _likeness(column: str, columns: Sequence[str]) -> float:
    return max((SequenceMatcher(None, column.casefold(), one.casefold()).ratio() for one in columns), default=0.0)


def _from_columns(frame: pd.DataFrame, columns: Mapping[str, Target], named: str) -> pd.DataFrame:
    """Answers of a table whose columns hold the items, and name the setting where rows do not: "condition" or "occasion"."""
    import numpy as np
    import pandas as pd

    if not columns:
        return _no_answers()
    instruments, items, settings = zip(*columns.values(), strict=True)

    def in_every_row(names: Sequence[str]) -> pd.Series:
        return pd.Series(names, dtype="str").repeat(len(frame)).reset_index(drop=True)

    every_row = np.tile(np.arange(len(frame)), len(columns))
    long = _setting_of(frame).take(every_row).reset_index(drop=True)
    long = long.assign(
        instrument=in_every_row(instruments),
        item=in_every_row(items),
        raw=pd.concat([frame[column] for column in columns], ignore_index=True),
        row=frame.index.to_numpy()[every_row],
        column=in_every_row(list(columns)),
    )
    return long.assign(**{named: in_every_row(settings)}) if any(settings) else long


def _setting_of(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[["·participant", "·condition", "·occasion"]].set_axis(["participant", "condition", "occasion"], axis=1)


def _from_rows(
    study: Study, questionnaire: Questionnaire, key: str, frame: pd.DataFrame, file: str, faults: list[Finding]
) -> pd.DataFrame:
    """Answers of a table with a row per answer."""
    names = questionnaire.columns
    items = _items_by_name(study, questionnaire)
    faults += [
        _no_item(target, items, f"{key}.items") for target in questionnaire.items.values() if target not in items
    ]
    known = {name: ".".join(target) for name, target in items.items()}
    known |= {word: ".".join(items[target]) for word, target in questionnaire.items.items() if target in items}
    remedy = f"Correct it, or name the item it stands for under {key}.items."
    which = matched(frame[names.item], known, file, "item", remedy, faults)
    instrument, item = ({".".join(target): target[part] for target in items.values()} for part in (0, 1))
    long = _setting_of(frame).assign(
        instrument=by_word(which, lambda words: words.map(instrument).astype("str")),
        item=by_word(which, lambda words: words.map(item).astype("str")),
        raw=frame[names.answer],
        row=frame.index,
        column=names.answer,
    )
    return long[which.notna()].reset_index(drop=True)


def _with_values(
    study: Study, questionnaire: Questionnaire, long: pd.DataFrame, table: SourceTable, faults: list[Finding]
) -> pd.DataFrame:
    """Add value, missing, questionnaire and file; answers that cannot be read are `faults`."""
    import numpy as np
    import pandas as pd

    if long.empty:
        return _no_answers()
    long = long.assign(raw=long["raw"].str.strip(), questionnaire=questionnaire.id, file=table.file)
    value, missing = np.full(len(long), np.nan), np.full(len(long), "", dtype=object)
    unreadable, broken = np.zeros(len(long), dtype=bool), np.zeros(len(long), dtype=bool)
    by_format = _rows_by_format(study, long)
    for response, rows in by_format:
        codes, words = pd.factorize(long["raw"].iloc[rows], use_na_sentinel=False)
        read = _read_answers(pd.Series(words, dtype="str"), response, questionnaire, table.decimal)
        value[rows], missing[rows] = read["value"].to_numpy()[codes], read["missing"].to_numpy()[codes]
        unreadable[rows], broken[rows] = read["unreadable"].to_numpy()[codes], read["broken"].to_numpy()[codes]
    told = _mixed_marks(long[broken], table.file, faults)
    unreadable[np.flatnonzero(broken)[told]] = False
    for response, rows in by_format:
        faults += _unreadable(long.iloc[rows[unreadable[rows]]], response, table)
    return long.assign(value=value, missing=missing).astype(_no_answers().dtypes)[list(ANSWER_COLUMNS)]


def _rows_by_format(study: Study, long: pd.DataFrame) -> list[tuple[ResponseFormat, np.ndarray]]:
    """The response formats of the items, and the positions of the rows that are answered on each."""
    import numpy as np

    items = long[["instrument", "item"]].drop_duplicates()
    formats: list[ResponseFormat] = []
    of_item = []
    for instrument, item in items.itertuples(index=False):
        response = study.instruments[instrument].response_of(item)
        if response not in formats:
            formats.append(response)
        of_item.append(formats.index(response))
    of_row = np.array(of_item)[long.groupby(["instrument", "item"], sort=False).ngroup().to_numpy()]
    return [(response, np.flatnonzero(of_row == number)) for number, response in enumerate(formats)]


def _read_answers(
    words: pd.Series, response: ResponseFormat, questionnaire: Questionnaire, decimal: Decimal
) -> pd.DataFrame:
    """What each of `words` says: value, missing, whether it is unreadable, and whether it is a broken number."""
    import numpy as np
    import pandas as pd

    lower = words.str.casefold()
    missing = pd.Series("", index=words.index, dtype="str")
    missing[lower.isin(["", *(word.strip().casefold() for word in questionnaire.missing_words)])] = SKIPPED
    missing[lower.isin([word.strip().casefold() for word in questionnaire.not_applicable_words])] = NOT_APPLICABLE
    if response.kind == "text":
        return pd.DataFrame({"value": np.nan, "missing": missing, "unreadable": False, "broken": False})
    known = {word.strip(): value for word, value in response.words.items()}
    known |= {word.strip().casefold(): float(value) for word, value in questionnaire.answer_words.items()}
    known = _said_twice(lower.unique(), known) | known
    value = lower.map(known).astype(float).fillna(numbers(words, decimal)).where(missing == "")
    unreadable = (missing == "") & (value.isna() | ~_on_scale(value, response))
    broken = (missing == "") & words.str.fullmatch(f"{COMMA_NUMBER}|{POINT_NUMBER}")
    return pd.DataFrame({"value": value, "missing": missing, "unreadable": unreadable, "broken": broken})


def _said_twice(answers: Iterable[str], known: Mapping[str, float]) -> dict[str, float]:
    """Those of `answers` that give a point and its words, where both say the same, and the point."""
    points = {}
    for answer in answers:
        if found := SAID_TWICE.fullmatch(answer):
            point = float(found["point"] or found["last"])
            words = (found["words"] or found["first"]).strip()
            if point in (known.get(words), known.get(words.strip("([)]. "))):
                points[answer] = point
    return points


def _mixed_marks(broken: pd.DataFrame, file: str, faults: list[Finding]) -> np.ndarray:
    """Which of the `broken` numbers stand in columns with both decimal marks; each such column is a fault."""
    import numpy as np

    told = np.zeros(len(broken), dtype=bool)
    for column, rows in broken.groupby("column", sort=False).indices.items():
        part = broken.iloc[rows]
        mixed = mixed_marks(part.set_index("row")["raw"].rename(str(column)), file)
        told[rows] = bool(mixed)
        faults += mixed
    return told


def _on_scale(value: pd.Series, response: ResponseFormat) -> pd.Series:
    if response.kind == "choice":
        return value.isin([float(choice.value) for choice in response.choices])
    low, high = response.range
    inside = value.between(low, high)
    return inside & (value == value.round()) if response.whole else inside


def _unreadable(rows: pd.DataFrame, response: ResponseFormat, table: SourceTable) -> list[Finding]:
    kind = "off the response scale"
    named = [
        fault(
            table.file,
            f"row {row.row}, column {row.column}",
            f"“{row.raw[:60]}” is not an answer on this response scale.",
            _remedy(row.raw, response, table),
            kind,
        )
        for row in rows.head(PLACES_NAMED).itertuples()
    ]
    remedy = _remedy("", response, table)
    rest = rows.iloc[PLACES_NAMED:]
    for column in rest["column"].unique()[:PLACES_NAMED]:
        part = rest[rest["column"] == column]
        more = f"{len(part)} more answers are not on this response scale."
        named.append(fault(table.file, f"{rows_named(part['row'])}, column {column}", more, remedy, kind))
    if rest["column"].nunique() > PLACES_NAMED:
        more = f"Answers in {rest['column'].nunique() - PLACES_NAMED} more columns are not on this response scale."
        named.append(fault(table.file, "", more, remedy, kind))
    return named


def _remedy(word: str, response: ResponseFormat, table: SourceTable) -> str:
    why = explained(word, table.decimal)
    if why:
        return f"{why} {response.needed}"
    if any(map(str.isalpha, word)):
        words = near(word, list(response.words)) if response.words and response.kind != "choice" else ""
        counts = "If it counts as a number, say so under answer_words; if it stands for no answer, under missing_words."
        return " ".join(filter(None, (response.needed, words, counts)))
    return f"{response.needed} If it stands for no answer, list it under missing_words."


def _once_each(answers: pd.DataFrame, faults: list[Finding]) -> tuple[pd.DataFrame, list[Finding]]:
    """At most one answer to each item in each setting, and findings on rows taken together; answers given twice are `faults`."""
    repeated = answers.duplicated(ONE_ANSWER, keep=False)
    if not repeated.any():
        return answers, []
    faults += _given_twice(answers[repeated])
    empty_last = answers[repeated].assign(empty=answers["missing"] == SKIPPED).sort_values("empty", kind="stable")
    kept = ~repeated
    kept[empty_last.drop_duplicates(ONE_ANSWER).index] = True
    return answers[kept].reset_index(drop=True), _taken_together(answers[repeated])


def _given_twice(answers: pd.DataFrame) -> list[Finding]:
    """A fault for each participant and setting that has answers to the same item twice, alike or not."""
    given = answers[answers["missing"] != SKIPPED]
    repeated = given[given.duplicated(ONE_ANSWER, keep=False)]
    if repeated.empty:
        return []
    said = repeated["raw"].str.casefold().where(repeated["value"].isna(), repeated["value"].astype("str"))
    repeated = repeated.assign(said=said)
    differs = repeated.groupby(ONE_ANSWER, sort=False)["said"].transform("nunique") > 1
    apart = repeated.assign(differs=differs).groupby(ONE_SESSION, sort=False)["differs"].transform("any")
    alike = "{participant} answered {n} items of “{questionnaire}” twice{setting}: {places}."
    unlike = "{participant} has different answers to {n} items of “{questionnaire}”{setting}: {difference}."
    return [
        fault(file, rows, told, "Keep the row that counts, and note in the study why.", kind)
        for kind, rows_of_kind, found in (
            ("contradiction", repeated[apart & differs], unlike),
            ("duplicate", repeated[~apart], alike),
        )
        for file, rows, told in _by_session(rows_of_kind, found)
    ]


def _difference(rows: pd.DataFrame) -> str:
    """The first item of a session that has two answers, and where both stand."""
    first = rows[(rows["instrument"] == rows["instrument"].iloc[0]) & (rows["item"] == rows["item"].iloc[0])]
    places = [f"“{row.raw[:60]}” ({row.file} row {row.row}, column {row.column})" for row in first.itertuples()]
    return f"{rows['item'].iloc[0]} is {' and '.join(places[:PLACES_NAMED])}"


def _taken_together(repeated: pd.DataFrame) -> list[Finding]:
    """A finding for each participant and setting whose answers stand in several rows, no item answered twice."""
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
    sessions = repeated.groupby(ONE_SESSION, sort=False)
    number = sessions.ngroup()
    told = []
    for (questionnaire, participant, condition, occasion), rows in repeated[number < PLACES_NAMED].groupby(
        ONE_SESSION, sort=False
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
            difference=_difference(rows),
        )
        file = str(rows["file"].iloc[0])
        told.append((file, rows_named(dict.fromkeys(rows.loc[rows["file"] == file, "row"])), sentence))
    rest = repeated[number >= PLACES_NAMED]
    if len(rest):
        more = f"{sessions.ngroups - PLACES_NAMED} more participants and settings are concerned."
        told.append((str(rest["file"].iloc[0]), rows_named(dict.fromkeys(rest["row"])), more))
    return told
