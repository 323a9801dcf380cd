"""How many units a reliability sample would need for each code, and what those that were drawn can show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import isnan, nan
from typing import Any

import numpy as np

from workbench.analysis.ratings import FloatArray, Ratings
from workbench.stats.agreement_planning import (
    intracluster_correlation,
    kappa_half_width,
    targeted_units_for_kappa,
    units_for_kappa,
)

HALF_WIDTH = 0.10
PLANNED_KAPPA = 0.80


@dataclass(frozen=True, slots=True, eq=False)
class CodeSample:
    """For a code: what the units drawn show of a kappa as planned for, and how many more would do.

    `more` units drawn at random, or `more_targeted`, half of which the code is likely in; `at_hand` units were given
    the code by one rater and not yet seen by a second. `expected_half_width` is simulated at the `n_units` drawn.
    """

    code: str
    n_units: int
    n_applied: int
    prevalence: float
    expected_half_width: float
    needed: float
    more: float
    more_targeted: float
    at_hand: int
    reason: str

    def at_hand_enough(self, units_at_hand: int) -> bool:
        """Whether the units that one rater has coded would do, drawn at random or aimed."""
        aimed = self.more_targeted <= min(units_at_hand, 2 * self.at_hand)
        return aimed or self.more <= units_at_hand


@dataclass(frozen=True, slots=True, eq=False)
class SamplePlan:
    """Units wanted for an interval of kappa +- `half_width` where kappa is `kappa`.

    `units_at_hand` were coded by one rater only. `likeness` is the intracluster correlation of agreement within participants, pooled over codes and not below 0;
    `design_effect` = 1 + (units of a participant - 1) x likeness.
    """

    kappa: float
    half_width: float
    level: float
    likeness: float
    units_per_participant: float
    design_effect: float
    units_at_hand: int
    codes: tuple[CodeSample, ...]


def sample_plan(
    double: Ratings,
    at_hand: Mapping[str, int],
    units_at_hand: int,
    *,
    half_width: float = HALF_WIDTH,
    kappa: float = PLANNED_KAPPA,
    level: float,
    rng: np.random.Generator,
) -> SamplePlan:
    """The plan for every code of the double-coded units, at each code's own prevalence."""
    sizes = np.bincount(double.clusters)
    per_participant = float((sizes**2).sum() / sizes.sum())
    found = intracluster_correlation(_influences(double), clusters=double.clusters)
    likeness = 0.0 if isnan(found) else min(max(found, 0.0), 1.0)
    effect = 1 + (per_participant - 1) * likeness

    def on(place: int) -> CodeSample:
        applied = double.applied[:, :, place]
        rated = (~np.isnan(applied)).sum(axis=1) > 1
        n, code = int(rated.sum()), double.codes[place]
        n_applied = int((applied[rated] == 1).any(axis=1).sum())
        prevalence = float(np.nanmean(applied[rated])) if n else nan
        if not n_applied:
            reason = "nobody applied it, so these units say nothing about it" if n else "no unit was rated twice"
            return CodeSample(code, n, 0, prevalence, nan, nan, nan, nan, at_hand.get(code, 0), reason)
        wanted: dict[str, Any] = {
            "prevalence": prevalence,
            "kappa": kappa,
            "design_effect": effect,
            "level": level,
            "rng": rng,
        }
        now = kappa_half_width(n, **wanted)
        needed = units_for_kappa(half_width, **wanted)
        targeted = targeted_units_for_kappa(half_width, n_units=n, **wanted)
        more = max(needed.n_units - n, 0) if now.half_width > half_width or isnan(now.half_width) else 0
        reason = now.reason or needed.reason
        return CodeSample(
            code,
            n,
            n_applied,
            prevalence,
            now.half_width,
            needed.n_units,
            more,
            targeted.n_units if more else 0,
            at_hand.get(code, 0),
            reason,
        )

    codes = tuple(on(place) for place in range(len(double.codes)))
    return SamplePlan(kappa, half_width, level, likeness, per_participant, effect, units_at_hand, codes)


def _influences(double: Ratings) -> FloatArray:
    """What each unit adds to alpha of each code (units, codes), linearized; 0 where it was not rated twice.

    alpha = 1 - d / e with d the share of disagreeing pairs and e = 2 p (1 - p).
    """
    applied = double.applied
    n_raters = (~np.isnan(applied)).sum(axis=1)
    ones = np.nansum(applied, axis=1)
    paired = n_raters > 1
    pairs = np.where(paired, n_raters * (n_raters - 1), 1)
    disagree = np.where(paired, 2 * ones * (n_raters - ones) / pairs, 0.0)
    share = np.where(paired, ones / np.maximum(n_raters, 1), 0.0)
    n = np.maximum(paired.sum(axis=0), 1)
    d, p = disagree.sum(axis=0) / n, share.sum(axis=0) / n
    e = 2 * p * (1 - p)
    safe = np.where(e > 0, e, 1.0)
    influence = -(disagree - d) / safe + d / safe**2 * 2 * (1 - 2 * p) * (share - p)
    result: FloatArray = np.where(paired & (e > 0), influence, 0.0)
    return result
