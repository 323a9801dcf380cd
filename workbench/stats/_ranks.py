"""Ranks with ties, doubled so that midranks are whole numbers, and signed ranks under the two rules for zeros."""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from workbench.stats import _exact
from workbench.stats._checks import largest_magnitude, with_ties

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

Zeros = Literal["pratt", "drop"]


def doubled_midranks(values: FloatArray) -> IntArray:
    """Twice the midranks within each row of `values` (rows, columns); a NaN is not counted by the others."""
    tied = values.copy()
    present = ~np.isnan(values)
    tied[present] = with_ties(values[present], largest_magnitude(values))
    lower = (tied[:, :, None] > tied[:, None, :]).sum(axis=2)
    equal = (tied[:, :, None] == tied[:, None, :]).sum(axis=2)
    doubled: IntArray = 2 * lower + equal + 1
    return doubled


def doubled_midranks_of(values: FloatArray) -> IntArray:
    """Twice the midranks of `values` (n,), by sorting; for thousands of values far quicker than comparing each with each."""
    tied = with_ties(values, largest_magnitude(values))
    ordered = np.sort(tied)
    doubled: IntArray = np.searchsorted(ordered, tied, "left") + np.searchsorted(ordered, tied, "right") + 1
    return doubled


def midranks(tied: FloatArray) -> FloatArray:
    """The ranks of values (n,) whose ties are made equal, 1 = lowest, shared ones at their mean."""
    ordered = np.sort(tied)
    ranks: FloatArray = (np.searchsorted(ordered, tied, "left") + np.searchsorted(ordered, tied, "right") + 1) / 2
    return ranks


@dataclass(frozen=True, slots=True)
class SignedRanks:
    """Doubled ranks (m,) of the differences that are not zero, and which of these are positive."""

    doubled: IntArray
    positive: NDArray[np.bool_]

    @property
    def plus(self) -> int:
        return int(self.doubled[self.positive].sum())

    @property
    def minus(self) -> int:
        return int(self.doubled[~self.positive].sum())

    @property
    def _root(self) -> float:
        return sqrt(int((self.doubled**2).sum()))

    @property
    def z(self) -> float:
        return (self.plus - self.minus) / self._root if len(self.doubled) else nan

    @property
    def z_corrected(self) -> float:
        balance = self.plus - self.minus
        return float(np.sign(balance)) * max(abs(balance) - 2, 0) / self._root if len(self.doubled) else nan

    def above(self) -> float:
        """P(W+ as large as this or larger), exact."""
        return _exact.signed_rank_upper_tail(self.doubled, self.plus)

    def below(self) -> float:
        """P(W+ as small as this or smaller), exact."""
        return _exact.signed_rank_lower_tail(self.doubled, self.plus)

    def two_sided(self) -> float:
        return min(1.0, 2 * _exact.signed_rank_lower_tail(self.doubled, min(self.plus, self.minus)))


def signed_ranks(differences: FloatArray, zeros: Zeros) -> SignedRanks:
    nonzero = differences != 0
    ranked = differences if zeros == "pratt" else differences[nonzero]
    doubled = doubled_midranks_of(np.abs(ranked))
    return SignedRanks(doubled[ranked != 0], differences[nonzero] > 0)


def tied_differences(x: FloatArray, y: FloatArray, shift: float = 0.0) -> FloatArray:
    """x - y - shift, with equal magnitudes made equal by the rule for ties."""
    differences = x - y - shift
    scale = max(largest_magnitude(x, y), abs(shift))
    return np.sign(differences) * with_ties(np.abs(differences), scale) + 0.0
