"""Which item of which instrument a header, or a word in a column of items, seems to name, and why.

Pure comparison of names: item ids, item wordings, and numbers in the order of the items.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Literal

from workbench.instrument import Instrument

Sure = Literal["given", "declared", "sure", "likely", "unsure"]
"""How sure a guess is, from what a person or study.toml says down to what should be looked at."""
SURENESS: tuple[Sure, ...] = ("given", "declared", "sure", "likely", "unsure")

LONGEST_NAME = 6
"""Words of a header beyond which it is compared as wording and no longer searched for an item's id."""
ALIKE, RATHER_ALIKE = 0.85, 0.6
"""Shares of common words from which a header is taken for an item's wording, for sure or likely."""


@dataclass(frozen=True, slots=True)
class ItemMatch:
    """An item that a text seems to name; `rest` is what the text says beside it."""

    instrument: str
    item: str
    sure: Sure
    reason: str
    rest: str = ""

    @property
    def strength(self) -> int:
        return -SURENESS.index(self.sure)


@dataclass(frozen=True, slots=True)
class Wordings:
    """What the items of some instruments may be called: by plain name, and by the words of their wording."""

    names: Mapping[str, Sequence[ItemMatch]]
    texts: Mapping[tuple[str, str], Sequence[str]]
    by_word: Mapping[str, Sequence[tuple[str, str]]]


def words_of(text: str) -> list[str]:
    """The words of `text` in lower case: runs of letters and digits."""
    return re.findall(r"[^\W_]+", text.casefold())


def plain(text: str) -> str:
    """`text` without case, signs, spaces and zeros before numbers: "Real_03" and "real 3" are the same."""
    return re.sub(r"(?<!\d)0+(?=\d)", "", "".join(words_of(text)))


def wordings(instruments: Iterable[Instrument]) -> Wordings:
    """The names and wordings of all items of `instruments`."""
    names: dict[str, list[ItemMatch]] = {}
    texts: dict[tuple[str, str], list[str]] = {}
    by_word: dict[str, list[tuple[str, str]]] = {}
    for instrument in instruments:
        ids = {plain(item.id) for item in instrument.items}
        for number, item in enumerate(instrument.items, start=1):
            known = {
                plain(item.id): ItemMatch(instrument.id, item.id, "sure", f"called like the item {item.id}"),
                plain(instrument.id + item.id): ItemMatch(
                    instrument.id, item.id, "sure", "called like its instrument and the item"
                ),
            }
            for stem in _stems(instrument):
                if f"{stem}{number}" not in ids:
                    reason = f"item {number} of {instrument.id}, by its number"
                    known.setdefault(f"{stem}{number}", ItemMatch(instrument.id, item.id, "likely", reason))
            for name, match in known.items():
                names.setdefault(name, []).append(match)
            words = words_of(item.text)
            if len(words) > 1:
                texts[instrument.id, item.id] = words
                for word in dict.fromkeys(words):
                    by_word.setdefault(word, []).append((instrument.id, item.id))
    return Wordings(names, texts, by_word)


def _stems(instrument: Instrument) -> list[str]:
    """What may stand before the number of an item: the instrument's name, title, initials."""
    parts = words_of(instrument.id.replace("_", " ").replace("-", " "))
    initials = "".join(part[0] for part in parts)
    stems = [plain(instrument.id), plain(instrument.title), initials if len(parts) > 1 else ""]
    return [stem for stem in dict.fromkeys(stems) if stem]


def item_matches(text: str, known: Wordings) -> list[ItemMatch]:
    """The items that `text` seems to name, the best of each instrument, the best first."""
    words = words_of(text)
    found = _named(text, words, known)
    if len(words) > 1:
        found += _worded(words, known)
    best: dict[str, ItemMatch] = {}
    for match in sorted(found, key=lambda match: (-match.strength, len(match.rest))):
        best.setdefault(match.instrument, match)
    return list(best.values())


def _named(text: str, words: Sequence[str], known: Wordings) -> list[ItemMatch]:
    """Items whose name `text` is, or has among its words."""
    found = list(known.names.get(plain(text), ()))
    if len(words) > LONGEST_NAME:
        return found
    for length in range(len(words) - 1, 0, -1):
        for start in range(len(words) - length + 1):
            rest = " ".join([*words[:start], *words[start + length :]])
            for match in known.names.get(plain(" ".join(words[start : start + length])), ()):
                found.append(ItemMatch(match.instrument, match.item, match.sure, match.reason, rest))
    return found


def _worded(words: Sequence[str], known: Wordings) -> list[ItemMatch]:
    """Items whose wording shares most of its words with `words`."""
    shared: Counter[tuple[str, str]] = Counter()
    for word in dict.fromkeys(words):
        shared.update(known.by_word.get(word, ()))
    found = []
    for (instrument, item), n in shared.most_common(12):
        wording = known.texts[instrument, item]
        if 2 * n >= min(len(words), len(wording)):
            match = _likeness(instrument, item, words, wording)
            found += [match] if match else []
    return found


def _likeness(instrument: str, item: str, words: Sequence[str], wording: Sequence[str]) -> ItemMatch | None:
    common = (Counter(words) & Counter(wording)).total()
    rest = " ".join((Counter(words) - Counter(wording)).elements())
    if common == len(wording) and common >= 2:
        says = "is" if not rest else "contains"
        return ItemMatch(
            instrument, item, "sure" if common > 2 or not rest else "likely", f"{says} the wording of {item}", rest
        )
    if common == len(words) and common >= 4:
        return ItemMatch(instrument, item, "likely", f"is a part of the wording of {item}")
    share = 2 * common / (len(words) + len(wording))
    if share < ALIKE:
        share = max(share, SequenceMatcher(None, " ".join(words), " ".join(wording)).ratio() if share > 0.4 else 0.0)
    if share < RATHER_ALIKE or common < 2:
        return None
    reason = f"worded like {item} ({round(100 * share)} % alike)"
    return ItemMatch(instrument, item, "sure" if share >= ALIKE else "likely", reason, rest)
