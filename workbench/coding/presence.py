"""Who spoke of what about which condition: counts of participants, not of sentences.

Not mentioning something is not disagreeing with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

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


class _Mention(NamedTuple):
    """One coding, as far as it is counted here."""

    participant: str
    unit: tuple[str, ...]
    about: tuple[str, ...]
    stance: str


def code_presence(
    counted: pd.DataFrame, codes: Sequence[str], conditions: Sequence[str], interviewed: Sequence[str]
) -> list[CodePresence]:
    """Every code about anything and about each condition, from the codings that count."""
    mine = counted[counted["participant"].isin(interviewed)]
    mentions: dict[str, list[_Mention]] = {}
    units = zip(*(mine[column] for column in UNIT), strict=True)
    for code, participant, unit, about, stance in zip(
        mine["code"], mine["participant"], units, mine["about"], mine["stance"], strict=True
    ):
        mentions.setdefault(code, []).append(_Mention(participant, unit, tuple(about.split("+")), stance))
    return [
        _presence(mentions.get(code, []), code, condition, len(interviewed))
        for code in codes
        for condition in (ANY, *conditions)
    ]


def _presence(mentions: Sequence[_Mention], code: str, condition: str, interviewed: int) -> CodePresence:
    told = [one for one in mentions if condition == ANY or condition in one.about]

    def people(stance: str) -> int:
        return len({one.participant for one in told if one.stance == stance})

    return CodePresence(
        code,
        condition,
        len({one.participant for one in told}),
        interviewed,
        len({one.unit for one in told}),
        people("for"),
        people("against"),
        people("mixed"),
    )
