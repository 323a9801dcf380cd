"""Aids for reading interviews: words in context, words that go together, and who spoke how much.

They count and show; what it means is for a reader. Asides of the transcriber in square brackets, such as "[laughs]", are
no spoken words and are not counted.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import nan
from typing import Literal

from workbench.coding.working_text import WorkingTranscript, WorkingTurn
from workbench.errors import ArgumentError
from workbench.transcripts.turns import Role

Measure = Literal["log-likelihood", "pointwise mutual information", "frequency"]
MEASURES: tuple[Measure, ...] = ("log-likelihood", "pointwise mutual information", "frequency")

_ASIDE = re.compile(r"\[[^\]]*\]")
WORD = r"\w+(?:[-'’]\w+)*"
"""A word, as a pattern: with what stands behind a hyphen or an apostrophe."""
_WORD = re.compile(WORD)


@dataclass(frozen=True, slots=True)
class InContext:
    """A place where words stand: `before` and `after` are what stands beside them in the same turn."""

    transcript: str
    participant: str
    turn: str
    role: Role
    start: int
    end: int
    before: str
    words: str
    after: str


def words_in_context(
    transcripts: Iterable[WorkingTranscript],
    words: str,
    *,
    width: int = 60,
    roles: Sequence[Role] = ("participant",),
) -> list[InContext]:
    """Every place where `words` stand, as whole words with any space between, in capitals or not.

    A "*" at the end of a word stands for more letters: "heav*" finds "heavy" and "heavier". `width` is how many code points
    of the turn are shown on each side, `roles` whose words are looked through. Raises ArgumentError where `words` is empty.

    >>> words_in_context([], "heavy")
    []
    """
    if not words.replace("*", "").strip():
        raise ArgumentError(f"`words` is “{words}”; a word to look for is needed.")
    if width < 0:
        raise ArgumentError(f"`width` is {width}; it counts code points and cannot be negative.")
    phrase = r"\s+".join(re.escape(part).replace(r"\*", r"\w*") for part in words.split())
    pattern = re.compile(rf"(?<!\w){phrase}(?!\w)", re.IGNORECASE)
    return [
        InContext(
            transcript.name,
            transcript.participant,
            turn.id,
            turn.role,
            match.start(),
            match.end(),
            turn.text[max(0, match.start() - width) : match.start()],
            match[0],
            turn.text[match.end() : match.end() + width],
        )
        for transcript, turn in _turns(transcripts, roles)
        for match in pattern.finditer(turn.text)
    ]


@dataclass(frozen=True, slots=True)
class Collocation:
    """Two words that stand next to each other: how often, each how often, and the value of the measure."""

    first: str
    second: str
    n_together: int
    n_first: int
    n_second: int
    value: float


def collocations(
    transcripts: Iterable[WorkingTranscript],
    *,
    measure: Measure = "log-likelihood",
    at_least: int = 3,
    left_out: Iterable[str] = (),
    roles: Sequence[Role] = ("participant",),
) -> list[Collocation]:
    """Pairs of neighboring words that stand together `at_least` times, the highest value first, then by the alphabet.

    Pairs do not reach over the end of a turn. Words are compared in lower case; pairs with one of `left_out` (such as "the")
    are not listed, but count for the others. Measures: log-likelihood G-squared of the two-by-two table (Dunning 1993);
    pointwise mutual information in bits (Church & Hanks 1990), which favors rare pairs; plain frequency as a share.
    Pairs that stand together no more often than by chance are not listed: log-likelihood is high for words that avoid each
    other too.

    References: Dunning, T. (1993), Computational Linguistics 19(1), 61-74. Church, K. W., & Hanks, P. (1990), Computational
    Linguistics 16(1), 22-29. Both from memory.
    """
    from nltk.collocations import BigramAssocMeasures, BigramCollocationFinder

    if measure not in MEASURES:
        raise ArgumentError(f"`measure` is “{measure}”; it is one of {', '.join(MEASURES)}.")
    if at_least < 1:
        raise ArgumentError(f"`at_least` is {at_least}; a pair stands together once at least.")
    turns = [[word.casefold() for word in spoken_words(turn.text)] for _, turn in _turns(transcripts, roles)]
    finder = BigramCollocationFinder.from_documents(turns)
    scored = finder.score_ngrams(
        {
            "log-likelihood": BigramAssocMeasures.likelihood_ratio,
            "pointwise mutual information": BigramAssocMeasures.pmi,
            "frequency": BigramAssocMeasures.raw_freq,
        }[measure]
    )
    words, pairs, without = finder.word_fd, finder.ngram_fd, {word.casefold() for word in left_out}
    found = [
        Collocation(first, second, pairs[first, second], words[first], words[second], value)
        for (first, second), value in scored
        if pairs[first, second] >= at_least
        and not without & {first, second}
        and pairs[first, second] * words.N() > words[first] * words[second]
    ]
    return sorted(found, key=lambda one: (-one.value, one.first, one.second))


@dataclass(frozen=True, slots=True)
class Speaking:
    """How much one speaker says in a transcript.

    `share` is of the words of the transcript, 0 to 1. `minutes` adds up the turns that have both times and is NaN, with
    `reason`, where some have none; where people overlap, the time counts for each.
    """

    transcript: str
    participant: str
    speaker: str
    role: Role
    n_turns: int
    n_words: int
    share: float
    minutes: float
    reason: str


def speaking(transcripts: Iterable[WorkingTranscript]) -> list[Speaking]:
    """Who spoke how much: a row for each speaker of each transcript, in the order in which they first speak."""
    return [row for transcript in transcripts for row in _speakers(transcript)]


def _speakers(transcript: WorkingTranscript) -> Iterator[Speaking]:
    by_speaker: dict[tuple[str, Role], list[WorkingTurn]] = {}
    for turn in transcript.turns:
        by_speaker.setdefault((turn.speaker, turn.role), []).append(turn)
    total = sum(len(spoken_words(turn.text)) for turn in transcript.turns)
    for (speaker, role), turns in by_speaker.items():
        n_words = sum(len(spoken_words(turn.text)) for turn in turns)
        times = [turn.end - turn.start for turn in turns if turn.start is not None and turn.end is not None]
        untimed = len(turns) - len(times)
        reasons = [f"{untimed} of {len(turns)} turns have no times." if untimed else ""]
        if any(time < 0 for time in times):
            reasons.append("A turn ends before it begins.")
        reasons.append("" if total else "No words are spoken.")
        minutes = nan if untimed or any(time < 0 for time in times) else sum(times) / 60
        yield Speaking(
            transcript.name,
            transcript.participant,
            speaker,
            role,
            len(turns),
            n_words,
            n_words / total if total else nan,
            minutes,
            " ".join(filter(None, reasons)),
        )


def spoken_words(text: str) -> list[str]:
    """The words of a text without asides in square brackets; "don't" and "half-full" are one word each.

    A script without spaces between words has one for each run of letters, so there it counts too few.
    """
    return _WORD.findall(_ASIDE.sub(" ", text))


def _turns(
    transcripts: Iterable[WorkingTranscript], roles: Sequence[Role]
) -> Iterator[tuple[WorkingTranscript, WorkingTurn]]:
    return ((transcript, turn) for transcript in transcripts for turn in transcript.turns if turn.role in roles)
