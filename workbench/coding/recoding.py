"""Codings under older versions of the codebook: which still hold under the current one, and which to look at again.

A code that was renamed, merged, or edited in its label, theme or examples carries its codings along. A code that was
split, or whose definition or rules changed, leaves the units it stands on to be coded anew. Codings of a retired code fall away.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from workbench.codebook.model import Change, Codebook, version_age
from workbench.coding.codings import UNIT, codings_that_count
from workbench.coding.decisions import CODING, View, codings_frame
from workbench.store.operations import Entry
from workbench.study import Interviews

if TYPE_CHECKING:
    import pandas as pd

_RATING = [*UNIT, "rater", "round"]
_ASKS_ANEW = ("split", "redefined")


@dataclass(frozen=True, slots=True)
class ToRecode:
    """A unit to look at again: the codes on it that changed since `version`, and how."""

    participant: str
    transcript: str
    unit: str
    rater: str
    round: str
    version: str
    codes: tuple[str, ...]
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RecodeQueue:
    """What is left to look at again, and how many units were looked at again already."""

    items: tuple[ToRecode, ...]
    done: int

    @property
    def left(self) -> int:
        """How many units are left."""
        return len({(one.transcript, one.unit) for one in self.items})


def carried_forward(rows: pd.DataFrame, codebooks: Sequence[Codebook]) -> pd.DataFrame:
    """The codings with those that still hold under the current codebook brought to its version and names.

    All of a rater's codings of a unit in a round come along, or none: where one code asks for coding anew, they stay as
    they were made, so that no unit is counted in part. The rows of versions the codebook does not know stay too.
    """
    import pandas as pd

    if rows.empty or not codebooks:
        return rows
    outcomes = _outcomes(rows, codebooks)
    holds = _by_pair(rows, {pair: one is not None and not one.asks for pair, one in outcomes.items()})
    together = holds.groupby([rows[name] for name in _RATING]).transform("all")
    names = _by_pair(rows, {pair: one.name if one else None for pair, one in outcomes.items()})
    brought = rows[together].assign(code=names[together], codebook_version=_current(codebooks).version)
    kept = brought[brought["code"].notna()].astype({"code": "str"})
    emptied = brought[~_ratings(brought).isin(_ratings(kept))].drop_duplicates(_RATING)
    nothing = emptied.assign(**dict.fromkeys(("code", "about", "stance", "start", "end"), ""))
    whole = pd.concat([rows[~together], kept, nothing.astype({"code": "str"})]).sort_index()
    return whole.drop_duplicates([*_RATING, "start", "end", "codebook_version", "code", "about"])


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What a code of an older version is called now (None: retired), and the changes that ask for coding anew."""

    name: str | None
    asks: tuple[Change, ...]


def _outcomes(rows: pd.DataFrame, codebooks: Sequence[Codebook]) -> dict[tuple[str, str], _Outcome | None]:
    """What became of each version and code in the rows; None where the codebook does not know the version."""
    pairs = rows[["codebook_version", "code"]].drop_duplicates().itertuples(index=False, name=None)
    return {(version, code): _outcome(version, code, codebooks) for version, code in pairs}


def _by_pair(rows: pd.DataFrame, values: Mapping[tuple[str, str], object]) -> pd.Series:
    import pandas as pd

    pairs = zip(rows["codebook_version"], rows["code"], strict=True)
    return pd.Series([values[pair] for pair in pairs], index=rows.index)


def _ratings(rows: pd.DataFrame) -> pd.MultiIndex:
    import pandas as pd

    return pd.MultiIndex.from_frame(rows[_RATING])


def _current(codebooks: Sequence[Codebook]) -> Codebook:
    return max(codebooks, key=lambda one: version_age(one.version))


def _path(codebooks: Sequence[Codebook], version: str) -> list[Codebook] | None:
    """The versions after `version` up to the current one, in order; None where it is none of its ancestors."""
    known = {one.version: one for one in codebooks}
    if version not in known:
        return None
    step, path = _current(codebooks), list[Codebook]()
    while step.version != version:
        path.append(step)
        if step.parent_version not in known or len(path) > len(known):
            return None
        step = known[step.parent_version]
    return path[::-1]


def _outcome(version: str, code: str, codebooks: Sequence[Codebook]) -> _Outcome | None:
    path = _path(codebooks, version)
    if path is None:
        return None
    name: str | None = code
    asks: list[Change] = []
    for step in path:
        mine = [one for one in step.changes if name in one.before]
        asks += [one for one in mine if one.kind in _ASKS_ANEW]
        for one in mine:
            if one.kind in ("renamed", "merged"):
                name = one.after[0]
            elif one.kind == "retired":
                return _Outcome(None, tuple(asks))
    return _Outcome(name, tuple(asks))


def recode_queue(view: View, codebooks: Sequence[Codebook], interviews: Interviews) -> RecodeQueue:
    """The units whose counting codings stand under a code that was split or redefined since, and how many are done."""
    rows = codings_frame(view)
    counting = codings_that_count(rows.assign(codebook_version=""), interviews)
    counted = rows.loc[counting.index]
    outcomes = _outcomes(counted, codebooks)
    asked = counted[_by_pair(counted, {pair: bool(one and one.asks) for pair, one in outcomes.items()}).astype(bool)]
    items = tuple(_to_recode(part, outcomes) for _, part in asked.groupby(_RATING, sort=False))
    waiting = {(one.transcript, one.unit) for one in items}
    once_asked = {
        (entry.transcript, entry.content["unit"])
        for entry in view.history(kind=CODING)
        if entry.content and _asks_anew(entry, codebooks)
    }
    coded = set(counted[UNIT].itertuples(index=False, name=None))
    return RecodeQueue(items, len((once_asked & coded) - waiting))


def _to_recode(part: pd.DataFrame, outcomes: Mapping[tuple[str, str], _Outcome | None]) -> ToRecode:
    """One rater's unit from its rows whose codes ask for coding anew."""
    pairs = list(zip(part["codebook_version"], part["code"], strict=True))
    told = [change.sentence() for pair in pairs if (one := outcomes[pair]) for change in one.asks]
    place = {name: part[name].iloc[0] for name in ("participant", *_RATING)}
    return ToRecode(
        **place,
        version=min((version for version, _ in pairs), key=version_age),
        codes=tuple(dict.fromkeys(code for _, code in pairs)),
        changes=tuple(dict.fromkeys(told)),
    )


def _asks_anew(entry: Entry, codebooks: Sequence[Codebook]) -> bool:
    outcome = _outcome(entry.version, (entry.content or {})["code"], codebooks)
    return bool(outcome and outcome.asks)
