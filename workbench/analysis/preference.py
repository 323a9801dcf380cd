"""Preference between the conditions: how often each was ranked where, and whether ranks agree."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import rankdata

from workbench.stats._checks import BoolArray
from workbench.stats.intervals import FloatArray, IntArray
from workbench.stats.preference import ChoiceTest, KendallW, choice_test, kendall_w

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
class Preference:
    """Ranks or choices of the participants with a complete answer.

    `agreement` is None for choices; `first` tests first choices against equal shares.
    """

    kind: str
    conditions: tuple[ConditionPreference, ...]
    n_used: int
    n_dropped: int
    first: ChoiceTest | None
    agreement: KendallW | None


def preference(ranks: pd.DataFrame, kind: str) -> Preference:
    """`ranks` (participants, conditions), 1 = liked best, NaN = not ranked (for a choice: not chosen)."""
    values = ranks.to_numpy(dtype=float)
    answered = ~np.isnan(values).any(axis=1) if kind == "ranking" else (~np.isnan(values)).any(axis=1)
    used = values[answered]
    firsts = _first_choices(used)
    k = used.shape[1] if kind == "ranking" else 0
    midranks, shared = _midranks(used), _shared(used)
    conditions = tuple(
        _condition(str(name), midranks[:, place], shared[:, place], int(firsts[place]), k)
        for place, name in enumerate(ranks.columns)
    )
    several = used.shape[1] > 1
    first = choice_test(firsts) if several and firsts.sum() else None
    agreement = kendall_w(used) if kind == "ranking" and several and len(used) > 1 else None
    return Preference(kind, conditions, len(used), len(values) - len(used), first, agreement)


def _first_choices(used: FloatArray) -> IntArray:
    """How many participants liked each condition best, alone; a shared first rank is no first choice."""
    if not len(used):
        return np.zeros(used.shape[1], dtype=int)
    best = used == np.nanmin(used, axis=1, keepdims=True)
    return np.asarray(best[best.sum(axis=1) == 1].sum(axis=0))


def _midranks(used: FloatArray) -> FloatArray:
    """Ranks 1 to k within each participant, shared ones at their mean, whatever numbers were written down."""
    return np.asarray(rankdata(used, axis=1)) if used.size else used


def _shared(used: FloatArray) -> BoolArray:
    return np.asarray((used[:, :, None] == used[:, None, :]).sum(axis=2) > 1)


def _condition(name: str, ranks: FloatArray, shared: BoolArray, firsts: int, k: int) -> ConditionPreference:
    if not k or not len(ranks):
        return ConditionPreference(name, (), 0, nan, firsts)
    counts = tuple(int(((ranks == rank) & ~shared).sum()) for rank in range(1, k + 1))
    return ConditionPreference(name, counts, int(shared.sum()), float(ranks.mean()), firsts)
