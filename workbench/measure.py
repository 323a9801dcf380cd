"""The measure: the one currency between collecting and comparing.

A scale score, a single item or a summary of trials: participant x condition x occasion x value.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import nan
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    import pandas as pd

Asked = Literal["once", "before_after", "per_condition"]
OCCASIONS = ("before", "after")
SETTING = ["participant", "condition", "occasion"]
NOT_COLLECTED = "not collected"
EXCLUDED = "excluded: "
VALUE_COLUMNS = ("participant", "condition", "occasion", "value", "standard_error", "reason")


@dataclass(frozen=True, slots=True, eq=False)
class Measure:
    """What was measured, once per participant and condition or occasion.

    `values` has the columns participant, condition, occasion, value, standard_error, reason;
    condition or occasion is "" where it does not apply; where value is NaN, reason says why. `rows`
    holds the scored items or the trials behind the values: participant, condition, occasion, item,
    value (reversal done), and file and row of trials. `higher` says in words what a higher value means; `low` and `high` are
    the ends of its range, NaN where it has none. `items` are those of a scale.
    """

    id: str
    label: str
    unit: str
    higher: str
    source: Literal["scale", "trials"]
    asked: Asked
    values: pd.DataFrame
    rows: pd.DataFrame
    low: float = nan
    high: float = nan
    items: tuple[str, ...] = field(default=())

    def by_condition(self, participants: Sequence[str], conditions: Sequence[str]) -> pd.DataFrame:
        """Values as (participants, conditions), NaN where missing, in the orders given."""
        wide = self.values.pivot(index="participant", columns="condition", values="value")
        return wide.reindex(index=list(participants), columns=list(conditions)).astype(float)


class ExclusionRule(Protocol):
    """What is left out: whose, in which condition (all where None), of which measures (all where empty), and why."""

    @property
    def participant(self) -> str: ...
    @property
    def condition(self) -> str | None: ...
    @property
    def measures(self) -> Sequence[str]: ...
    @property
    def reason(self) -> str: ...


def settings(asked: Asked, conditions: Sequence[str]) -> list[tuple[str, str]]:
    """The (condition, occasion) pairs at which something is asked."""
    if asked == "per_condition":
        return [(condition, "") for condition in conditions]
    return [("", occasion) for occasion in OCCASIONS] if asked == "before_after" else [("", "")]


def on_the_whole_grid(
    found: pd.DataFrame, participants: Sequence[str], places: Sequence[tuple[str, str]]
) -> pd.DataFrame:
    """`found` (participant, condition, occasion, value, reason) completed to every participant at every place.

    Where nothing was found the value is NaN and the reason "not collected".
    """
    import pandas as pd

    grid = pd.DataFrame(
        [(participant, *place) for participant in participants for place in places], columns=SETTING, dtype="str"
    )
    values = grid.merge(found, on=SETTING, how="left")
    values["reason"] = values["reason"].astype("str").fillna(NOT_COLLECTED)
    if "standard_error" not in values:
        values["standard_error"] = nan
    return values[list(VALUE_COLUMNS)]


def with_exclusions(values: pd.DataFrame, measure: str, exclusions: Sequence[ExclusionRule]) -> pd.DataFrame:
    """`values` of a measure in which what is excluded is NaN, with the reason given."""
    values = values.copy()
    for exclusion in exclusions:
        if exclusion.measures and measure not in exclusion.measures:
            continue
        where = values["participant"] == exclusion.participant
        if exclusion.condition:
            where &= values["condition"] == exclusion.condition
        values.loc[where, ["value", "standard_error"]] = nan
        values.loc[where, "reason"] = EXCLUDED + exclusion.reason
    return values


def without_excluded(rows: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    """The item or trial rows of settings that are not excluded."""
    excluded = values[values["reason"].str.startswith(EXCLUDED)].set_index(SETTING).index
    return rows[~rows.set_index(SETTING).index.isin(excluded)].reset_index(drop=True)
