"""The working text: what was transcribed, with corrections and confirmed pseudonyms over it, and codings kept on their words.

Files and journal stay as they are; the working text is put together anew each time. Offsets are code points. A
correction counts in the text before pseudonyms, so that confirming one moves no correction; its quote is kept as it
was shown, so that no name enters the journal with it. What replaces what, `workbench.pseudonyms` says.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, Protocol

from workbench.errors import ArgumentError
from workbench.pseudonyms.key import KeyEntry
from workbench.pseudonyms.replacing import (
    Replacement,
    apply_pseudonyms,
    phrase_key,
    places_of,
    with_replacements,
)
from workbench.transcripts.turns import Role, Transcript, cleaned, folded, readable

Action = Literal["replace", "speaker", "split", "join", "inaudible"]
INAUDIBLE = "[inaudible]"
NEAR = 200
"""Code points around its old place in which the words of a coding are looked for first."""
_SPLIT_QUOTE = 40
"""Code points of the second part that a split keeps, to be found again by."""


class Correction(Protocol):
    """An entry of the journal of kind "correction"."""

    @property
    def key(self) -> str: ...
    @property
    def transcript(self) -> str: ...
    @property
    def content(self) -> dict[str, Any] | None: ...
    @property
    def seq(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Replaced:
    """A place in the working text where a pseudonym stands, and how long what it replaces is."""

    start: int
    end: int
    length_before: int


@dataclass(frozen=True, slots=True)
class WorkingTurn:
    """A turn as it is read and coded.

    `id` is the turn's number as words; the parts of a turn that was split are "12a" and "12b", and parts of those "12ba" and
    "12bb". Joined turns have the id of the first. `numbers` are the turns of the file whose words it holds.
    """

    id: str
    numbers: tuple[int, ...]
    speaker: str
    role: Role
    text: str
    start: float | None = None
    end: float | None = None
    question: str = ""
    condition: str = ""
    translation: str = ""
    replaced: tuple[Replaced, ...] = ()

    def before_pseudonyms(self, start: int, end: int) -> tuple[int, int]:
        """Where a span of the text stands in the text before pseudonyms; one that cuts into a pseudonym takes all of it."""
        return self._before(start, is_end=False), self._before(end, is_end=True)

    def _before(self, place: int, *, is_end: bool) -> int:
        shift = 0
        for one in self.replaced:
            if place >= one.end:
                shift += one.length_before - (one.end - one.start)
            elif place > one.start:
                return one.start + shift + (one.length_before if is_end else 0)
        return place + shift


@dataclass(frozen=True, slots=True)
class Unresolved:
    """A correction that finds its words no more, for a person to look at."""

    correction: Correction
    why: str


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A pseudonym confirmed for one turn or place that is not to be found there for certain; it does not say the phrase."""

    replacement: str
    turn: str
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class WorkingTranscript:
    """A transcript as it is read and coded; `unresolved` corrections are not in it, `unplaced` pseudonyms ask for a look."""

    name: str
    participant: str
    file: str
    language: str
    turns: tuple[WorkingTurn, ...]
    unresolved: tuple[Unresolved, ...] = ()
    unplaced: tuple[Unplaced, ...] = ()

    def texts(self) -> dict[str, str]:
        """The text of each turn by its id."""
        return {turn.id: turn.text for turn in self.turns}


def working_texts(
    transcripts: Iterable[Transcript], corrections: Iterable[Correction], decisions: Iterable[KeyEntry]
) -> dict[str, WorkingTranscript]:
    """The working text of each transcript, by its name.

    `corrections` are applied in the order of their `seq`; those withdrawn (content None) are passed over. `decisions` are
    the key's entries that count, confirmed and rejected; they come last, so they also replace what a correction brought in.
    """
    by_transcript: dict[str, list[Correction]] = {}
    for one in sorted(corrections, key=lambda one: one.seq):
        if one.content is not None:
            by_transcript.setdefault(one.transcript, []).append(one)
    decided = list(decisions)
    return {
        transcript.name: _working(transcript, by_transcript.get(transcript.name, ()), decided)
        for transcript in transcripts
    }


