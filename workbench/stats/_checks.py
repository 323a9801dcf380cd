"""Checks of arguments, and the one rule for ties, shared by the statistics.

A check names the argument, what arrived and what is needed, and raises ArgumentError.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from workbench.errors import ArgumentError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

TIE_TOLERANCE = 1e-9


def number_array(name: str, values: ArrayLike, *, dimensions: int) -> FloatArray:
    """`values` as floats with `dimensions` axes; None becomes NaN; text and infinity are refused."""
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise ArgumentError(
            f"`{name}` holds something that is not a number, or rows of unequal length; numbers and NaN (missing) are needed."
        ) from None
    if array.ndim != dimensions:
        raise ArgumentError(f"`{name}` has {array.ndim} dimension(s) {array.shape}; {dimensions} are needed.")
    if np.isinf(array).any():
        raise ArgumentError(f"`{name}` holds an infinite value; finite numbers and NaN (missing) are needed.")
    return array


def at_least(name: str, what: str, found: int, needed: int) -> None:
    if found < needed:
        raise ArgumentError(f"`{name}` has {found} {what}; at least {needed} are needed.")


def same_length(first: str, a: Sequence[Any] | NDArray[Any], second: str, b: Sequence[Any] | NDArray[Any]) -> None:
    if len(a) != len(b):
        raise ArgumentError(
            f"`{first}` has {len(a)} values and `{second}` has {len(b)}; they must have as many as each other."
        )


def one_of(name: str, value: object, choices: Sequence[str]) -> None:
    if value not in choices:
        raise ArgumentError(f"`{name}` is {value!r}; one of {', '.join(map(repr, choices))} is needed.")


def level_between_0_and_1(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise ArgumentError(f"`{name}` is {value}; a value between 0 and 1 is needed.")


def resampling(resamples: int, rng: np.random.Generator | None) -> None:
    if resamples < 0:
        raise ArgumentError(f"`resamples` is {resamples}; 0 or more are needed.")
    if resamples > 0 and rng is None:
        raise ArgumentError("`resamples` was given without `rng`; pass a numpy.random.Generator.")
    if rng is not None and not isinstance(rng, np.random.Generator):
        raise ArgumentError(f"`rng` is {type(rng).__name__}; a numpy.random.Generator is needed.")


def complete_rows(values: FloatArray) -> tuple[FloatArray, int]:
    """The rows without a missing value, and how many were dropped."""
    whole = ~np.isnan(values).any(axis=1)
    return values[whole], int((~whole).sum())


def largest_magnitude(*arrays: FloatArray) -> float:
    """The largest finite |value| among the inputs: the scale that the tie rule is relative to."""
    return max(
        (float(np.nanmax(np.abs(array))) for array in arrays if array.size and not np.isnan(array).all()), default=0.0
    )


def with_ties(values: FloatArray, scale: float) -> FloatArray:
    """`values` (n,) with those that agree to 1e-9 of `scale` made identical, and near-zeros zero.

    So sums and float means of the same items give the same ranks and the same zeros.
    """
    values = np.asarray(values, dtype=np.float64)
    if values.size == 0:
        return values.copy()
    tolerance = TIE_TOLERANCE * scale
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    starts = np.concatenate(([True], np.diff(ordered) > tolerance))
    tied = np.empty_like(values)
    tied[order] = ordered[starts][np.cumsum(starts) - 1]
    tied[np.abs(tied) <= tolerance] = 0.0
    return tied
