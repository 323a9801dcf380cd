"""Preference between the conditions: how often each was ranked where, whether ranks agree, and how far they lie apart.

No family of the plan can name these tests: they are exploratory.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import nan
from typing import TYPE_CHECKING

import numpy as np

from workbench.analysis.families import Test, adjusted_in_families
from workbench.stats._checks import BoolArray
from workbench.stats._ranks import midranks
from workbench.stats.comparison import McNemarTest, mcnemar
from workbench.stats.intervals import FloatArray, IntArray
from workbench.stats.preference import ChoiceTest, KendallW, PlackettLuce, choice_test, kendall_w, plackett_luce

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, eq=False)
class ConditionPreference:
    """How one condition was ranked. `counts` [rank 1, rank 2, …] count ranks held alone, `shared` those shared."""

    condition: str
    counts: tuple[int, ...]
    shared: int
    mean_rank: float
    first_choices: int


@dataclass(frozen=True, slots=True, eq=False)
class PreferencePair:
    """Two conditions in the rankings: `result.b` participants ranked `first` above `second`, `result.c` the other way.

    The test is the exact sign test; `ties` counts participants who gave both the same rank, who say nothing in it.
    """

    first: str
    second: str
    result: McNemarTest
    ties: int
    test: Test


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """Plackett-Luce abilities from the rankings without shared ranks; `n_shared` participants shared some.

    `shares` (conditions,) are the chances of being ranked first by this model, which add up to 1.
    """

    fit: PlackettLuce
    shares: FloatArray
    n_shared: int


@dataclass(frozen=True, slots=True, eq=False)
class Preference:
    """Ranks or choices of the participants with a complete answer.

    `agreement` and `worth` are None, and `pairs` empty, for choices; `first` tests first choices against equal shares.
    """

    kind: str
    conditions: tuple[ConditionPreference, ...]
    n_used: int
    n_dropped: int
    first: ChoiceTest | None
    agreement: KendallW | None
    pairs: tuple[PreferencePair, ...]
    worth: Worth | None


def preference(
    ranks: pd.DataFrame,
    kind: str,
    *,
    level: float = 0.95,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> Preference:
    """`ranks` (participants, conditions), 1 = liked best, NaN = not ranked (for a choice: not chosen).

    `resamples` of participants make the intervals of Plackett-Luce abilities; they need `rng`.
    """
    values = ranks.to_numpy(dtype=float)
    answered = ~np.isnan(values).any(axis=1) if kind == "ranking" else (~np.isnan(values)).any(axis=1)
    used = values[answered]
    firsts = _first_choices(used)
    names = [str(name) for name in ranks.columns]
    k = used.shape[1] if kind == "ranking" else 0
    midranks, shared = _midranks(used), _shared(used)
    conditions = tuple(
        _condition(name, midranks[:, place], shared[:, place], int(firsts[place]), k)
        for place, name in enumerate(names)
    )
    several = used.shape[1] > 1
    first = choice_test(firsts) if several and firsts.sum() else None
    ranked = kind == "ranking" and several and len(used) > 0
    agreement = kendall_w(used) if ranked and len(used) > 1 else None
    pairs = _pairs(used, names) if ranked else ()
    worth = (
        _worth(midranks[~shared.any(axis=1)], int(shared.any(axis=1).sum()), level, resamples, rng) if ranked else None
    )
    return Preference(kind, conditions, len(used), len(values) - len(used), first, agreement, pairs, worth)


def _pairs(used: FloatArray, names: list[str]) -> tuple[PreferencePair, ...]:
    places = list(combinations(range(len(names)), 2))
    results = [mcnemar(used[:, one] < used[:, other], used[:, one] > used[:, other]) for one, other in places]
    tests = [Test("pairs of ranks", False, "holm", result.p_exact, True) for result in results]
    adjusted = adjusted_in_families(tests)
    return tuple(
        PreferencePair(names[one], names[other], result, result.n_pairs - result.b - result.c, adjusted[id(test)])
        for (one, other), result, test in zip(places, results, tests, strict=True)
    )


def _worth(ranks: FloatArray, n_shared: int, level: float, resamples: int, rng: np.random.Generator | None) -> Worth:
    fit = plackett_luce(ranks, level=level, resamples=resamples, rng=rng)
    odds = np.exp(fit.abilities)
    return Worth(fit, np.asarray(odds / odds.sum()), n_shared)


def _first_choices(used: FloatArray) -> IntArray:
    """How many participants liked each condition best, alone; a shared first rank is no first choice."""
    if not len(used):
        return np.zeros(used.shape[1], dtype=int)
    best = used == np.nanmin(used, axis=1, keepdims=True)
    return np.asarray(best[best.sum(axis=1) == 1].sum(axis=0))


def _midranks(used: FloatArray) -> FloatArray:
    """Ranks 1 to k within each participant, shared ones at their mean, whatever numbers were written down."""
    return np.array([midranks(row) for row in used]) if used.size else used


def _shared(used: FloatArray) -> BoolArray:
    return np.asarray((used[:, :, None] == used[:, None, :]).sum(axis=2) > 1)


def _condition(name: str, ranks: FloatArray, shared: BoolArray, firsts: int, k: int) -> ConditionPreference:
    if not k or not len(ranks):
        return ConditionPreference(name, (), 0, nan, firsts)
    counts = tuple(int(((ranks == rank) & ~shared).sum()) for rank in range(1, k + 1))
    return ConditionPreference(name, counts, int(shared.sum()), float(ranks.mean()), firsts)
