"""Confirmed replacements in a text: where each stands, and the text with them. Nothing is decided here."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Protocol

GENITIVE = r"(?=(?:['’]s?|s)?(?!\w))"
"""What may follow a name and is kept: an s, an apostrophe, both, or nothing; then the word ends."""

ANY_CASE = ("e-mail address", "link")
"""Kinds that are the same in capitals and small letters."""


class Entry(Protocol):
    """One decided replacement; `transcript` and `turn` (its id) are "" where it holds everywhere.

    `start` is where the phrase stood in that turn, where only that one place is meant, else None.
    """

    @property
    def phrase(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def replacement(self) -> str: ...
    @property
    def decision(self) -> str: ...
    @property
    def transcript(self) -> str: ...
    @property
    def turn(self) -> str: ...
    @property
    def start(self) -> int | None: ...


@dataclass(frozen=True, slots=True)
class Replacement:
    """`phrase` from `start` to `end` (code points) of a text becomes `replacement`."""

    start: int
    end: int
    phrase: str
    replacement: str


def phrase_key(phrase: str) -> str:
    """A phrase as it is compared: NFC, spaces made one, capitals kept."""
    return " ".join(unicodedata.normalize("NFC", phrase).split())


@lru_cache(maxsize=4096)
def whole_words(phrase: str, any_case: bool = False) -> re.Pattern[str]:
    """A pattern for a phrase as whole words, with any spaces between its words, also all in capitals.

    An s or an apostrophe of the genitive may follow and is not part of the match: “Anna” is found in “Annas” and “Anna's”.
    """
    words = phrase_key(phrase).split(" ")
    plain = r"\s+".join(map(re.escape, words))
    spellings = [plain]
    if not any_case and len(phrase) > 2 and phrase.upper() != phrase:
        spellings.append(r"\s+".join(re.escape(word.upper()) for word in words))
    return re.compile(rf"(?<!\w)(?:{'|'.join(spellings)}){GENITIVE}", re.IGNORECASE if any_case else 0)


def places_of(entry: Entry, text: str) -> list[tuple[int, int]]:
    """Where the phrase of an entry stands in a text as whole words: (start, end), in order."""
    any_case = entry.kind in ANY_CASE
    first, in_capitals = _first_words(entry.phrase)
    if not any_case and first not in text and in_capitals not in text:
        return []
    return [match.span() for match in whole_words(entry.phrase, any_case).finditer(text)]


@lru_cache(maxsize=4096)
def _first_words(phrase: str) -> tuple[str, str]:
    """How a phrase may begin; most texts hold neither, which is found much faster than by a pattern."""
    first = phrase_key(phrase).partition(" ")[0]
    return first, first.upper()


def apply_pseudonyms(text: str, turn: tuple[str, str], entries: Iterable[Entry]) -> list[Replacement]:
    """The replacements in a turn's text, in order, none inside another; `turn` is (transcript, id of the turn).

    Confirmed entries count, everywhere or at the place they are bound to; what is decided for a place wins over what is
    decided everywhere, and a rejected phrase hides no name inside it. Longer phrases go first, so that a whole name is not
    cut by its part. Words are matched whole, in the case they were confirmed in or all in capitals; e-mail addresses and links
    in any case. What follows a name as genitive stays, and nothing outside the matches is touched.

    >>> from workbench.pseudonyms.key import KeyEntry
    >>> apply_pseudonyms("It is Annas pot.", ("A01", "1"), [KeyEntry("Anna", "name", "[name 1]", "confirmed")])
    [Replacement(start=6, end=10, phrase='Anna', replacement='[name 1]')]
    """
    if not text:
        return []
    here = [one for one in entries if (one.transcript or turn[0], one.turn or turn[1]) == turn and one.phrase.strip()]
    by_phrase: dict[str, list[tuple[Entry, list[tuple[int, int]]]]] = {}
    for one in here:
        if places := places_of(one, text):
            by_phrase.setdefault(phrase_key(one.phrase), []).append((one, places))
    found: list[Replacement] = []
    for _, several in sorted(by_phrase.items(), key=lambda item: -len(item[0])):
        for (start, end), one in _decided_places(several).items():
            overlapping = any(start < other.end and other.start < end for other in found)
            if one.decision == "confirmed" and not overlapping:
                found.append(Replacement(start, end, text[start:end], one.replacement))
    return sorted(found, key=lambda one: one.start)


def _decided_places(entries: Sequence[tuple[Entry, list[tuple[int, int]]]]) -> dict[tuple[int, int], Entry]:
    """Each place of a phrase in a text and the entry that decides on it: the narrowest, and of those the last."""
    decided: dict[tuple[int, int], Entry] = {}
    for one, places in sorted(entries, key=lambda told: _narrowness(told[0])):
        spans = places
        if one.start is not None:
            meant = one.start
            spans = [min(places, key=lambda span: abs(span[0] - meant))]
        decided.update(dict.fromkeys(spans, one))
    return decided


def _narrowness(entry: Entry) -> tuple[bool, bool, bool]:
    return bool(entry.transcript), bool(entry.turn), entry.start is not None


def with_replacements(text: str, replacements: Sequence[Replacement]) -> str:
    """The text with the replacements of `apply_pseudonyms` in it."""
    parts, here = [], 0
    for one in replacements:
        parts += [text[here : one.start], one.replacement]
        here = one.end
    return "".join([*parts, text[here:]])
