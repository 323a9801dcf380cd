"""Counterbalanced orders of conditions. Pure: ids in, sequences out."""

from __future__ import annotations

from collections.abc import Sequence

from workbench.errors import ArgumentError


def williams_square(conditions: Sequence[str]) -> list[list[str]]:
    """Sequences in which each condition stands in every place, and follows every other, equally often.

    `conditions` (k,) distinct ids. Returns k sequences for even k and 2k for odd k, each a list of
    k ids. Raises ArgumentError for fewer than two or repeated conditions.

    Williams 1949, Australian Journal of Scientific Research A 2:149.

    >>> williams_square(["a", "b"])
    [['a', 'b'], ['b', 'a']]
    """
    k = len(conditions)
    if k < 2 or len(set(conditions)) < k:
        raise ArgumentError(f"`conditions` is {list(conditions)!r}; at least 2 distinct conditions are needed.")
    start = _zigzag(k)
    rows = [[(place + shift) % k for place in start] for shift in range(k)]
    if k % 2:
        rows += [row[::-1] for row in rows]
    return [[conditions[place] for place in row] for row in rows]


def _zigzag(k: int) -> list[int]:
    return [(step + 1) // 2 if step % 2 else (k - step // 2) % k for step in range(k)]
