"""Rankings and choices of conditions, read from their table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import Decimal, fault
from workbench.responses.names import (
    condition_words,
    explained,
    matched,
    numbers,
    require_columns,
    rows_named,
    without_pilots,
    wrong_words,
)
from workbench.study import Preference, Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Preferences:
    """`ranks`: (participants, conditions), 1 = liked best, NaN where not ranked; for a choice, the chosen one has rank 1
    and the others NaN. `reasons`: words by participant. Both hold every participant of the study; the ranks of
    those who are excluded altogether are NaN. `findings` are those that do not block.
    """

    ranks: pd.DataFrame
    reasons: pd.Series
    findings: tuple[Finding, ...]


def read_preferences(study: Study) -> Preferences | None:
    """The preferences, or None where the study declares none.

    Raises StudyError for unknown columns, participants, conditions, ranks outside 1 to k, and
    participants who stand there twice.
    """
    import numpy as np

    declared = study.declared.preference
    if declared is None:
        return None
    table = study.table(declared.file, declared.reading)
    named = list(declared.columns.values()) if declared.kind == "ranking" else [declared.choice]
    require_columns(
        table, [declared.participant, *named, *([declared.reason] if declared.reason else [])], "preference"
    )
    faults: list[Finding] = []
    frame, notes = without_pilots(table, declared.participant, study, faults)
    faults += _listed_twice(frame[declared.participant], declared.file)
    if declared.kind == "ranking":
        ranks = _ranking(study, declared, frame, table.decimal, faults)
    else:
        ranks = _choice(study, declared, frame, faults)
    if faults:
        raise StudyError(faults)
    whole = ranks.reindex(index=list(study.participants))
    excluded = {one.participant for one in study.declared.exclusions if not (one.condition or one.measures)}
    whole.loc[whole.index.isin(excluded)] = np.nan
    return Preferences(
        whole,
        _reasons(study, declared, frame),
        (*notes, *_incomplete(declared, whole, excluded), *_shared(declared, whole)),
    )


def _reasons(study: Study, declared: Preference, frame: pd.DataFrame) -> pd.Series:
    import pandas as pd

    if declared.reason is None:
        return pd.Series("", index=list(study.participants), dtype="str")
    words = frame.set_index(declared.participant)[declared.reason].str.strip()
    return words.reindex(list(study.participants), fill_value="")


def _incomplete(declared: Preference, ranks: pd.DataFrame, excluded: set[str]) -> list[Finding]:
    """Participants without a complete answer, those excluded apart."""
    absent = ranks.isna().any(axis=1) if declared.kind == "ranking" else ranks.isna().all(axis=1)
    names = [str(name) for name in ranks.index[absent] if name not in excluded]
    found = []
    if names:
        what = "Not every condition is ranked." if declared.kind == "ranking" else "No condition is chosen."
        remedy = "These participants are left out of the preference tests and counted."
        found.append(Finding("attention", "incomplete ranking", declared.file, ", ".join(names), what, remedy))
    gone = [str(name) for name in ranks.index if name in excluded]
    if gone:
        told = "Their preference is left out, as study.toml excludes all of their answers."
        found.append(Finding("note", "excluded", declared.file, ", ".join(gone), told, ""))
    return found


def _shared(declared: Preference, ranks: pd.DataFrame) -> list[Finding]:
    """Participants whose complete ranks are not 1 to k, each once."""
    import numpy as np

    if declared.kind == "choice":
        return []
    complete = ranks.dropna()
    other = (np.sort(complete.to_numpy(), axis=1) != np.arange(1, ranks.shape[1] + 1)).any(axis=1)
    names = ", ".join(map(str, complete.index[other]))
    told = f"These ranks are not 1 to {ranks.shape[1]} once each."
    remedy = "Shared ranks count as their mean rank; check that they were meant."
    return [Finding("attention", "shared ranks", declared.file, names, told, remedy)] if names else []


def _listed_twice(participants: pd.Series, file: str) -> list[Finding]:
    repeated = participants[participants.duplicated(keep=False)]
    return [
        fault(
            file,
            rows_named(rows.index),
            f"{name} stands here {len(rows)} times.",
            "Keep the row that counts.",
            "duplicate",
        )
        for name, rows in repeated.groupby(repeated)
    ]


def _ranking(
    study: Study, declared: Preference, frame: pd.DataFrame, decimal: Decimal, faults: list[Finding]
) -> pd.DataFrame:
    import pandas as pd

    ranks = {}
    for condition in study.conditions:
        column = declared.columns[condition]
        words = frame[column].str.strip()
        found = numbers(words, decimal)
        ranks[condition] = found.to_numpy()
        faults += wrong_words(
            words[(words != "") & ~found.between(1, len(study.conditions))],
            declared.file,
            f", column {column}",
            lambda word: f"“{word}” is not a rank.",
            lambda word: (
                f"{explained(word, decimal)} A number from 1 (liked best) to {len(study.conditions)} is needed.".strip()
            ),
            "off the response scale",
        )
    return pd.DataFrame(ranks, index=frame[declared.participant].to_numpy())


def _choice(study: Study, declared: Preference, frame: pd.DataFrame, faults: list[Finding]) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    words = frame[declared.choice][frame[declared.choice].str.strip() != ""]
    chosen = matched(words, condition_words(study, {}), declared.file, "condition", "Correct it.", faults)
    chosen = chosen.set_axis(frame[declared.participant][words.index])
    people = frame[declared.participant].to_numpy()
    return pd.DataFrame(
        {name: np.where(np.isin(people, chosen.index[chosen == name]), 1.0, np.nan) for name in study.conditions},
        index=people,
    )