def _working(
    transcript: Transcript, corrections: Sequence[Correction], decisions: Sequence[KeyEntry]
) -> WorkingTranscript:
    here = [one for one in decisions if one.transcript in ("", transcript.name)]
    layer = _Corrected(transcript, _alike_however_shown(here))
    for one in corrections:
        layer.apply(one)
    placed, unplaced = _at_their_turns(here, layer.turns)
    beside = [replace(one, start=None) for one in placed if one.start is None or one.decision == "confirmed"]
    return WorkingTranscript(
        transcript.name,
        transcript.participant,
        transcript.file,
        transcript.language,
        tuple(_shown(turn, transcript.name, placed, beside) for turn in layer.turns),
        tuple(layer.unresolved),
        tuple(unplaced),
    )


# ------------------------------------------------------------------------------------- corrections


class _Refused(Exception):
    """A correction cannot be applied; the message says why."""


@dataclass(eq=False)
class _Corrected:
    """The turns of a transcript while corrections are applied to them."""

    transcript: Transcript
    shown: Callable[[str], str]
    turns: list[WorkingTurn] = field(default_factory=list)
    unresolved: list[Unresolved] = field(default_factory=list)

    def __post_init__(self) -> None:
        translation = self.transcript.translation or ("",) * len(self.transcript.turns)
        self.turns = [
            WorkingTurn(
                str(turn.number),
                (turn.number,),
                turn.speaker,
                turn.role,
                turn.text,
                turn.start,
                turn.end,
                turn.question,
                turn.condition,
                translated,
            )
            for turn, translated in zip(self.transcript.turns, translation, strict=True)
        ]
        self._roles = {folded(turn.speaker): turn.role for turn in self.transcript.turns}
        self._roles.setdefault(folded(self.transcript.participant), "participant")

    def apply(self, correction: Correction) -> None:
        content = correction.content or {}
        try:
            place = next((at for at, turn in enumerate(self.turns) if turn.id == str(content.get("turn"))), None)
            if place is None:
                raise _Refused(f"There is no turn {content.get('turn')} any more.")
            self.turns[place : place + 2] = self._changed(self.turns[place], self.turns[place + 1 : place + 2], content)
        except _Refused as refused:
            self.unresolved.append(Unresolved(correction, str(refused)))

    def _changed(
        self, turn: WorkingTurn, following: Sequence[WorkingTurn], content: Mapping[str, Any]
    ) -> list[WorkingTurn]:
        """What becomes of a turn and the one after it."""
        match content.get("action"):
            case "replace" | "inaudible":
                start, end = self._place(turn.text, content)
                words = readable(str(content.get("text") or ("" if content["action"] == "replace" else INAUDIBLE)))
                return [replace(turn, text=turn.text[:start] + words + turn.text[end:]), *following]
            case "speaker":
                return [self._said_by(turn, content), *following]
            case "split":
                return [*self._split(turn, content), *following]
            case "join":
                return [self._joined(turn, following, content)]
        raise _Refused(f"“{content.get('action')}” is no correction.")

    def _place(self, text: str, content: Mapping[str, Any]) -> tuple[int, int]:
        start, quote = content.get("start"), str(content.get("quote") or "")
        end = content.get("end", start)
        if not isinstance(start, int) or not isinstance(end, int):
            raise _Refused("It names no place.")
        if 0 <= start <= end <= len(text) and self.shown(text[start:end]) == self.shown(quote):
            return start, end
        found = list(occurrences(quote, text)) if quote else []
        if len(found) == 1:
            return found[0], found[0] + len(quote)
        times = f"{len(found)} times" if found else "no more"
        raise _Refused(f"Its words “{quote}” stand in the turn {times}.")

    def _said_by(self, turn: WorkingTurn, content: Mapping[str, Any]) -> WorkingTurn:
        """The turn by another speaker: in the role which that name has in the transcript, unless the correction gives one."""
        speaker = cleaned(str(content.get("speaker") or ""))
        if not speaker:
            raise _Refused("It names no speaker.")
        return replace(turn, speaker=speaker, role=content.get("role") or self._roles.get(folded(speaker), "unknown"))

    def _split(self, turn: WorkingTurn, content: Mapping[str, Any]) -> list[WorkingTurn]:
        """Both parts of a turn; when the second began is not known. Its translation stays with the first."""
        start, _ = self._place(turn.text, content)
        before, after = turn.text[:start].rstrip(), turn.text[start:].lstrip()
        if not (before and after):
            raise _Refused("Nothing stands on one side of the split.")
        first = replace(turn, id=turn.id + "a", text=before, end=None)
        second = replace(turn, id=turn.id + "b", text=after, start=None, translation="")
        return [first, self._said_by(second, content) if content.get("speaker") else second]

    def _joined(self, turn: WorkingTurn, following: Sequence[WorkingTurn], content: Mapping[str, Any]) -> WorkingTurn:
        if not following or content.get("next", following[0].id) != following[0].id:
            raise _Refused("The turn it was joined with does not follow any more.")
        translation = " ".join(filter(None, (turn.translation, following[0].translation)))
        text = f"{turn.text} {following[0].text}"
        numbers = tuple(dict.fromkeys((*turn.numbers, *following[0].numbers)))
        return replace(turn, numbers=numbers, text=text, end=following[0].end, translation=translation)


