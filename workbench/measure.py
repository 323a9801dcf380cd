"""The measure: the one currency between collecting and comparing.

A scale score, a single item or a summary of trials: participant x condition x occasion x value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd

VALUE_COLUMNS = ("participant", "condition", "occasion", "value", "standard_error", "reason")
ROW_COLUMNS = ("participant", "condition", "occasion", "item", "value")


@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """What was measured, once per participant and condition or occasion.

    `values` has the columns participant, condition, occasion, value, standard_error, reason;
    condition or occasion is "" where it does not apply; where value is NaN, reason says why. `rows`
    holds the scored items or the trials behind the values: participant, condition, occasion, item,
    value (reversal done). `higher` says in words what a higher value means; `low` and `high` are
    the ends of its range, NaN where it has none. `items` are those of a scale.
    """

    id: str
    label: str
    unit: str
    higher: str
    source: Literal["scale", "trials"]
    asked: Literal["once", "before_after", "per_condition"]
    values: pd.DataFrame
    rows: pd.DataFrame
    low: float = nan
    high: float = nan
    items: tuple[str, ...] = field(default=())

    def by_condition(self, participants: Sequence[str], conditions: Sequence[str]) -> pd.DataFrame:
        """Values as (participants, conditions), NaN where missing, in the orders given."""
        wide = self.values.pivot(index="participant", columns="condition", values="value")
        return wide.reindex(index=list(participants), columns=list(conditions)).astype(float)

    def items_in(self, condition: str, participants: Sequence[str]) -> pd.DataFrame:
        """Scored answers in one condition as (participants, items), NaN where missing."""
        rows = self.rows[self.rows["condition"] == condition]
        wide = rows.pivot(index="participant", columns="item", values="value")
        return wide.reindex(index=list(participants), columns=list(self.items)).astype(float)
