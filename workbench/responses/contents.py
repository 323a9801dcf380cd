"""The different words of each column of a foreign table, and what they are at first sight.

Answers on a response scale, words that often stand for no answer, times, and what may identify a person.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from workbench.files import Decimal, SourceTable
from workbench.instrument import ResponseFormat
from workbench.responses.names import numbers
from workbench.responses.wordings import words_of

_HEADERS = {
    "participant": "participant participants participantid subject subjectid respondent proband probandin probanden "
    "teilnehmer teilnehmerin teilnehmende vp vpn tn pid code id",
    "condition": "condition conditions version variant treatment scenario prototype bedingung variante fassung szenario",
    "occasion": "occasion when wave timepoint measurement messzeitpunkt zeitpunkt phase",
    "item": "item items question statement frage aussage",
    "answer": "answer response value rating antwort wert bewertung",
    "time": "timestamp time date started ended submitted duration seconds minutes datum zeit zeitstempel uhrzeit dauer",
    "person": "email mail name surname firstname lastname forename vorname nachname phone telephone telefon mobile handy "
    "ip address adresse birthday birthdate geburtstag geburtsdatum",
}
"""Words of headers by what they speak for, in English and German."""
_BEFORE, _AFTER = "before pre pretest vorher vor baseline", "after post posttest nachher nach"
_MISSING = "- – — . .. ? na n.a. nan null none missing k.a. ka #n/a -9 -99 -999 99 999 -77 -88 77 88"
HEADERS = {role: frozenset(words.split()) for role, words in _HEADERS.items()}
OCCASION_WORDS = dict.fromkeys(_BEFORE.split(), "before") | dict.fromkeys(_AFTER.split(), "after")
MISSING_WORDS = {*_MISSING.split(), "k. a.", "keine angabe", "no answer", "not answered", "nicht beantwortet"}
NOT_APPLICABLE_WORDS = {"n/a", "not applicable", "does not apply", "trifft nicht zu", "entfällt", "nicht zutreffend"}
E_MAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
IP_ADDRESS = re.compile(r"\d{1,3}(\.\d{1,3}){3}")
MOMENT = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}.*|\d{1,2}[./]\d{1,2}[./]\d{2,4}.*|\d{1,2}:\d{2}(:\d{2})?( ?[ap]m)?", re.IGNORECASE
)
SAMPLES = 3
MOST_WORDS = 400
"""Different words of one column that are looked at one by one."""


@dataclass(frozen=True, slots=True)
class Contents:
    """The different words of a column, those first seen first, without the empty one."""

    column: str
    words: tuple[str, ...]
    decimal: Decimal = "point"

    @property
    def looked_at(self) -> tuple[str, ...]:
        return self.words[:MOST_WORDS]

    @property
    def samples(self) -> tuple[str, ...]:
        return self.words[:SAMPLES]

    def speaks_for(self, role: str) -> bool:
        """Whether the header is, or begins or ends with, a word that speaks for `role`."""
        parts = words_of(re.sub(r"([a-z])([A-Z])", r"\1 \2", self.column))
        return bool(parts) and bool({*parts[:1], *parts[-1:], "".join(parts)} & HEADERS[role])

    def off_scale(self, formats: Iterable[ResponseFormat]) -> list[str]:
        """The words that are an answer on none of the response scales `formats`."""
        import pandas as pd

        scales = list(formats)
        if any(scale.kind in ("text", "pair") for scale in scales):
            return []
        known = {word.strip() for scale in scales for word in scale.words}
        off = [word for word in self.looked_at if word.casefold() not in known]
        values = numbers(pd.Series(off, dtype="str"), self.decimal) if off else ()
        return [word for word, value in zip(off, values, strict=True) if not any(_on(value, scale) for scale in scales)]

    def mostly_answers(self, response: ResponseFormat) -> bool:
        """Whether at least half of the words are answers on a response scale; those that say "no answer" do not count."""
        off = [word for word in self.off_scale([response]) if not says_nothing(word)]
        return 2 * len(off) <= sum(not says_nothing(word) for word in self.looked_at)


def contents_of(table: SourceTable) -> dict[str, Contents]:
    """The contents of every column."""
    words = {column: dict.fromkeys(word.strip() for word in table.frame[column].unique()) for column in table.columns}
    return {
        column: Contents(column, tuple(word for word in different if word), table.decimal)
        for column, different in words.items()
    }


def says_nothing(word: str) -> bool:
    """Whether `word` often stands for no answer, or for one that does not apply."""
    return word.casefold() in MISSING_WORDS or word.casefold() in NOT_APPLICABLE_WORDS


def _on(value: float, scale: ResponseFormat) -> bool:
    if scale.kind == "choice":
        return value in {float(choice.value) for choice in scale.choices}
    low, high = scale.range
    return low <= value <= high and (value.is_integer() or not scale.whole)
