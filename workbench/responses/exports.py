"""What differs between two exports of one questionnaire, by participant and condition or occasion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from workbench.measure import SETTING
from workbench.responses.questionnaires import ONE_ANSWER, SKIPPED

if TYPE_CHECKING:
    import pandas as pd

ANSWERS_NAMED = 3
"""How many changed answers of one session are named one by one."""


@dataclass(frozen=True, slots=True)
class SessionChange:
    """A participant's answers in one condition or occasion that are new, gone or different in a newer export."""

    change: Literal["new", "changed", "vanished"]
    participant: str
    setting: str
    n: int
    details: str


def changed_sessions(old: pd.DataFrame, new: pd.DataFrame) -> list[SessionChange]:
    """The sessions whose answers differ between `old` and `new`, as columns of ANSWER_COLUMNS; what stayed is left out.

    A session is new or vanished where all its answers are; an empty cell counts as no answer.
    """
    both = _given(old, "raw_old").join(_given(new, "raw_new"), how="outer").fillna("")
    both["old"], both["new"] = both["raw_old"] != "", both["raw_new"] != ""
    sessions = both.groupby(SETTING, sort=False)[["old", "new"]].any()
    differing = both[both["raw_old"] != both["raw_new"]].reset_index()
    changes = []
    for (participant, condition, occasion), rows in differing.groupby(SETTING, sort=False):
        had, has = sessions.loc[(participant, condition, occasion)]
        change: Literal["new", "changed", "vanished"] = "changed" if had and has else "new" if has else "vanished"
        details = _details(rows) if change == "changed" else ""
        changes.append(SessionChange(change, str(participant), f"{condition}{occasion}", len(rows), details))
    return changes


def _given(answers: pd.DataFrame, name: str) -> pd.DataFrame:
    given = answers[answers["missing"] != SKIPPED]
    return (
        given.drop_duplicates(ONE_ANSWER).set_index([*SETTING, "instrument", "item"])[["raw"]].set_axis([name], axis=1)
    )


def _details(rows: pd.DataFrame) -> str:
    named = [
        f"{row.item}: {_said(row.raw_old)} → {_said(row.raw_new)}" for row in rows.head(ANSWERS_NAMED).itertuples()
    ]
    more = [f"{len(rows) - ANSWERS_NAMED} more"] if len(rows) > ANSWERS_NAMED else []
    return "; ".join([*named, *more])


def _said(raw: str) -> str:
    return "empty" if not raw else raw if len(raw) <= 30 else raw[:29] + "…"


def shared_sessions(old: pd.DataFrame, new: pd.DataFrame) -> int:
    """How many participants x conditions or occasions have answers in both."""
    one, other = (frame.loc[frame["missing"] != SKIPPED, SETTING].drop_duplicates() for frame in (old, new))
    return len(one.merge(other))
