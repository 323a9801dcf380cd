"""How long answering took, where a response file says so: seconds, or when a row was begun and sent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import SourceTable, gathering
from workbench.responses.names import numbers, require_columns, without_pilots, wrong_words
from workbench.responses.questionnaires import with_setting
from workbench.study import Questionnaire, Study

if TYPE_CHECKING:
    import pandas as pd

TIME_COLUMNS = ("questionnaire", "participant", "condition", "occasion", "seconds", "answers", "file", "row")
_MOMENT = r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?(Z|[+-]\d{2}:?\d{2})?"


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """`sessions` has a row per session with a time: questionnaire, participant, condition, occasion, seconds, answers, file, row.

    `answers` counts what the time is for: the items of a row, or the rows of a session where each answer has its own time.
    A row that holds all conditions has none ("" as condition). `findings` are those that do not block.
    """

    sessions: pd.DataFrame
    findings: tuple[Finding, ...]


def read_times(study: Study) -> Times:
    """Answering times of every questionnaire that declares a column of them.

    Raises StudyError with every time that is none: no number, no ISO 8601 moment.
    """
    import pandas as pd

    faults: list[Finding] = []
    parts = []
    for number, one in enumerate(study.declared.questionnaires, start=1):
        if one.columns.seconds or one.columns.started:
            for file in one.files:
                with gathering(faults):
                    parts.append(
                        _times_in(study, one, f"questionnaires[{number}]", study.table(file, one.reading), faults)
                    )
    if faults:
        raise StudyError(faults)
    sessions = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(TIME_COLUMNS))
    backwards = sessions[sessions["seconds"] < 0]
    findings = [
        Finding(
            "attention",
            "time runs backwards",
            str(row.file),
            f"row {row.row}",
            f"{row.participant} finished {-row.seconds:.0f} seconds before they began.",
            "Look at the clock of the device, or at the columns named as started and finished. The time is not used.",
        )
        for row in backwards.itertuples()
    ]
    return Times(sessions.drop(index=backwards.index).reset_index(drop=True), tuple(findings))


def _times_in(
    study: Study, questionnaire: Questionnaire, key: str, table: SourceTable, faults: list[Finding]
) -> pd.DataFrame:
    import pandas as pd

    names = questionnaire.columns
    needed = [name for name in (names.seconds, names.started, names.finished) if name]
    require_columns(table, needed, f"{key}.columns")
    frame, _ = without_pilots(table, names.participant, study, [])
    left_out = [one.row for one in questionnaire.rows_left_out if one.file == table.file]
    frame = with_setting(study, questionnaire, key, frame.drop(index=left_out, errors="ignore"), table.file, [])
    if names.seconds:
        seconds = _seconds(frame[names.seconds].str.strip(), table, faults)
    else:
        ends = [_moments(frame[str(name)].str.strip(), table.file, faults) for name in (names.started, names.finished)]
        seconds = (ends[1] - ends[0]).dt.total_seconds()
    sessions = pd.DataFrame(
        {
            "questionnaire": questionnaire.id,
            "participant": frame["·participant"],
            "condition": frame["·condition"],
            "occasion": frame["·occasion"],
            "seconds": seconds,
            "file": table.file,
            "row": frame.index,
        }
    ).dropna(subset="seconds")
    if questionnaire.layout == "row_per_answer":
        session = ["questionnaire", "participant", "condition", "occasion", "file"]
        summed = sessions.groupby(session, sort=False).agg(
            seconds=("seconds", "sum"), answers=("seconds", "size"), row=("row", "first")
        )
        return summed.reset_index()[list(TIME_COLUMNS)]
    items = sum(len(study.instruments[use.id].items) for use in questionnaire.instruments)
    settings = {"once": 1, "before_after": 2, "per_condition": len(study.conditions)}[questionnaire.asked]
    per_row = items * (settings if questionnaire.layout == "row_per_participant" else 1)
    return sessions.assign(answers=per_row)[list(TIME_COLUMNS)]


def _seconds(words: pd.Series, table: SourceTable, faults: list[Finding]) -> pd.Series:
    found = numbers(words, table.decimal)
    faults += _no_times(words[found.isna() & (words != "")], table.file, "A number of seconds is needed.")
    return found


def _moments(words: pd.Series, file: str, faults: list[Finding]) -> pd.Series:
    import pandas as pd

    readable = words.str.fullmatch(_MOMENT)
    found = pd.to_datetime(words.where(readable), format="ISO8601", utc=True, errors="coerce")
    remedy = "Write moments as 2026-03-09 14:05:10; which part of 03/09 is the month cannot be told."
    faults += _no_times(words[found.isna() & (words != "")], file, remedy)
    return found


def _no_times(words: pd.Series, file: str, remedy: str) -> list[Finding]:
    return wrong_words(
        words, file, f", column {words.name}", lambda word: f"“{word}” is no time.", lambda _: remedy, "wrong value"
    )
