"""Exact null distributions of rank statistics, conditional on the ties and zeros in the data.

Here live the counting and the Monte Carlo draws; ranking, effects and results live in `comparison`. All ranks
arrive doubled, so midranks are whole numbers and every comparison with an observed statistic is exact. Only
positive terms are added, so small probabilities keep their relative accuracy.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
OrderNumbers = NDArray[np.unsignedinteger[Any]]

MOST_SIGN_FLIPS = 500
MOST_GROUP_PRODUCT = 3_600
MOST_ARRANGED_COLUMNS = 8
MOST_ARRANGED_ROWS = 500
MOST_GRID_CELLS = 4_000_000
DRAWS_AT_ONCE = 4_000


def signed_rank_lower_tail(doubled_ranks: IntArray, at_most: int) -> float:
    """P(2 W+ <= `at_most`) when each of the `doubled_ranks` (m,) is positive or negative by a fair coin."""
    total = int(doubled_ranks.sum())
    if at_most < 0:
        return 0.0
    if 2 * at_most >= total:
        return 1.0 - signed_rank_lower_tail(doubled_ranks, total - at_most - 1)
    return float(_subset_sums(doubled_ranks, at_most).sum() * 0.5 ** len(doubled_ranks))


def signed_rank_upper_tail(doubled_ranks: IntArray, at_least: int) -> float:
    """P(2 W+ >= `at_least`); the distribution is symmetric, whatever the ties."""
    return signed_rank_lower_tail(doubled_ranks, int(doubled_ranks.sum()) - at_least)


@lru_cache(maxsize=64)
def untied_signed_rank_cdf(n: int) -> FloatArray:
    """P(W+ <= w) for w = 0, 1, ... up to the middle, for n untied differences and no zero."""
    cdf: FloatArray = np.cumsum(_subset_sums(np.arange(1, n + 1), n * (n + 1) // 4)) * 0.5**n
    cdf.flags.writeable = False
    return cdf


def _subset_sums(values: IntArray, largest: int) -> FloatArray:
    """How many subsets of `values` have the sum 0, 1, ..., `largest`."""
    step = int(np.gcd.reduce(values)) if len(values) else 1
    largest //= step
    counts = np.zeros(largest + 1)
    counts[0] = 1.0
    reached = 0
    for value in np.sort(values) // step:
        if value > largest:
            break
        reached = min(reached + int(value), largest)
        counts[value : reached + 1] += counts[: reached + 1 - value]
    return counts


def rank_sum_two_sided(doubled_ranks: IntArray, size: int, observed: int) -> float:
    """P(the rank sum of a random `size` of the units lies as far from its mean as `observed` does, or farther).

    `doubled_ranks` (units,); `observed` is the doubled rank sum. With ties the distribution may be
    skewed; both tails are ordered by the distance from the mean.
    """
    units, total = len(doubled_ranks), int(doubled_ranks.sum())
    if 2 * size > units:
        size, observed = units - size, total - observed
    lowest = int(doubled_ranks.min())
    counts = _sized_subset_sums(doubled_ranks - lowest, size)
    sums = np.arange(len(counts)) + size * lowest
    distance = np.abs(sums * units - size * total)
    extreme = distance >= abs(observed * units - size * total)
    return float(counts[extreme].sum() / counts.sum())


@lru_cache(maxsize=64)
def untied_rank_sum_cdf(n_x: int, n_y: int) -> FloatArray:
    """P(U <= u) for u = 0, 1, ..., n_x n_y without ties."""
    counts = _sized_subset_sums(np.arange(n_x + n_y), min(n_x, n_y))
    smaller = min(n_x, n_y)
    counts = counts[smaller * (smaller - 1) // 2 :]
    cdf: FloatArray = np.cumsum(counts) / counts.sum()
    cdf.flags.writeable = False
    return cdf


def _sized_subset_sums(values: IntArray, size: int) -> FloatArray:
    """How many subsets of `size` of the `values` (0 or more) have the sum 0, 1, 2, ..."""
    ordered = np.sort(values)
    counts = np.zeros((size + 1, int(ordered[-size:].sum()) + 1))
    counts[0, 0] = 1.0
    for seen, value in enumerate(ordered, start=1):
        sizes = min(seen, size)
        reached = int(ordered[seen - sizes : seen].sum())
        counts[1 : sizes + 1, value : reached + 1] += counts[:sizes, : reached + 1 - value]
    of_size: FloatArray = counts[size]
    return of_size


@lru_cache(maxsize=256)
def arrangements(row: tuple[int, ...]) -> IntArray:
    """The distinct orders (arrangements, columns) of one row; under the null hypothesis equally likely."""
    return np.unique(np.array(list(permutations(row)), dtype=np.int64), axis=0)


def column_sums_fit(rows: IntArray) -> bool:
    """Whether `column_sum_tail` can enumerate these `rows` in a second or so."""
    if rows.shape[0] > MOST_ARRANGED_ROWS or rows.shape[1] > MOST_ARRANGED_COLUMNS:
        return False
    lows, highs = _sorted_sum_bounds(np.sort(rows, axis=1).sum(axis=0))
    return float(np.prod((highs - lows + 1.0)[:-1])) <= MOST_GRID_CELLS


def column_sum_tail(rows: IntArray, at_least: int) -> float:
    """P(the sum of squared column sums >= `at_least`) when every row is put in random order.

    `rows` (participants, conditions), whole numbers. One row after the other is added to the
    distribution of the column sums. All columns are exchangeable, so only sums in ascending order are
    kept, k! times fewer; the last is given by the others.
    """
    columns = rows.shape[1]
    ordered = np.sort(rows[(rows != rows[:, :1]).any(axis=1)], axis=1)
    constant = int(rows[(rows == rows[:, :1]).all(axis=1), 0].sum())
    mixed_parity = ((ordered - ordered[:, :1]) % 2).any(axis=1)
    ordered = ordered[np.argsort(mixed_parity, kind="stable")]
    sums = np.full((columns, 1), constant, dtype=np.int32)
    mass = np.ones(1)
    so_far = np.full(columns, constant, dtype=np.int64)
    for row in ordered:
        orders = arrangements(tuple(row.tolist()))
        so_far = so_far + row
        sums, mass = _add_row(sums, mass, orders.astype(np.int32), so_far)
    squares = (sums.astype(np.int64) ** 2).sum(axis=0)
    return _probability(mass, squares >= at_least)


def _add_row(
    sums: NDArray[np.int32], mass: FloatArray, orders: NDArray[np.int32], largest: IntArray
) -> tuple[NDArray[np.int32], FloatArray]:
    """The ascending column sums (columns, cells) and their probabilities after one more row in random order."""
    moved = (sums[:, None, :] + orders.T[:, :, None]).reshape(len(sums), -1)
    _sort_each_column(moved)
    lows, highs = _sorted_sum_bounds(largest)
    widths = (highs - lows + 1)[:-1]
    key = np.zeros(moved.shape[1], dtype=np.int64)
    for values, low, width in zip(moved[:-1], lows, widths, strict=False):
        key *= width
        key += values
        key -= low
    on_grid = np.asarray(np.bincount(key, weights=np.tile(mass / len(orders), len(orders))), dtype=np.float64)
    cells = np.flatnonzero(on_grid)
    free = np.stack(np.unravel_index(cells, tuple(widths.tolist()))) + lows[:-1, None]
    new_sums = np.vstack([free, largest.sum() - free.sum(axis=0)]).astype(np.int32)
    return new_sums, on_grid[cells]


def _sorted_sum_bounds(largest: IntArray) -> tuple[IntArray, IntArray]:
    """Bounds of the i-th smallest column sum; `largest` are the sums when all rows agree, ascending."""
    counts = np.arange(1, len(largest) + 1)
    lows = -(-np.cumsum(largest) // counts)
    highs = (np.cumsum(largest[::-1]) // counts)[::-1]
    return lows, highs


def _sort_each_column(values: NDArray[np.int32]) -> None:
    """Sort `values` (k, many) down each column, in place; for small k far faster than numpy's sort."""
    smaller = np.empty_like(values[0])
    for last in range(len(values) - 1, 0, -1):
        for i in range(last):
            np.minimum(values[i], values[i + 1], out=smaller)
            np.maximum(values[i], values[i + 1], out=values[i + 1])
            values[i] = smaller


