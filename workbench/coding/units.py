"""Units of coding: whole answers, or sentences, cut from the working text; and what people split or join by hand.

Sentences are found by Punkt (Kiss & Strunk 2006), which learns abbreviations and beginnings of sentences from the
study's own transcripts; nothing is downloaded. It learns from the transcripts as read, so a correction in one place
moves no boundary elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import nan
from typing import Any, Literal, Protocol

from workbench.coding.working_text import WorkingTranscript, WorkingTurn, occurrences
from workbench.errors import ArgumentError, Finding
from workbench.transcripts.turns import Transcript

Kind = Literal["answers", "sentences", "spans"]
KINDS: tuple[Kind, ...] = ("answers", "sentences", "spans")

LEARNED_FROM = 100_000
"""Words of a language from which sentences are learned; of more, every second (third, …) pair of turns is taken."""

_BACK_CHANNEL = frozenset(
    [
        "mhm",
        "mm",
        "mmm",
        "mm-hm",
        "mm-hmm",
        "hm",
        "hmm",
        "uh",
        "uh-huh",
        "huh",
        "ah",
        "aha",
        "oh",
        "okay",
        "ok",
        "yeah",
        "yes",
        "yep",
        "right",
        "sure",
        "good",
        "great",
        "exactly",
        "wow",
        "ja",
        "genau",
        "gut",
        "klar",
        "stimmt",
        "so",
        "na",
        "oui",
        "d'accord",
        "sí",
        "vale",
    ]
)
_BACK_CHANNEL_PHRASES = frozenset(
    ("i see", "go on", "of course", "got it", "alles klar", "na klar", "ach so", "je vois", "bien sûr")
)
_BACK_CHANNEL_WORDS = 3
"""Words up to which a turn can be a back-channel: a sign of listening."""

_ABBREVIATIONS = {
    "en": ["e.g", "i.e", "etc", "dr", "mr", "mrs", "ms", "prof", "vs", "approx", "st", "cf", "fig", "resp", "incl"],
    "de": [
        "z.b",
        "d.h",
        "u.a",
        "bzw",
        "usw",
        "ca",
        "nr",
        "dr",
        "prof",
        "hr",
        "fr",
        "evtl",
        "ggf",
        "inkl",
        "sog",
        "vgl",
        "std",
        "min",
        "sek",
        "u.ä",
    ],
    "fr": ["p.ex", "c.-à-d", "etc", "m", "mme", "dr", "env"],
}
_ELLIPSIS = re.compile(r"(?:\.{2,}|…)[\"'”’»)\]]*\s+(?=\S)")
_WORD = re.compile(r"[^\W\d_]+(?:[-'’][^\W\d_]+)*")
_ASIDE = re.compile(r"\[[^\]]*\]|\([^)]*\)")


@dataclass(frozen=True, slots=True)
class Piece:
    """Where a part of a unit stands: from `start` to `end` of the turn `turn`, from `at` on in the unit's text."""

    turn: str
    start: int
    end: int
    at: int


@dataclass(frozen=True, slots=True)
class Unit:
    """What is coded. Offsets of coded spans are code points into `text`, which holds the turns on lines of their own.

    `turn` is the first turn, in which it begins at `start`; it ends at `end` of its last.
    """

    id: str
    transcript: str
    participant: str
    turn: str
    start: int
    end: int
    text: str
    question: str
    condition: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Units:
    """The units of a transcript in order; `notes` tell of decisions that could not be followed."""

    items: tuple[Unit, ...]
    notes: tuple[Finding, ...] = ()

    def texts(self) -> dict[str, str]:
        """The text of each unit by its id."""
        return {unit.id: unit.text for unit in self.items}


class Decision(Protocol):
    """An entry of the journal of kind "unit": key "{transcript}/{unit}"."""

    @property
    def key(self) -> str: ...
    @property
    def content(self) -> dict[str, Any] | None: ...


def units_of(
    transcript: WorkingTranscript,
    kind: Kind,
    *,
    sentences: Sentences | None = None,
    decisions: Iterable[Decision] = (),
) -> Units:
    """The units of a transcript.

    An answer is the participant's turns until somebody else says more than a back-channel or another part begins; its id is
    the transcript's name and the number of its first turn, "A03-002". Sentences are cut inside those turns: "A03-002.1".
    For "spans" the answers are what spans are marked in. Then come `decisions` to split and to join. Raises ArgumentError
    for an unknown kind, and for sentences without `sentences` to find them by.
    """
    if kind not in KINDS:
        raise ArgumentError(f"`kind` is “{kind}”; it is one of {', '.join(KINDS)}.")
    if kind == "sentences" and sentences is None:
        raise ArgumentError("`sentences` is missing; learn_sentences makes it from the study's transcripts.")
    answers = list(_answers(transcript.turns))
    if kind == "sentences" and sentences is not None:
        cut = [one for turns in answers for one in _sentences(transcript, turns, sentences)]
    else:
        cut = [_answer(transcript, turns) for turns in answers]
    return _decided(cut, transcript, decisions)


