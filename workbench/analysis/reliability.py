"""Reliability of every scale: each condition apart, within persons and between persons.

Rows of several conditions are never pooled: alpha over pooled rows mixes what differs between
people with what differs between conditions (Geldhof et al. 2014, Psychological Methods 19:72).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from workbench.measure import OCCASIONS, Measure
from workbench.stats.intervals import FloatArray
from workbench.stats.reliability import (
    CronbachAlpha,
    ItemAnalysis,
    OmegaTotal,
    SpearmanBrown,
    StandardErrorOfMeasurement,
    WithinBetweenAlpha,
    cronbach_alpha,
    item_analysis,
    omega_total,
    spearman_brown,
    standard_error_of_measurement,
    within_between_alpha,
)


class Bootstrap(NamedTuple):
    """How intervals by resampling are made."""

    level: float
    resamples: int
    rng: np.random.Generator | None


@dataclass(frozen=True, slots=True, eq=False)
class SettingReliability:
    """Reliability in one condition or occasion, undefined with a reason where too few participants answered all items.

    `spearman_brown` is there for scales of two items alone.
    """

    setting: str
    alpha: CronbachAlpha
    omega: OmegaTotal
    spearman_brown: SpearmanBrown | None
    error: StandardErrorOfMeasurement
    items: ItemAnalysis


@dataclass(frozen=True, slots=True, eq=False)
class ScaleReliability:
    """Reliability of a scale, in every condition or occasion. `levels` is None where it was not asked repeatedly."""

    measure: Measure
    settings: tuple[SettingReliability, ...]
    levels: WithinBetweenAlpha | None


def scale_reliability(
    measure: Measure,
    participants: Sequence[str],
    conditions: Sequence[str],
    *,
    level: float = 0.95,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> ScaleReliability:
    """The reliability of a scale of two items or more.

    `resamples` of participants make the intervals of omega and of both levels; they need `rng`.
    """
    bootstrap = Bootstrap(level, resamples, rng)
    places = {"per_condition": list(conditions), "before_after": list(OCCASIONS), "once": [""]}[measure.asked]
    by_place = {place: _answers(measure, place, participants) for place in places}
    settings = tuple(_in_setting(place, answers, bootstrap) for place, answers in by_place.items())
    return ScaleReliability(measure, settings, _levels(by_place, bootstrap) if len(places) > 1 else None)


def has_reliability(measure: Measure) -> bool:
    """Whether a measure is a scale of two items or more."""
    return measure.source == "scale" and len(measure.items) > 1


def _answers(measure: Measure, place: str, participants: Sequence[str]) -> FloatArray:
    column = "occasion" if measure.asked == "before_after" else "condition"
    rows = measure.rows[measure.rows[column] == place]
    wide = rows.pivot(index="participant", columns="item", values="value")
    whole = wide.reindex(index=list(participants), columns=list(measure.items))
    return np.asarray(whole, dtype=float)


def _in_setting(place: str, answers: FloatArray, bootstrap: Bootstrap) -> SettingReliability:
    asked = answers[~np.isnan(answers).all(axis=1)]
    two = spearman_brown(asked) if asked.shape[1] == 2 else None
    return SettingReliability(
        place,
        cronbach_alpha(asked, level=bootstrap.level),
        omega_total(asked, **bootstrap._asdict()),
        two,
        standard_error_of_measurement(asked),
        item_analysis(asked),
    )


def _levels(by_place: dict[str, FloatArray], bootstrap: Bootstrap) -> WithinBetweenAlpha:
    stacked = np.vstack(list(by_place.values()))
    n_people = len(next(iter(by_place.values())))
    participant = np.tile(np.arange(n_people), len(by_place))
    place = np.repeat(np.arange(len(by_place)), n_people)
    asked = ~np.isnan(stacked).all(axis=1)
    return within_between_alpha(
        stacked[asked], participant=participant[asked], condition=place[asked], **bootstrap._asdict()
    )


def reliabilities(
    measures: Iterable[Measure],
    participants: Sequence[str],
    conditions: Sequence[str],
    *,
    level: float = 0.95,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> list[ScaleReliability]:
    """The reliability of every scale among the measures; see scale_reliability."""
    return [
        scale_reliability(measure, participants, conditions, level=level, resamples=resamples, rng=rng)
        for measure in measures
        if has_reliability(measure)
    ]