def correction(
    transcript: WorkingTranscript,
    turn: str,
    action: Action,
    *,
    start: int = 0,
    end: int | None = None,
    text: str = "",
    speaker: str = "",
) -> dict[str, Any]:
    """The content of a correction to record, made from what a person sees: `start` and `end` count in the working text.

    `text` is what replaces the words, or stands for inaudible ones; `speaker` is who speaks, of a split the second part.
    A `split` cuts before `start`; a `join` takes the next turn in. Raises ArgumentError for a place that is not there.
    """
    at = next((place for place, one in enumerate(transcript.turns) if one.id == turn), None)
    if at is None:
        raise ArgumentError(f"`turn` is “{turn}”; {transcript.name} has no such turn.")
    seen = transcript.turns[at]
    until = min(start + _SPLIT_QUOTE, len(seen.text)) if action == "split" else start if end is None else end
    if not 0 <= start <= until <= len(seen.text):
        raise ArgumentError(f"`start` and `end` are {start} and {until}; turn {turn} has {len(seen.text)} code points.")
    content: dict[str, Any] = {"turn": turn, "action": action}
    if action == "join":
        if at + 1 == len(transcript.turns):
            raise ArgumentError(f"`turn` is “{turn}”, the last of {transcript.name}; there is none to join it with.")
        return content | {"next": transcript.turns[at + 1].id}
    if action == "speaker":
        return content | {"speaker": speaker}
    begin, stop = seen.before_pseudonyms(start, until)
    whole = _whole_pseudonyms(seen, start, until)
    content |= {"start": begin, "end": stop, "quote": seen.text[whole[0] : whole[1]]}
    return content | {name: words for name, words in (("text", text), ("speaker", speaker)) if words}


def _whole_pseudonyms(turn: WorkingTurn, start: int, end: int) -> tuple[int, int]:
    cut = [one for one in turn.replaced if one.start < end and one.end > start]
    return min([start, *(one.start for one in cut)]), max([end, *(one.end for one in cut)])


# -------------------------------------------------------------------------------------- pseudonyms


def _alike_however_shown(decisions: Iterable[KeyEntry]) -> Callable[[str], str]:
    """Words so that a confirmed phrase and all that was ever shown in its place read the same, to compare quotes by."""
    confirmed = [one for one in decisions if one.decision == "confirmed"]
    first: dict[str, str] = {}
    for one in confirmed:
        first.setdefault(phrase_key(one.phrase), one.replacement)
    same = [
        KeyEntry(words, one.kind, first[phrase_key(one.phrase)], "confirmed")
        for one in confirmed
        for words in (one.phrase, one.replacement)
    ]
    return lambda words: with_replacements(words, apply_pseudonyms(words, ("", ""), same))


