"""Who spoke of what about which condition: counts of participants, not of sentences.

Not mentioning something is not disagreeing with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.coding.codings import UNIT

if TYPE_CHECKING:
    import pandas as pd

ANY = ""
"""The "condition" under which mentions about anything at all are counted."""


@dataclass(frozen=True, slots=True, eq=False)
class CodePresence:
    """A code about a condition (or about anything, "").

    `participants` of `interviewed` participants raised it, in `mentions` units; of the participants,
    `in_favor`, `against` and `mixed` count those with at least one unit of that stance.
    """

    code: str
    condition: str
    participants: int
    interviewed: int
    mentions: int
    in_favor: int
    against: int
    mixed: int


def code_presence(
    counted: pd.DataFrame, codes: Sequence[str], conditions: Sequence[str], interviewed: Sequence[str]
) -> list[CodePresence]:
    """Every code about anything and about each condition, from the codings that count."""
    mine = counted[counted["participant"].isin(interviewed)]
    return [_presence(mine, code, condition, len(interviewed)) for code in codes for condition in (ANY, *conditions)]


def _presence(counted: pd.DataFrame, code: str, condition: str, interviewed: int) -> CodePresence:
    rows = counted[counted["code"] == code]
    if condition != ANY:
        rows = rows.loc[[condition in named.split("+") for named in rows["about"]]]
    stance = {
        name: int(rows.loc[rows["stance"] == name, "participant"].nunique()) for name in ("for", "against", "mixed")
    }
    return CodePresence(
        code,
        condition,
        int(rows["participant"].nunique()),
        interviewed,
        len(rows[UNIT].drop_duplicates()),
        stance["for"],
        stance["against"],
        stance["mixed"],
    )
