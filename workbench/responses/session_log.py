"""The session log: in which order conditions were really run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.errors import Finding, StudyError
from workbench.files import fault
from workbench.responses.names import condition_words, matched, require_columns, rows_named, without_pilots, wrong_words
from workbench.study import Study

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class SessionLog:
    """`runs`: participant, condition, position (1 = first), row; `findings` are those that do not block."""

    runs: pd.DataFrame
    findings: tuple[Finding, ...]


def read_session_log(study: Study) -> SessionLog | None:
    """The session log, or None where the study declares none.

    Raises StudyError for unknown columns, participants and conditions, positions that are no whole
    numbers, and a position or condition that a participant has twice.
    """
    import pandas as pd

    declared = study.declared.session_log
    if declared is None:
        return None
    table = study.table(declared.file, declared.reading)
    require_columns(table, [declared.participant, declared.position, declared.condition], "session_log")
    faults: list[Finding] = []
    frame, notes = without_pilots(table, declared.participant, study, faults)
    known = condition_words(study, {})
    condition = matched(frame[declared.condition], known, declared.file, "condition", "Correct it.", faults)
    words = frame[declared.position].str.strip()
    whole = words.str.fullmatch(r"[1-9][0-9]{0,3}")
    faults += wrong_words(
        words[~whole],
        declared.file,
        f", column {declared.position}",
        lambda word: f"“{word}” is not a position.",
        lambda word: "A whole number from 1 is needed.",
        "wrong value",
    )
    good = whole & condition.notna()
    runs = pd.DataFrame(
        {
            "participant": frame[declared.participant][good],
            "condition": condition[good],
            "position": words[good].astype(int),
            "row": frame.index[good],
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
    return SessionLog(runs.reset_index(drop=True), (*notes, *_gaps(runs, declared.file)))


def _gaps(runs: pd.DataFrame, file: str) -> list[Finding]:
    """A finding for each participant whose positions do not run from 1 on."""
    found = []
    for participant, rows in runs.groupby("participant", sort=False):
        positions = sorted(rows["position"])
        if positions != list(range(1, len(positions) + 1)):
            told = f"{participant} has the positions {', '.join(map(str, positions))}."
            remedy = "Add the runs that are missing, if they are known."
            found.append(Finding("attention", "gap in the order", file, rows_named(rows["row"]), told, remedy))
    return found
