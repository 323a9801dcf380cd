"""What was collected of each participant in each condition, over all measures: the grid of a study."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from workbench.measure import EXCLUDED, Measure
from workbench.study import Study

Collection = Literal["complete", "in part", "left out", "nothing"]


@dataclass(frozen=True, slots=True)
class Collected:
    """One participant in one condition: of `measures` measures `values` have a value, `excluded` are left out.

    `gaps` are (reason, labels of the measures without a value for it). `state` is "left out" where nothing but
    exclusions is missing, "nothing" where there is neither a value nor an exclusion.
    """

    participant: str
    condition: str
    measures: int
    values: int
    excluded: int
    gaps: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def state(self) -> Collection:
        if self.values == self.measures:
            return "complete"
        if self.excluded and self.values + self.excluded == self.measures:
            return "left out"
        return "in part" if self.values or self.excluded else "nothing"


def collection_grid(study: Study, measures: Sequence[Measure]) -> list[Collected]:
    """A cell for every participant in every condition, participants in their order; empty without measures per condition."""
    asked = [one for one in measures if one.asked == "per_condition"]
    if not asked:
        return []
    values = pd.concat([one.values.assign(measure=one.label) for one in asked], ignore_index=True)
    places = [(participant, condition) for participant in study.participants for condition in study.conditions]
    groups = dict(list(values.groupby(["participant", "condition"], sort=False)))
    return [_cell(participant, condition, groups.get((participant, condition))) for participant, condition in places]


def _cell(participant: str, condition: str, rows: pd.DataFrame | None) -> Collected:
    if rows is None:
        return Collected(participant, condition, 0, 0, 0, ())
    lacking = rows[rows["value"].isna()]
    gaps: dict[str, list[str]] = {}
    for reason, measure in zip(lacking["reason"], lacking["measure"], strict=True):
        gaps.setdefault(str(reason), []).append(str(measure))
    excluded = int(lacking["reason"].str.startswith(EXCLUDED).sum())
    told = tuple((reason, tuple(which)) for reason, which in gaps.items())
    return Collected(participant, condition, len(rows), len(rows) - len(lacking), excluded, told)
