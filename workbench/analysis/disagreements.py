"""What raters disagree about, and what each sort of disagreement costs.

The cost of a sort is the share of all disagreement between pairs of raters (MASI distance of their sets of codes,
added up over units) that would go if the raters agreed to apply the codes concerned in just these units.
A disagreement is of one kind: `label` where each of two raters applied a code that the other did not; else
`boundary` where the rater who did not apply the code did so in the unit before or after; else `omission`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import nan
from typing import Literal

import numpy as np

from workbench.analysis.ratings import FloatArray, Ratings
from workbench.analysis.reading_aids import WORD

Unit = tuple[str, str]
Kind = Literal["label", "boundary", "omission"]
FEWEST_WITH_WORD = 3
WORDS = 15


@dataclass(frozen=True, slots=True, eq=False)
class Confusion:
    """Two codes that took each other's place: in `n` units one rater applied the one, another rater the other, and neither both.

    `by_direction` counts (rater with `first`, rater with `second`). `expected` is what chance alone would give, did
    disagreements about the one code fall on units without regard to the other.
    """

    first: str
    second: str
    n: int
    by_direction: dict[tuple[str, str], int]
    expected: float
    units: tuple[Unit, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Disagreement:
    """One sort of disagreement: its kind, the code (two for `label`), who did not apply it, and in which units.

    For `label`, `raters` are the two, whoever applied which; else (who applied it, who did not).
    `cost` is the share of all disagreement that settling these units would remove, `alpha_gain` what alpha over sets
    of codes would gain by it, expected disagreement held.
    """

    kind: Kind
    codes: tuple[str, ...]
    raters: tuple[str, str]
    cost: float
    alpha_gain: float
    units: tuple[Unit, ...]


@dataclass(frozen=True, slots=True, eq=False)
class HardUnit:
    """A unit to which no two raters gave the same codes, with two codes or more in dispute."""

    unit: Unit
    participant: str
    given: dict[str, tuple[str, ...]]
    n_disputed: int
    distance: float


@dataclass(frozen=True, slots=True, eq=False)
class Disagreements:
    """All disagreement in a round, most costly first; `disputed` units are not coded alike by all who saw them, `alike` ones are."""

    sorts: tuple[Disagreement, ...]
    confusions: tuple[Confusion, ...]
    hard: tuple[HardUnit, ...]
    disputed: tuple[Unit, ...]
    alike: tuple[Unit, ...]

    def share_of(self, kind: Kind) -> float:
        """What part of the disagreements counted is of this kind."""
        counted = [(one.kind, len(one.units)) for one in self.sorts]
        total = sum(n for _, n in counted)
        return sum(n for name, n in counted if name == kind) / total if total else nan


def disagreements(double: Ratings, neighbours: Mapping[Unit, Sequence[Unit]], alpha: float) -> Disagreements:
    """The disagreements in double-coded units; `neighbours` has the units beside each, `alpha` that over sets of codes."""
    confusions = _confusions(double)
    sets = double.sets
    found, total = _sorts(
        double, sets, neighbours, {(one.first, one.second): one.n - one.expected for one in confusions}
    )
    sorts = [
        Disagreement(kind, codes, raters, gone / total, (1 - alpha) * gone / total, tuple(units))
        for (kind, codes, raters), (gone, units) in found.items()
    ]
    sorts.sort(key=lambda one: (-one.cost, one.kind, one.codes, one.raters))
    n_different = [len({*row} - {None}) for row in sets]
    disputed, alike = (
        tuple(unit for unit, n in zip(double.units, n_different, strict=True) if (n > 1) == different)
        for different in (True, False)
    )
    return Disagreements(tuple(sorts), tuple(confusions), tuple(_hard(double, sets)), disputed, alike)


def _confusions(double: Ratings) -> list[Confusion]:
    """Pairs of codes, those with the largest excess over chance first."""
    q = len(double.codes)
    n, expected = np.zeros((q, q)), np.zeros((q, q))
    ways: dict[tuple[int, int], dict[tuple[str, str], int]] = {}
    where: dict[tuple[int, int], set[int]] = {}
    for a, b in combinations(range(len(double.raters)), 2):
        only_a, only_b = _only(double, a, b), _only(double, b, a)
        n_both = int((double.rated[:, a] & double.rated[:, b]).sum())
        together = only_a.T @ only_b
        n += together
        expected += np.outer(only_a.sum(axis=0), only_b.sum(axis=0)) / max(n_both, 1)
        for x, y in np.argwhere(together > 0).tolist():
            pair, raters = ((x, y), (a, b)) if x < y else ((y, x), (b, a))
            names = double.raters[raters[0]], double.raters[raters[1]]
            ways.setdefault(pair, {})[names] = int(together[x, y])
            where.setdefault(pair, set()).update(np.flatnonzero(only_a[:, x] * only_b[:, y]).tolist())
    found = [
        Confusion(
            double.codes[x],
            double.codes[y],
            int(n[x, y] + n[y, x]),
            by_direction,
            float(expected[x, y] + expected[y, x]),
            tuple(double.units[place] for place in sorted(where[x, y])),
        )
        for (x, y), by_direction in ways.items()
    ]
    return sorted(found, key=lambda one: (one.expected - one.n, one.first, one.second))


def _only(double: Ratings, a: int, b: int) -> FloatArray:
    """1 where rater a applied a code and rater b could have and did not (units, codes)."""
    only: FloatArray = ((double.applied[:, a] == 1) & (double.applied[:, b] == 0)).astype(np.float64)
    return only


Sort = tuple[Kind, tuple[str, ...], tuple[str, str]]
Sets = list[list[frozenset[str] | None]]


def _sorts(
    double: Ratings, sets: Sets, neighbours: Mapping[Unit, Sequence[Unit]], excess: Mapping[tuple[str, str], float]
) -> tuple[dict[Sort, tuple[float, list[Unit]]], float]:
    """How much distance each sort would take away, and its units; and all distance there is."""
    of_unit = {unit: dict(zip(double.raters, row, strict=True)) for unit, row in zip(double.units, sets, strict=True)}
    could_use = np.asarray((~np.isnan(double.applied)).any(axis=0))
    usable = {
        rater: frozenset(double.codes[code] for code in np.flatnonzero(could_use[place]))
        for place, rater in enumerate(double.raters)
    }
    found: dict[Sort, tuple[float, list[Unit]]] = {}
    total = 0.0
    for unit, given in of_unit.items():
        beside = [of_unit[other] for other in neighbours.get(unit, ()) if other in of_unit]
        for a, b in combinations(double.raters, 2):
            first, second = given[a], given[b]
            if first is None or second is None or first == second:
                continue
            total += (distance := masi_distance(first, second))
            only = {a: (first - second) & usable[b], b: (second - first) & usable[a]}
            for sort in _of_pair(only, a, b, beside, excess):
                agreed = frozenset(sort[1])
                gone, units = found.setdefault(sort, (0.0, []))
                if not units or units[-1] != unit:
                    units.append(unit)
                found[sort] = gone + distance - masi_distance(first | agreed, second | agreed), units
    return found, total


def _of_pair(
    only: Mapping[str, frozenset[str]],
    a: str,
    b: str,
    beside: Sequence[Mapping[str, frozenset[str] | None]],
    excess: Mapping[tuple[str, str], float],
) -> list[Sort]:
    """The sorts of disagreement of two raters in a unit; each code goes with the one it is most often confused with."""
    if only[a] and only[b]:
        pairs = {_most_confused(code, only[b], excess) for code in only[a]}
        pairs |= {_most_confused(code, only[a], excess) for code in only[b]}
        return [("label", pair, (a, b)) for pair in sorted(pairs)]
    applied, without = (a, b) if only[a] else (b, a)
    near = frozenset().union(*(given[without] or frozenset() for given in beside))
    return [("boundary" if code in near else "omission", (code,), (applied, without)) for code in sorted(only[applied])]


def _most_confused(code: str, others: frozenset[str], excess: Mapping[tuple[str, str], float]) -> tuple[str, str]:
    def pair(other: str) -> tuple[str, str]:
        return (code, other) if code < other else (other, code)

    return max(map(pair, sorted(others)), key=lambda one: excess.get(one, 0.0))


def masi_distance(a: frozenset[str], b: frozenset[str]) -> float:
    """1 - m |a & b| / |a | b|, m = 1 for equal sets, 2/3 where one holds the other, 1/3 where they overlap."""
    if a == b:
        return 0.0
    return 1 - len(a & b) / len(a | b) * (2 / 3 if a <= b or b <= a else 1 / 3)


def _hard(double: Ratings, sets: Sets) -> list[HardUnit]:
    """Units that all find hard, most in dispute first."""
    found = []
    for unit, participant, row in zip(double.units, double.participants, sets, strict=True):
        given = {rater: one for rater, one in zip(double.raters, row, strict=True) if one is not None}
        disputed = frozenset().union(*given.values()) - frozenset.intersection(*given.values())
        if len(set(given.values())) == len(given) and len(disputed) > 1:
            pairs = [masi_distance(first, second) for first, second in combinations(given.values(), 2)]
            coded = {rater: tuple(sorted(one)) for rater, one in given.items()}
            found.append(HardUnit(unit, participant, coded, len(disputed), sum(pairs) / len(pairs)))
    return sorted(found, key=lambda one: (-one.n_disputed, -one.distance, one.unit))


@dataclass(frozen=True, slots=True)
class TypicalWord:
    """A word, in how many of the disputed and of the other units it stands, and its log odds ratio over its standard error."""

    word: str
    n_disputed: int
    n_others: int
    z: float


def typical_words(texts: Mapping[str, str], disputed: Sequence[str], others: Sequence[str]) -> list[TypicalWord]:
    """Words that stand in disputed units more often than in `others`, the most typical first, at most fifteen.

    `texts` has the words of each unit; units without a text are left out. Words in fewer than three units say nothing.
    Log odds ratio with 0.5 added to each cell, over its standard error: Haldane 1956, Annals of Human Genetics
    20:309 (from memory). Many words are looked at, so this points and proves nothing.
    """
    from sklearn.feature_extraction.text import CountVectorizer

    groups = [[texts[unit] for unit in units if unit in texts] for units in (disputed, others)]
    if not all(groups):
        return []
    try:
        vectorizer = CountVectorizer(binary=True, min_df=FEWEST_WITH_WORD, token_pattern=WORD)
        held = vectorizer.fit_transform([*groups[0], *groups[1]])
    except ValueError:  # no word stands in three units
        return []
    n_disputed, n_others = map(len, groups)
    inside = np.asarray(held[:n_disputed].sum(axis=0)).ravel()
    outside = np.asarray(held[n_disputed:].sum(axis=0)).ravel()
    cells = np.stack([inside, n_disputed - inside, outside, n_others - outside]) + 0.5
    z = (np.log(cells[0] / cells[1]) - np.log(cells[2] / cells[3])) / np.sqrt((1 / cells).sum(axis=0))
    words = vectorizer.get_feature_names_out()
    order = [place for place in np.lexsort((words, -z)) if z[place] > 0][:WORDS]
    return [TypicalWord(str(words[place]), int(inside[place]), int(outside[place]), float(z[place])) for place in order]