class RandomOrders:
    """Random orders that tables of one size share: drawn once, and the same for each as if it had drawn them alone.

    They are drawn anew where another size is asked for, or where `rng` stands elsewhere in its stream.
    """

    def __init__(self) -> None:
        self._asked: tuple[object, ...] = ()
        self._numbers: OrderNumbers = np.empty((0, 0), dtype=np.uint8)
        self._after: Mapping[str, Any] = {}

    def numbers(self, n: int, k: int, draws: int, rng: np.random.Generator) -> OrderNumbers:
        """The number among `arrangements` of range(k) of each order drawn (n, draws); `rng` moves on behind the draws."""
        asked = (n, k, draws, repr(rng.bit_generator.state))
        if asked != self._asked:
            self._numbers = _numbers_of_drawn_orders(n, k, draws, rng)
            self._asked, self._after = asked, rng.bit_generator.state
        rng.bit_generator.state = self._after
        return self._numbers


def column_sum_hits(
    rows: IntArray, at_least: int, draws: int, rng: np.random.Generator, orders: RandomOrders | None = None
) -> int:
    """In how many of `draws` random orders of every row the sum of squared column sums is `at_least` that."""
    if rows.shape[1] > MOST_ARRANGED_COLUMNS:
        return sum(_hits(drawn.sum(axis=1), at_least) for drawn in _drawn_orders(rows, draws, rng))
    n, k = rows.shape
    numbers = (orders or RandomOrders()).numbers(n, k, draws, rng)
    return _hits(_column_sums(rows, numbers), at_least)