# ----------------------------------------------------------------------------------------- answers


def _answers(turns: Sequence[WorkingTurn]) -> Iterator[list[WorkingTurn]]:
    """The participant's turns, answer by answer."""
    answer: list[WorkingTurn] = []
    for turn in turns:
        if turn.role == "participant":
            if answer and (turn.question, turn.condition) != (answer[0].question, answer[0].condition):
                yield answer
                answer = []
            answer.append(turn)
        elif answer and not is_back_channel(turn.text):
            yield answer
            answer = []
    if answer:
        yield answer


def is_back_channel(words: str) -> bool:
    """Whether somebody only shows to be listening: up to three words such as "mhm" or "I see", or only "[laughs]".

    A question is none.
    """
    if "?" in words:
        return False
    spoken = _WORD.findall(_ASIDE.sub(" ", words).casefold())
    if re.search(r"\d", _ASIDE.sub(" ", words)) or len(spoken) > _BACK_CHANNEL_WORDS:
        return False
    return " ".join(spoken) in _BACK_CHANNEL_PHRASES or all(word in _BACK_CHANNEL for word in spoken)


def _answer(transcript: WorkingTranscript, turns: Sequence[WorkingTurn]) -> Unit:
    pieces, at = [], 0
    for turn in turns:
        pieces.append(Piece(turn.id, 0, len(turn.text), at))
        at += len(turn.text) + 1
    text = "\n".join(turn.text for turn in turns)
    return _unit(transcript, unit_id(transcript.name, turns[0].id), turns[0], text, pieces)


def _unit(transcript: WorkingTranscript, id: str, first: WorkingTurn, text: str, pieces: Sequence[Piece]) -> Unit:
    return Unit(
        id,
        transcript.name,
        transcript.participant,
        pieces[0].turn,
        pieces[0].start,
        pieces[-1].end,
        text,
        first.question,
        first.condition,
        tuple(pieces),
    )


def unit_id(transcript: str, turn: str) -> str:
    """The id of the answer that begins with a turn: "A03-002" for "2" and, if that was split, its first part; "A03-002b"."""
    number, letters = re.fullmatch(r"(\d+)([ab]*)", turn).groups()  # type: ignore[union-attr]
    return f"{transcript}-{int(number):03d}{letters.rstrip('a')}"


# --------------------------------------------------------------------------------------- sentences


def _sentences(transcript: WorkingTranscript, turns: Sequence[WorkingTurn], sentences: Sentences) -> Iterator[Unit]:
    for turn in turns:
        spans = sentences.spans(turn.text, transcript.language)
        for number, (start, end) in enumerate(spans, start=1):
            id = f"{unit_id(transcript.name, turn.id)}.{number}"
            yield _unit(transcript, id, turn, turn.text[start:end], [Piece(turn.id, start, end, 0)])


@dataclass(frozen=True, slots=True, eq=False)
class _Language:
    """What was learned of a language: Punkt's tokenizer, and the words seen in lower case."""

    tokenizer: Any
    lower: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class Sentences:
    """Finds sentences in each language of the study's transcripts; one that was never seen is cut by plain rules."""

    _languages: Mapping[str, _Language] = field(default_factory=dict)

    def spans(self, text: str, language: str) -> list[tuple[int, int]]:
        """(start, end) of each sentence, half-open, without space at its edges; a line break always ends one.

        After an ellipsis a sentence ends only where the next word has a capital and is seen elsewhere without one: so
        neither in "I was ... not sure" nor before a name, or a German noun.
        """
        learned = self._languages.get(_main(language)) or _learned([], _main(language))
        found = []
        for line in re.finditer(r"[^\n]+", text):
            found += [(line.start() + start, line.start() + end) for start, end in _in_line(line[0], learned)]
        return found


def learn_sentences(transcripts: Iterable[Transcript]) -> Sentences:
    """What the transcripts teach about sentences, language by language. The same transcripts always teach the same."""
    texts: dict[str, list[str]] = {}
    for transcript in transcripts:
        texts.setdefault(_main(transcript.language), []).extend(turn.text for turn in transcript.turns)
    return Sentences({language: _learned(turns, language) for language, turns in sorted(texts.items())})


