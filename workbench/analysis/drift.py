"""Whether agreement changed while units were coded: thirds of the coding order, and what each rater left out.

A rater's trend says that the raters moved apart, not who moved: what one leaves out the other may have begun to add.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from workbench.analysis.ratings import FloatArray, IntArray, Ratings
from workbench.stats.agreement import set_alpha
from workbench.stats.intervals import Interval, percentile_interval, undefined_interval
from workbench.stats.unitizing import ratio

THIRDS = ("first", "middle", "last")
FEWEST_UNITS = 9
"""Below three units a third there is nothing to compare."""
FEWEST_PARTICIPANTS = 5
"""Below this, resampling participants says nothing about a trend."""


@dataclass(frozen=True, slots=True, eq=False)
class Trend:
    """A share in each third of the coding order, and how much a straight line through all units rises.

    `rater` left out `shares` of the `counts` codes that others applied; "" is the share of units with the same
    codes from all. `change` is from the first to the last unit; its interval resamples participants.
    """

    rater: str
    counts: tuple[int, ...]
    shares: tuple[float, ...]
    change: float
    interval: Interval


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """Agreement and what was left out over the order in which units were coded, by thirds.

    `alphas` are over sets of codes. `n_units` and `participants` are those of each third.
    """

    n_units: tuple[int, ...]
    participants: tuple[int, ...]
    alphas: tuple[float, ...]
    same_sets: Trend
    left_out: tuple[Trend, ...]


def drift(double: Ratings, level: float, resamples: int, rng: np.random.Generator) -> Drift | None:
    """Change over the coding order of double-coded units; None with fewer than nine."""
    if len(double.units) < FEWEST_UNITS:
        return None
    last = np.nanmax(double.place, axis=0)
    order = np.nanmean(double.place / np.where(last > 0, last, 1), axis=1)
    third = _thirds(order)
    parts = [double.only(third == number) for number in range(len(THIRDS))]
    drawn = _Drawn(level, resamples, rng)
    same = np.array([float(len({*row} - {None}) == 1) for row in double.sets])
    return Drift(
        tuple(len(part.units) for part in parts),
        tuple(len(set(part.participants)) for part in parts),
        tuple(set_alpha(part.sets).value for part in parts),
        _trend("", np.ones(len(same)), same, order, double.clusters, drawn),
        tuple(_left_out(double, rater, drawn) for rater in range(len(double.raters))),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    level: float
    resamples: int
    rng: np.random.Generator


def _thirds(order: FloatArray) -> IntArray:
    """0, 1 or 2 for each unit, by its rank in the order; units that tie stay in the order they came in."""
    ranks = np.empty(len(order), dtype=np.int64)
    ranks[np.argsort(order, kind="stable")] = np.arange(len(order))
    thirds: IntArray = ranks * len(THIRDS) // len(order)
    return thirds


def _left_out(double: Ratings, rater: int, drawn: _Drawn) -> Trend:
    """What a rater did not apply of what others did, over that rater's own order."""
    mine = double.applied[:, rater, :]
    by_others = (np.delete(double.applied, rater, axis=1) == 1).any(axis=1) & ~np.isnan(mine)
    given, missed = by_others.sum(axis=1), (by_others & (mine == 0)).sum(axis=1)
    seen = double.rated[:, rater]
    clusters = double.clusters[seen]
    return _trend(double.raters[rater], given[seen], missed[seen], double.place[seen, rater], clusters, drawn)


def _trend(
    rater: str, whole: FloatArray, part: FloatArray, order: FloatArray, clusters: IntArray, drawn: _Drawn
) -> Trend:
    """The share of `part` in `whole` by thirds of `order`, with the rise of a weighted line through all units."""
    third = _thirds(order)
    counts: FloatArray = np.bincount(third, whole, minlength=len(THIRDS)).astype(np.float64)
    shares = ratio(np.bincount(third, part, minlength=len(THIRDS)).astype(np.float64), counts)
    x = (order - order.min()) / max(order.max() - order.min(), 1e-12)
    sums = np.stack([whole, whole * x, whole * x**2, part, part * x], axis=1)
    labels, cluster = np.unique(clusters, return_inverse=True)
    n = len(labels)
    by_participant = np.zeros((n, sums.shape[1]))
    np.add.at(by_participant, cluster, sums)
    change = float(_rise(by_participant.sum(axis=0, keepdims=True))[0])
    interval = undefined_interval(drawn.level, f"bootstrap over participants, needs {FEWEST_PARTICIPANTS}")
    if drawn.resamples and n >= FEWEST_PARTICIPANTS and isfinite(change):
        times = drawn.rng.multinomial(n, np.full(n, 1 / n), size=drawn.resamples).astype(np.float64)
        interval = percentile_interval(_rise(times @ by_participant), drawn.level, unit="participants")
    return Trend(rater, tuple(counts.astype(int).tolist()), tuple(shares.tolist()), change, interval)


def _rise(sums: FloatArray) -> FloatArray:
    """The slope of a weighted line, from sums of w, wx, wxx, wy, wxy; NaN where all units stand in one place."""
    w, wx, wxx, wy, wxy = sums.T
    spread = w * wxx - wx**2
    return ratio(w * wxy - wx * wy, np.where(spread > 1e-12 * w * wxx, spread, 0.0))