def _at_their_turns(
    decisions: Iterable[KeyEntry], turns: Sequence[WorkingTurn]
) -> tuple[list[KeyEntry], list[Unplaced]]:
    """Decisions, those about a turn or a place moved to where that is after corrections; and those that lost it.

    Where it is not certain which place a confirmed one meant, all places of its phrase in the turn are replaced.
    """
    placed: list[KeyEntry] = []
    unplaced: list[Unplaced] = []
    for one in decisions:
        if not one.turn:
            placed.append(one)
            continue
        places, certain = _places(one, turns)
        confirmed = one.decision == "confirmed"
        if confirmed or certain:
            placed += [replace(one, turn=turn.id, start=None if one.start is None else start) for turn, start in places]
        if confirmed and not certain:
            told = f"stand there {len(places)} times, all of them replaced" if places else "stand there no more"
            unplaced.append(Unplaced(one.replacement, one.turn, f"The words behind “{one.replacement}” {told}."))
    return placed, unplaced


def _places(decision: KeyEntry, turns: Sequence[WorkingTurn]) -> tuple[list[tuple[WorkingTurn, int]], bool]:
    """Where the phrase of a decision about a turn stands now, only the one meant where that is certain; and whether it is.

    Its turn may be split (12 is 12a and 12b then) or taken into the one before, where offsets count no more.
    """
    itself = [turn for turn in turns if _is_or_part_of(turn.id, decision.turn)]
    taken_in = [turn for turn in turns if _number(decision.turn) in turn.numbers and turn not in itself]
    for several in (itself, taken_in):
        places: list[tuple[WorkingTurn, int]] = []
        distances: list[int] = []
        begin = 0
        for turn in several:
            starts = [start for start, _ in places_of(decision, turn.text)]
            places += [(turn, start) for start in starts]
            distances += [abs(begin + start - (decision.start or 0)) for start in starts]
            begin += len(turn.text) + 1
        if places and decision.start is None:
            return places, True
        if places:
            certain = several is itself or len(places) == 1
            return ([places[distances.index(min(distances))]], True) if certain else (places, False)
    return [], False


def _is_or_part_of(id: str, turn: str) -> bool:
    rest = id.removeprefix(turn)
    return id == turn or (rest != id and rest.isalpha())


def _number(turn: str) -> int:
    digits = re.match(r"\d*", turn)
    return int(digits[0]) if digits and digits[0] else 0


def _shown(
    turn: WorkingTurn, transcript: str, decisions: Sequence[KeyEntry], beside: Sequence[KeyEntry]
) -> WorkingTurn:
    """A turn with pseudonyms, and its translation with those that count `beside`, where a place means the whole turn."""
    here = (transcript, turn.id)
    found = apply_pseudonyms(turn.text, here, decisions)
    translation = with_replacements(turn.translation, apply_pseudonyms(turn.translation, here, beside))
    return replace(
        turn, text=with_replacements(turn.text, found), translation=translation, replaced=tuple(_replaced(found))
    )


def _replaced(replacements: Iterable[Replacement]) -> Iterator[Replaced]:
    """Where the replacements of a text stand in it once they are made."""
    shift = 0
    for one in replacements:
        start = one.start + shift
        yield Replaced(start, start + len(one.replacement), one.end - one.start)
        shift += len(one.replacement) - (one.end - one.start)


# ------------------------------------------------------------------------------- codings on words


@dataclass(frozen=True, slots=True)
class Anchor:
    """A coded span: `quote` is the text of its unit (or turn) from `start` to `end`."""

    unit: str
    start: int
    end: int
    quote: str


@dataclass(frozen=True, slots=True)
class LostAnchor:
    """A span whose words are not found, or found more than once; `proposal` is where they most likely stood, or None."""

    anchor: Anchor
    why: str
    proposal: Anchor | None


@dataclass(frozen=True, slots=True)
class Reanchored:
    """`kept`: the spans as given and as they are now, moved or not; `lost` are for a person to place."""

    kept: tuple[tuple[Anchor, Anchor], ...]
    lost: tuple[LostAnchor, ...]


