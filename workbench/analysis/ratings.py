"""Codings of one round as arrays: which rater applied which code to which unit, and in what order.

Nothing is computed here. A code that a rater could not have used, because the codebook version they worked
under does not have it, is no rating of that unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.codebook.model import version_age
from workbench.coding.codings import UNIT

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Ratings:
    """What `raters` gave to `units`, each (transcript, unit) of a participant.

    `applied` (units, raters, codes) is 1, 0 or NaN where that rater did not rate the unit, or could not use the code;
    `rated` (units, raters); `place` (units, raters) is when each rater came to a unit, 0 first, NaN not rated.
    """

    units: tuple[tuple[str, str], ...]
    participants: tuple[str, ...]
    raters: tuple[str, ...]
    codes: tuple[str, ...]
    versions: tuple[str, ...]
    applied: FloatArray
    rated: BoolArray
    place: FloatArray

    @property
    def clusters(self) -> IntArray:
        """The participant of each unit, as a number."""
        numbers = {name: number for number, name in enumerate(sorted(set(self.participants)))}
        return np.array([numbers[name] for name in self.participants], dtype=np.int64)

    @property
    def double(self) -> BoolArray:
        """The units that two raters or more rated."""
        return np.asarray(self.rated.sum(axis=1) > 1)

    @property
    def sets(self) -> list[list[frozenset[str] | None]]:
        """The set of codes that each rater gave each unit, None where they did not rate it."""
        if not self.applied.size:
            return [[frozenset() if here else None for here in row] for row in self.rated.tolist()]
        packed = np.packbits(self.applied == 1, axis=2).reshape(self.rated.size, -1)
        distinct, which = np.unique(packed, axis=0, return_inverse=True)
        made = np.empty(len(distinct), dtype=object)
        for place, row in enumerate(np.unpackbits(distinct, axis=1)):
            made[place] = frozenset(self.codes[code] for code in np.flatnonzero(row))
        table = made[which.ravel()].reshape(self.rated.shape)
        table[~self.rated] = None
        sets: list[list[frozenset[str] | None]] = table.tolist()
        return sets

    def only(self, units: BoolArray) -> Ratings:
        """The ratings of some of the units."""
        kept = np.flatnonzero(units)
        return Ratings(
            tuple(self.units[place] for place in kept),
            tuple(self.participants[place] for place in kept),
            self.raters,
            self.codes,
            self.versions,
            self.applied[kept],
            self.rated[kept],
            self.place[kept],
        )


def ratings_of(rows: pd.DataFrame, raters: Sequence[str], known: Mapping[str, frozenset[str]]) -> Ratings:
    """The ratings in `rows` of one round, each rater's unit under one codebook version.

    `known` has the codes of each version; those of the versions that stand in `rows` are the codes.
    """
    import pandas as pd

    units = rows[UNIT].drop_duplicates().sort_values(UNIT, kind="stable")
    index = pd.MultiIndex.from_frame(units)
    versions = sorted(rows["codebook_version"].unique(), key=version_age)
    codes = sorted(frozenset().union(*(known.get(version, frozenset()) for version in versions)))
    unit = index.get_indexer(pd.MultiIndex.from_frame(rows[UNIT]))
    rater = pd.Index(list(raters)).get_indexer(rows["rater"])
    shape = (len(units), len(raters))
    rated, place, version = np.zeros(shape, dtype=bool), np.full(shape, np.nan), np.full(shape, -1)
    rated[unit, rater] = True
    version[unit, rater] = pd.Index(versions).get_indexer(rows["codebook_version"])
    first = ~rows.duplicated([*UNIT, "rater"]).to_numpy()
    for number in range(len(raters)):
        mine = first & (rater == number)
        place[unit[mine], number] = np.arange(mine.sum())
    applied = np.where(rated[:, :, None], 0.0, np.nan) * np.ones(len(codes))
    given = (rows["code"] != "").to_numpy()
    applied[unit[given], rater[given], pd.Index(codes).get_indexer(rows["code"][given])] = 1.0
    usable = np.array([[code in known.get(name, frozenset()) for code in codes] for name in versions], dtype=bool)
    applied[rated] = np.where(usable[version[rated]], applied[rated], np.nan)
    participants = rows.drop_duplicates(UNIT).set_index(UNIT)["participant"].reindex(index)
    return Ratings(
        tuple(index), tuple(participants), tuple(raters), tuple(codes), tuple(versions), applied, rated, place
    )


def numbered(sets: Iterable[Iterable[object]], n_raters: int) -> FloatArray:
    """Ratings (units, raters) with a number in the place of each different value, NaN for None."""
    numbers: dict[object, int] = {}
    flat = [np.nan if one is None else numbers.setdefault(one, len(numbers)) for row in sets for one in row]
    return np.array(flat, dtype=np.float64).reshape(-1, n_raters)


def known_codes(rows: pd.DataFrame) -> dict[str, frozenset[str]]:
    """The codes of each codebook version, as far as codings show: those that anybody used under it."""
    used = rows[rows["code"] != ""]
    by_version = {str(version): frozenset(part["code"]) for version, part in used.groupby("codebook_version")}
    return {version: by_version.get(version, frozenset()) for version in rows["codebook_version"].unique()}
