"""Rankings and choices of conditions, read from their table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import fault, gathering, read_table
from workbench.responses.names import condition_words, matched, require_columns, rows_named, without_pilots
from workbench.study import Preference, Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class Preferences:
    """`ranks`: (participants, conditions), 1 = liked best, NaN where not ranked; for a choice, the chosen one has rank 1
    and the others NaN. `reasons`: words by participant. `findings` are those that do not block.
    """

    ranks: pd.DataFrame
    reasons: pd.Series
    findings: tuple[Finding, ...]


def read_preferences(study: Study) -> Preferences | None:
    """The preferences, or None where the study declares none.

    Raises StudyError for unknown columns, participants, conditions, ranks outside 1 to k, and
    participants who stand there twice.
    """
    declared = study.declared.preference
    if declared is None:
        return None
    table = read_table(study.path(declared.file), declared.file)
    named = list(declared.columns.values()) if declared.kind == "ranking" else [declared.choice]
    require_columns(
        table, [declared.participant, *named, *([declared.reason] if declared.reason else [])], "preference"
    )
    frame, notes = without_pilots(table, declared.participant, study)
    faults = _listed_twice(frame[declared.participant], declared.file)
    ranks = None
    with gathering(faults):
        ranks = _ranking(study, declared, frame) if declared.kind == "ranking" else _choice(study, declared, frame)
    if faults or ranks is None:
        raise StudyError(faults)
    reasons = (
        frame.set_index(declared.participant)[declared.reason]
        if declared.reason
        else frame.set_index(declared.participant).iloc[:, 0].map(lambda _: "")
    )
    incomplete = (
        ranks.index[ranks.isna().any(axis=1)] if declared.kind == "ranking" else ranks.index[ranks.isna().all(axis=1)]
    )
    if len(incomplete):
        notes.append(
            Finding(
                "attention",
                "incomplete ranking",
                declared.file,
                ", ".join(incomplete),
                "Not every condition is ranked.",
                "These participants are left out of the preference tests and counted.",
            )
        )
    return Preferences(ranks, reasons.str.strip(), tuple(notes))


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


def _ranking(study: Study, declared: Preference, frame: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    ranks = {}
    faults = []
    for condition in study.conditions:
        column = declared.columns[condition]
        words = frame[column].str.strip()
        numbers = pd.to_numeric(words.where(words != ""), errors="coerce")
        wrong = (words != "") & ~numbers.between(1, len(study.conditions))
        faults += [
            fault(
                declared.file,
                f"row {row}, column {column}",
                f"“{word}” is not a rank.",
                f"A number from 1 (liked best) to {len(study.conditions)} is needed.",
                "off the response scale",
            )
            for row, word in words[wrong].items()
        ]
        ranks[condition] = numbers.to_numpy()
    if faults:
        raise StudyError(faults)
    return pd.DataFrame(ranks, index=frame[declared.participant].to_numpy())


def _choice(study: Study, declared: Preference, frame: pd.DataFrame) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    given = frame[declared.choice].str.strip() != ""
    chosen = matched(
        frame[declared.choice][given], condition_words(study, {}), declared.file, "condition", "Correct it."
    )
    ranks = pd.DataFrame(np.nan, index=frame[declared.participant].to_numpy(), columns=list(study.conditions))
    for participant, condition in zip(frame[declared.participant][given], chosen, strict=True):
        ranks.loc[participant, condition] = 1.0
    return ranks