def reanchor(anchors: Iterable[Anchor], old: Mapping[str, str], new: Mapping[str, str]) -> Reanchored:
    """The spans of one transcript, coded in the `old` texts of its units, placed in the `new` ones by their words.

    What lies in front of or behind all changes of its unit moves with it. Otherwise the quoted words are looked for: near
    the old place, then in the unit, then in all units; where they stand once, the span moves there.
    """
    kept: list[tuple[Anchor, Anchor]] = []
    lost: list[LostAnchor] = []
    same: dict[str, tuple[int, int]] = {}
    for anchor in anchors:
        before, after = old.get(anchor.unit), new.get(anchor.unit)
        if before is None or before[anchor.start : anchor.end] != anchor.quote or not anchor.quote:
            lost.append(LostAnchor(anchor, "Its words do not stand where it was coded.", None))
            continue
        if after is not None and anchor.unit not in same:
            same[anchor.unit] = _unchanged(before, after)
        found = _found_again(anchor, before, after, same.get(anchor.unit, (0, 0)), new)
        if isinstance(found, Anchor):
            kept.append((anchor, found))
        else:
            lost.append(found)
    return Reanchored(tuple(kept), tuple(lost))


def _found_again(
    anchor: Anchor, before: str, after: str | None, same: tuple[int, int], new: Mapping[str, str]
) -> Anchor | LostAnchor:
    begins_word, ends_word = _word_edges(anchor, before)
    proposal = None
    if after is not None:
        shift = len(after) - len(before)
        if anchor.end <= same[0]:
            return anchor
        if anchor.start >= len(before) - same[1]:
            return replace(anchor, start=anchor.start + shift, end=anchor.end + shift)
        places = list(occurrences(anchor.quote, after, begins_word=begins_word, ends_word=ends_word))
        near = [at for at in places if anchor.start - NEAR + min(shift, 0) <= at <= anchor.start + NEAR + max(shift, 0)]
        for found in (near, places):
            if len(found) == 1:
                return replace(anchor, start=found[0], end=found[0] + len(anchor.quote))
        start = min(anchor.start, same[0], len(after))
        end = max(start, len(after) - min(same[1], len(before) - anchor.end))
        proposal = Anchor(anchor.unit, start, end, after[start:end])
        if places:
            return LostAnchor(anchor, f"Its words stand {len(places)} times in the changed text.", proposal)
    elsewhere = [
        (unit, at)
        for unit, text in new.items()
        for at in occurrences(anchor.quote, text, begins_word=begins_word, ends_word=ends_word)
    ]
    if len(elsewhere) == 1:
        unit, at = elsewhere[0]
        return Anchor(unit, at, at + len(anchor.quote), anchor.quote)
    why = f"Its words stand {len(elsewhere)} times elsewhere." if elsewhere else "Its words were changed."
    return LostAnchor(anchor, why, proposal)


def occurrences(quote: str, text: str, *, begins_word: bool = False, ends_word: bool = False) -> Iterator[int]:
    """Where a quote stands in a text, overlapping places too; as whole words at the edges that are asked for."""
    at = text.find(quote)
    while at >= 0:
        end = at + len(quote)
        inside_before = begins_word and at > 0 and _is_word(text[at - 1])
        inside_after = ends_word and end < len(text) and _is_word(text[end])
        if not (inside_before or inside_after):
            yield at
        at = text.find(quote, at + 1)


def _word_edges(anchor: Anchor, text: str) -> tuple[bool, bool]:
    """Whether a span begins at the beginning of a word, and ends at the end of one."""
    begins = _is_word(anchor.quote[0]) and not (anchor.start and _is_word(text[anchor.start - 1]))
    ends = _is_word(anchor.quote[-1]) and not (anchor.end < len(text) and _is_word(text[anchor.end]))
    return begins, ends


def _is_word(sign: str) -> bool:
    return sign.isalnum() or sign == "_"


def _unchanged(before: str, after: str) -> tuple[int, int]:
    """How many code points at the beginning, and at the end, are the same in both texts."""
    begin = _alike(before, after)
    return begin, _alike(before[begin:][::-1], after[begin:][::-1])


def _alike(one: str, other: str) -> int:
    """How many code points two texts begin with in common."""
    low, high = 0, min(len(one), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        if one[low:middle] == other[low:middle]:
            low = middle
        else:
            high = middle - 1
    return low
