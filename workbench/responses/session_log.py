"""The session log: in which order conditions were really run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import fault, read_table
from workbench.responses.names import condition_words, matched, require_columns, rows_named, without_pilots
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class SessionLog:
    """`runs`: participant, condition, position (1 = first), row; `findings` are those that do not block."""

    runs: pd.DataFrame
    findings: tuple[Finding, ...]

    def order_of(self, participant: str) -> list[str]:
        """The conditions a participant ran, in order."""
        return list(self.runs[self.runs["participant"] == participant].sort_values("position")["condition"])


def read_session_log(study: Study) -> SessionLog | None:
    """The session log, or None where the study declares none.

    Raises StudyError for unknown columns, participants and conditions, positions that are no whole
    numbers, and a position or condition that a participant has twice.
    """
    import pandas as pd

    declared = study.declared.session_log
    if declared is None:
        return None
    table = read_table(study.path(declared.file), declared.file)
    require_columns(table, [declared.participant, declared.position, declared.condition], "session_log")
    frame, notes = without_pilots(table, declared.participant, study)
    condition = matched(
        frame[declared.condition], condition_words(study, {}), declared.file, "condition", "Correct it."
    )
    words = frame[declared.position].str.strip()
    good = words.str.fullmatch(r"[1-9]\d{0,3}")
    faults = [
        fault(
            declared.file,
            f"row {row}, column {declared.position}",
            f"“{word}” is not a position.",
            "A whole number from 1 is needed.",
            "wrong value",
        )
        for row, word in words[~good].items()
    ]
    if faults:
        raise StudyError(faults)
    runs = pd.DataFrame(
        {
            "participant": frame[declared.participant],
            "condition": condition,
            "position": words.astype(int),
            "row": frame.index,
        }
    )
    for what in ("position", "condition"):
        repeated = runs[runs.duplicated(["participant", what], keep=False)]
        faults += [
            fault(
                declared.file,
                rows_named(rows["row"]),
                f"{participant} has {what} {value} twice.",
                "Keep the row that counts.",
                "duplicate",
            )
            for (participant, value), rows in repeated.groupby(["participant", what])
        ]
    if faults:
        raise StudyError(faults)
    return SessionLog(runs.reset_index(drop=True), tuple(notes))
