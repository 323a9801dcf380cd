"""How much each further interview added to the codes: base size, run length, new information.

After Guest, Namey & Chen (2020, PLOS ONE 15(5): e0232076). The codes of the first interviews are the base; a run is some
interviews that follow, and its new information is the share of its new codes in the number of codes of the base. Runs
overlap, each beginning one interview after the one before (recalled from the paper, not checked against its examples).
Interviews are taken in the order listed, and in resampled orders, since who came when is chance. A reflexive study makes no claim of saturation.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from math import nan

import numpy as np

from workbench.stats._checks import BoolArray, resampling
from workbench.stats.intervals import FloatArray, IntArray

BASES = (4, 5, 6)
RUNS = (2, 3)
THRESHOLDS = (0.05, 0.0)
ORDERS = 1000
SPAN = (0.025, 0.975)


@dataclass(frozen=True, slots=True)
class Reached:
    """When new information first fell to a threshold: after `at` interviews, confirmed by the `run` that follow.

    `at` is NaN where it never did. Over resampled orders `share` says in how many it did, and `median`, `low` and `high`
    after how many interviews among these.
    """

    base: int
    run: int
    threshold: float
    at: float
    share: float
    median: float
    low: float
    high: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Saturation:
    """Codes found by the first 1, 2, ... interviews: as listed, and mean and span of 95 in 100 over resampled orders."""

    n_interviews: int
    n_codes: int
    listed: IntArray
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    reached: tuple[Reached, ...]
    orders: int


def saturation(
    codes: Mapping[str, AbstractSet[str]],
    *,
    bases: Sequence[int] = BASES,
    runs: Sequence[int] = RUNS,
    thresholds: Sequence[float] = THRESHOLDS,
    orders: int = 0,
    rng: np.random.Generator | None = None,
) -> Saturation:
    """`codes` holds the set of codes of each interview, in the order of the interviews.

    Raises ArgumentError for `orders` without `rng`.

    >>> found = saturation({"A": {"x", "y"}, "B": {"z"}, "C": {"x"}, "D": set()}, bases=[2], runs=[1], thresholds=[0])
    >>> found.listed.tolist(), found.reached[0].at
    ([2, 3, 3, 3], 2.0)
    """
    resampling(orders, rng)
    names = sorted(set().union(*codes.values()))
    present = np.array([[name in found for name in names] for found in codes.values()], dtype=bool)
    present = present.reshape(len(codes), len(names))
    listed = _growth(present, np.arange(len(codes))[None, :])
    drawn = np.array([rng.permutation(len(codes)) for _ in range(orders)]) if rng is not None and orders else None
    grown = listed if drawn is None else _growth(present, drawn)
    low, high = np.quantile(grown, SPAN, axis=0) if len(codes) else (np.empty(0), np.empty(0))
    reached = tuple(
        _reached(listed, grown, base, run, threshold, drawn is not None)
        for base in bases
        for run in runs
        for threshold in thresholds
    )
    return Saturation(len(codes), len(names), listed[0], grown.mean(axis=0), low, high, reached, orders)


def _growth(present: BoolArray, orders: IntArray) -> IntArray:
    """(orders, interviews): how many codes the interviews up to each have, in each order."""
    seen = np.maximum.accumulate(present[orders], axis=1)
    counts: IntArray = seen.sum(axis=2)
    return counts


def _reached(listed: IntArray, grown: IntArray, base: int, run: int, threshold: float, resampled: bool) -> Reached:
    interviews = listed.shape[1]
    if interviews < base + run:
        return Reached(base, run, threshold, nan, nan, nan, nan, nan, f"{interviews} interviews, {base + run} needed")
    if listed[0, base - 1] == 0:
        return Reached(base, run, threshold, nan, nan, nan, nan, nan, f"no code in the first {base} interviews")
    at = float(_first(listed, base, run, threshold)[0])
    if not resampled:
        return Reached(base, run, threshold, at, nan, nan, nan, nan, "")
    found = _first(grown, base, run, threshold)
    held = found[~np.isnan(found)]
    if not held.size:
        return Reached(base, run, threshold, at, 0.0, nan, nan, nan, "")
    low, median, high = np.quantile(held, (SPAN[0], 0.5, SPAN[1]))
    return Reached(base, run, threshold, at, held.size / len(found), float(median), float(low), float(high), "")


def _first(grown: IntArray, base: int, run: int, threshold: float) -> FloatArray:
    """After how many interviews new information first fell to the threshold, in each order; NaN where never."""
    new = grown[:, base - 1 + run :] - grown[:, base - 1 : -run]
    with np.errstate(divide="ignore", invalid="ignore"):
        low_enough = new / grown[:, [base - 1]] <= threshold + 1e-12
    return np.where(low_enough.any(axis=1), base + low_enough.argmax(axis=1), nan)