def _main(language: str) -> str:
    """The language of a tag (BCP 47) without script and region."""
    return language.casefold().partition("-")[0]


def _learned(turns: Sequence[str], language: str) -> _Language:
    """Punkt's parameters, with common abbreviations added.

    Of the abbreviations it learned only those stay that are seen before a small letter, a digit or a comma, and never
    without their point: in little text, a word that often ends a sentence looks like one.
    """
    from nltk.tokenize.punkt import PunktParameters, PunktSentenceTokenizer, PunktTrainer

    words = sum(turn.count(" ") + 1 for turn in turns)
    every = max(1, -(-words // LEARNED_FROM))
    sample = "\n\n".join(turn for place, turn in enumerate(turns) if place // 2 % every == 0)
    parameters: Any = PunktTrainer(sample).get_params() if sample else PunktParameters()
    bare = {word.casefold() for word in re.findall(r"([^\W\d_]+)(?![\w.])", sample)}
    parameters.abbrev_types &= _seen_inside_sentences(sample) - bare
    parameters.abbrev_types |= set(_ABBREVIATIONS.get(language, ()))
    lower = frozenset(word for word in re.findall(r"[^\W\d_]+", sample) if word[0].islower())
    return _Language(PunktSentenceTokenizer(parameters), lower)


def _seen_inside_sentences(text: str) -> set[str]:
    """The words (in lower case) that stand with a point where a sentence goes on."""
    with_point = re.finditer(r"([^\s(\[\"“„]+)\.(?:(?=[,;])|\s+(\w))", text)
    return {one[1].casefold() for one in with_point if one[2] is None or one[2].islower() or one[2].isdigit()}


def _in_line(line: str, learned: _Language) -> Iterator[tuple[int, int]]:
    begins = {start for start, _ in learned.tokenizer.span_tokenize(line)}
    for ellipsis in _ELLIPSIS.finditer(line):
        begins.discard(ellipsis.end())
        word = re.match(r"[\"'“‘«(\[]*([^\W\d_]+)", line[ellipsis.end() :])
        if word and word[1][0].isupper() and word[1].casefold() in learned.lower:
            begins.add(ellipsis.end())
    cuts = [0, *sorted(begins - {0}), len(line)]
    for start, end in pairwise(cuts):
        words = line[start:end]
        if words.strip():
            yield start + len(words) - len(words.lstrip()), start + len(words.rstrip())


@dataclass(frozen=True, slots=True)
class BoundaryScore:
    """How boundaries found compare with boundaries marked by hand; `precision` and `recall` are NaN where undefined."""

    n_marked: int
    n_found: int
    n_hit: int

    @property
    def precision(self) -> float:
        """The share of boundaries found that are marked."""
        return self.n_hit / self.n_found if self.n_found else nan

    @property
    def recall(self) -> float:
        """The share of boundaries marked that are found."""
        return self.n_hit / self.n_marked if self.n_marked else nan


def boundary_score(turns: Iterable[Sequence[str]], sentences: Sentences, language: str) -> BoundaryScore:
    """How well boundaries inside turns are found, where each turn is given as its hand-marked sentences.

    The end of a turn is no boundary that needs finding and is not counted.
    """
    marked = found = hit = 0
    for turn in turns:
        text = " ".join(turn)
        ends = {len(" ".join(turn[:number])) for number in range(1, len(turn))}
        seen = {end for _, end in sentences.spans(text, language)[:-1]}
        marked, found, hit = marked + len(ends), found + len(seen), hit + len(ends & seen)
    return BoundaryScore(marked, found, hit)


# --------------------------------------------------------------------------------------- decisions


def split_content(unit: Unit, at: Sequence[int]) -> dict[str, Any]:
    """The content of a decision to split a unit before each offset of `at` into its text. Raises ArgumentError."""
    places = sorted(at)
    if not places or not _cuts_words(unit, places):
        raise ArgumentError(f"`at` is {list(at)}; words of “{unit.id}” must stand before and after each place.")
    return {"action": "split", "at": places, "quotes": [unit.text[place : place + 40] for place in places]}


def parts_of(units: Iterable[Unit], unit: Unit) -> list[Unit]:
    """The parts of what was one unit before it was split, `unit` among them, in order."""
    whole = unit.id.partition(":")[0]
    return [one for one in units if one.id.partition(":")[0] == whole]


def put_together(parts: Sequence[Unit], texts: Mapping[str, str]) -> tuple[Unit, list[int]]:
    """The unit that was split into the parts, and the place in its text at which each part begins.

    `texts` are the transcript's turns by id.
    """
    whole, starts = parts[0], [0]
    for part in parts[1:]:
        whole = _joined(whole, part, texts)
        starts.append(len(whole.text) - len(part.text))
    return whole, starts


def _decided(units: Sequence[Unit], transcript: WorkingTranscript, decisions: Iterable[Decision]) -> Units:
    """The units after splitting, then joining. A part that is split off is "A03-002:2"; what is joined has the first's id."""
    texts = transcript.texts()
    asked: dict[str, dict[str, Any]] = {}
    for one in decisions:
        name, _, id = one.key.rpartition("/")
        if name == transcript.name and one.content is not None:
            asked[id] = one.content
    notes: list[Finding] = []
    parts: list[Unit] = []
    for unit in units:
        content = asked.get(unit.id, {})
        cuts = _cuts(unit, content) if content.get("action") == "split" else []
        if cuts is None:
            notes.append(_not_followed(transcript, unit.id, "The words where it was split stand there no more."))
        parts += _split(unit, cuts or [])
    found: list[Unit] = []
    joining = False
    for part in parts:
        if joining:
            found[-1] = _joined(found[-1], part, texts)
        else:
            found.append(part)
        joining = asked.get(part.id, {}).get("action") == "join"
    if joining:
        notes.append(_not_followed(transcript, parts[-1].id, "It was joined with a next unit, and there is none."))
    known = {part.id for part in parts}
    notes += [
        _not_followed(transcript, id, "It was split or joined by hand, and there is no such unit any more.")
        for id in asked
        if id not in known
    ]
    return Units(tuple(found), tuple(notes))


def _not_followed(transcript: WorkingTranscript, unit: str, found: str) -> Finding:
    return Finding("attention", "unit changed", transcript.file, unit, found, "Decide anew.")


def _cuts(unit: Unit, content: Mapping[str, Any]) -> list[int] | None:
    """Where a unit is split: as recorded where the words are still there, or else where they stand once; None if nowhere."""
    found = []
    for at, quote in zip(content["at"], content["quotes"], strict=True):
        places = [at] if unit.text.startswith(quote, at) else list(occurrences(quote, unit.text))
        if len(places) != 1:
            return None
        found += places
    return found if _cuts_words(unit, found) else None


def _cuts_words(unit: Unit, places: Sequence[int]) -> bool:
    """Whether words stand before, between and after the places, which go up."""
    edges = [0, *places, len(unit.text)]
    return all(start < end and unit.text[start:end].strip() for start, end in pairwise(edges))


def _split(unit: Unit, cuts: Sequence[int]) -> Iterator[Unit]:
    edges = [0, *cuts, len(unit.text)]
    for number, (start, end) in enumerate(pairwise(edges), start=1):
        words = unit.text[start:end]
        begin, until = start + len(words) - len(words.lstrip()), start + len(words.rstrip())
        id = unit.id if number == 1 else f"{unit.id}:{number}"
        yield _with_pieces(replace(unit, id=id, text=unit.text[begin:until]), _between(unit.pieces, begin, until))


def _between(pieces: Sequence[Piece], start: int, end: int) -> list[Piece]:
    """The pieces of a unit's text from `start` to `end`, counted from `start`."""
    found = []
    for piece in pieces:
        begin, until = max(start, piece.at), min(end, piece.at + piece.end - piece.start)
        if begin < until:
            shift = piece.start - piece.at
            found.append(Piece(piece.turn, begin + shift, until + shift, begin - start))
    return found


def _with_pieces(unit: Unit, pieces: Sequence[Piece]) -> Unit:
    first, last = pieces[0], pieces[-1]
    return replace(unit, turn=first.turn, start=first.start, end=last.end, pieces=tuple(pieces))


def _joined(first: Unit, second: Unit, texts: Mapping[str, str]) -> Unit:
    """Two units as one: of one turn with what stands between them, otherwise on lines of their own."""
    before, after = first.pieces[-1], second.pieces[0]
    between = texts[before.turn][before.end : after.start] if before.turn == after.turn else "\n"
    shift = len(first.text) + len(between)
    moved = [replace(piece, at=piece.at + shift) for piece in second.pieces]
    pieces = [*first.pieces, *moved]
    if before.turn == after.turn:
        pieces = [*first.pieces[:-1], replace(before, end=moved[0].end), *moved[1:]]
    return _with_pieces(replace(first, text=first.text + between + second.text), pieces)