def _hits(sums: IntArray, at_least: int) -> int:
    """How many of the column sums (draws, conditions) have a sum of squares of `at_least` that."""
    return int(((sums**2).sum(axis=1) >= at_least).sum())


def _drawn_orders(rows: IntArray, draws: int, rng: np.random.Generator) -> Iterator[IntArray]:
    """`rows` (participants, conditions) in random order, `draws` times in blocks (some draws, participants, conditions)."""
    for start in range(0, draws, DRAWS_AT_ONCE):
        size = min(DRAWS_AT_ONCE, draws - start)
        yield rng.permuted(np.broadcast_to(rows, (size, *rows.shape)), axis=2)


def _numbers_of_drawn_orders(n: int, k: int, draws: int, rng: np.random.Generator) -> OrderNumbers:
    """For each order drawn (n, draws) its number among `arrangements` of range(k): one small number instead of k."""
    orders = arrangements(tuple(range(k)))
    digits = k ** np.arange(k - 1)
    numbered = np.zeros(k ** (k - 1), dtype=np.uint16)
    numbered[orders[:, :-1] @ digits] = np.arange(len(orders))
    numbers: OrderNumbers = np.empty((n, draws), dtype=np.uint8 if len(orders) <= 256 else np.uint16)
    start = 0
    for drawn in _drawn_orders(np.broadcast_to(np.arange(k, dtype=np.int8), (n, k)), draws, rng):
        key = np.zeros(drawn.shape[:2], dtype=np.int32)
        for place, digit in enumerate(digits.tolist()):
            key += drawn[:, :, place] * np.int32(digit)
        numbers[:, start : start + len(drawn)] = numbered[key].T
        start += len(drawn)
    return numbers


def _column_sums(rows: IntArray, numbers: OrderNumbers) -> IntArray:
    """The column sums (draws, conditions) of `rows`, each in the orders numbered (participants, draws).

    Several column sums are added up as digits of one whole number; the last is given by the others.
    """
    k = rows.shape[1]
    orders = arrangements(tuple(range(k)))
    lowest = rows.min(axis=1)
    above = rows - lowest[:, None]
    base = int(above.max(axis=1).sum()) + 1
    columns: list[IntArray] = []
    while len(columns) < k - 1:
        first = len(columns)
        digits = [base**place for place in range(k - 1 - first) if base ** (place + 1) < 2**63]
        packed = np.zeros(numbers.shape[1], dtype=np.int64)
        for row, drawn in zip(above, numbers, strict=True):
            packed += (row[orders[:, first : first + len(digits)]] @ np.array(digits))[drawn]
        columns += [packed // digit % base for digit in digits]
    free = np.stack(columns, axis=1)
    return np.column_stack([free, above.sum() - free.sum(axis=1)]) + int(lowest.sum())


def trend_upper_tail(doubled_ranks: IntArray, at_least: int) -> float:
    """P(2 L >= `at_least`) for Page's L, every row of `doubled_ranks` (participants, conditions) in random order."""
    weights = np.arange(1, doubled_ranks.shape[1] + 1)
    distribution, offset = np.ones(1), 0
    rows, repeats = np.unique(np.sort(doubled_ranks, axis=1), axis=0, return_counts=True)
    for row, times in zip(rows, repeats, strict=True):
        values = arrangements(tuple(row.tolist())) @ weights
        offset += int(values.min()) * int(times)
        chances = np.bincount(values - values.min()) / len(values)
        for _ in range(times):
            distribution = np.convolve(distribution, chances)
    return _probability(distribution, np.arange(len(distribution)) + offset >= at_least)


def _probability(mass: FloatArray, event: NDArray[np.bool_]) -> float:
    """The probability of `event`, from its complement where that is smaller, so a sure event has exactly 1."""
    inside = float(mass[event].sum())
    return inside if inside < 0.5 else 1.0 - float(mass[~event].sum())
