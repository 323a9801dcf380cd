"""What a transcript is, once read; and how what a reader found becomes turns.

Every reader of a format gives `Utterance`s and `Heading`s in the file's order. Here they become numbered turns with
roles and parts of the interview, and odd characters are dealt with, so that all formats are treated alike.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from workbench.declared import nearest
from workbench.errors import Finding
from workbench.files import PLACES_NAMED, fault, normalized
from workbench.study import Study

Role = Literal["participant", "interviewer", "other", "unknown"]

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")
"""Control characters but tabs and line breaks."""

_DIRECTION = re.compile("[\u202a-\u202e\u2066-\u2069]")
"""Embeddings, overrides and isolates (Unicode Standard Annex 9); the implicit marks, such as U+200F, stay."""


@dataclass(frozen=True, slots=True)
class Turn:
    """What one speaker says until another speaks.

    `number` counts from 1 in the file's order; `start` and `end` are seconds from the beginning, None where the file
    does not say; `question` and `condition` name the part of the interview; `line` is where it begins in the file
    (a line, a paragraph of a document, or a row of a table). Offsets elsewhere are code points into `text`.
    """

    number: int
    speaker: str
    role: Role
    text: str
    start: float | None = None
    end: float | None = None
    question: str = ""
    condition: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Transcript:
    """An interview; `translation` is empty, or has one text for each turn."""

    name: str
    participant: str
    file: str
    language: str
    turns: tuple[Turn, ...]
    translation: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Transcripts:
    """The transcripts of a study in the order of its participants; `notes` are findings that do not block."""

    items: tuple[Transcript, ...]
    notes: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Utterance:
    """Words as a reader found them; speaker "" where none is named. A cue may go on with the one before it."""

    speaker: str
    text: str
    line: int
    start: float | None = None
    end: float | None = None
    is_cue: bool = False
    question: str = ""
    condition: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """A line that may begin a part of the interview; `level` 1 is the highest. A `remark` that begins none is no fault."""

    text: str
    line: int
    level: int = 1
    remark: bool = False


Piece = Utterance | Heading


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """The headings that begin a part: about which question of the guide, about which condition."""

    questions: Mapping[str, str]
    conditions: Mapping[str, str]

    def known(self, heading: str) -> bool:
        return folded(heading) in self.questions or folded(heading) in self.conditions


def parts_of(study: Study) -> Parts:
    """The headings that study.toml declares: of a question also its id and label."""
    interviews = study.declared.interviews
    if interviews is None:
        return Parts({}, {})
    questions = {
        folded(heading): one.id
        for one in interviews.guide
        for heading in (one.id, one.label, *one.headings)
        if heading.strip()
    }
    return Parts(questions, {folded(heading): one for heading, one in interviews.condition_headings.items()})


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What study.toml says that readers need: `speakers` are names (folded) that have a role."""

    speakers: frozenset[str]
    parts: Parts

    def speaker(self, name: str) -> bool:
        """Whether a name, or what stands before or in its brackets, has a role."""
        return any(folded(form) in self.speakers for form in _forms(name))


def known_in(study: Study, participant: str) -> Known:
    """What readers need to know for a transcript of a participant."""
    interviews = study.declared.interviews
    names = [*interviews.speakers, participant] if interviews else [participant]
    return Known(frozenset(folded(name) for name in names), parts_of(study))


def heading_in(line: str, number: int, parts: Parts) -> Heading | None:
    """The heading that a line is: "# Heading" is always one, "[Heading]" where study.toml declares it."""
    marked = re.fullmatch(r"\s*(#{1,6})\s+(.+?)\s*", line)
    if marked:
        return Heading(marked[2], number, len(marked[1]))
    bracketed = re.fullmatch(r"\s*\[(.+)\]\s*", line)
    return Heading(bracketed[1].strip(), number) if bracketed and parts.known(bracketed[1]) else None


def _forms(name: str) -> tuple[str, ...]:
    """A speaker's name; "Anna (interviewer)" is also "Anna" and "interviewer"."""
    bracketed = re.fullmatch(r"(.+?)\s*\((.+)\)", name)
    return (name, *bracketed.groups()) if bracketed else (name,)


def folded(words: str) -> str:
    """Words by which names and headings are compared: composed, without case and needless spaces."""
    return " ".join(normalized(words).casefold().split())


def places(kind: str, numbers: Iterable[int]) -> str:
    """Numbers as "line 4" or "lines 4, 7 and 12 more"; `kind` is "line", "paragraph" or "row"."""
    listed = [str(number) for number in numbers]
    if len(listed) == 1:
        return f"{kind} {listed[0]}"
    more = f" and {len(listed) - PLACES_NAMED} more" if len(listed) > PLACES_NAMED else ""
    return f"{kind}s {', '.join(listed[:PLACES_NAMED])}{more}"


def turns_of(
    pieces: Sequence[Piece], file: str, kind: str, participant: str, study: Study, notes: list[Finding]
) -> tuple[Turn, ...]:
    """The turns that a reader's pieces make; what is odd is added to `notes`, some of which may block.

    Cues in a row by one speaker become one turn, joined by a space. Utterances without words are left out and noted.
    """
    pieces = list(_cleaned(pieces, file, kind, notes))
    utterances = _joined_cues(_with_parts(pieces, file, kind, parts_of(study), notes))
    empty = [one.line for one in utterances if not one.text]
    if empty:
        found = f"Turns without words are left out: {len(empty)}."
        notes.append(Finding("note", "empty turns", file, places(kind, empty), found, ""))
    spoken = [one for one in utterances if one.text]
    roles = {name: role_of(name, participant, study) for name in {one.speaker for one in spoken}}
    notes += _speakers(spoken, roles, file, kind, participant)
    return tuple(
        Turn(
            number,
            one.speaker,
            roles[one.speaker],
            one.text,
            one.start,
            one.end,
            one.question,
            one.condition,
            one.line,
        )
        for number, one in enumerate(spoken, start=1)
    )


def role_of(speaker: str, participant: str, study: Study) -> Role:
    """The role of a speaker's name: as declared, or the participant's where it is the participant's id.

    "Anna (interviewer)" is looked for whole, then as "Anna", then as "interviewer". Case does not matter.
    """
    interviews = study.declared.interviews
    declared: dict[str, Role] = {folded(name): role for name, role in interviews.speakers.items()} if interviews else {}
    for form in _forms(speaker):
        if interviews and form in interviews.speakers:
            return interviews.speakers[form]
        if folded(form) in declared:
            return declared[folded(form)]
        if folded(form) == folded(participant):
            return "participant"
    return "unknown"


def _cleaned(pieces: Iterable[Piece], file: str, kind: str, notes: list[Finding]) -> Iterator[Piece]:
    """The pieces without control characters and signs that turn the direction of text; which ones is noted."""
    found: dict[str, list[int]] = {}
    for piece in pieces:
        words = piece.text if isinstance(piece, Heading) else piece.speaker + piece.text
        for sign in {*_CONTROL.findall(words), *_DIRECTION.findall(words)}:
            found.setdefault(sign, []).append(piece.line)
        if isinstance(piece, Heading):
            yield replace(piece, text=cleaned(piece.text))
        else:
            yield replace(piece, text=cleaned(piece.text), speaker=cleaned(piece.speaker))
    for sign, lines in sorted(found.items()):
        name = unicodedata.name(sign, "control character").lower()
        done = "replaced by a space" if _CONTROL.match(sign) else "taken out, as it would hide the order of the words"
        told = f"U+{ord(sign):04X} ({name}) is {done}; the file stays as it is."
        notes.append(
            Finding("attention", "invisible characters", file, places(kind, lines), told, "Look at the place.")
        )


def cleaned(words: str) -> str:
    """Readable words, stripped."""
    return readable(words).strip()


def readable(words: str) -> str:
    """Words with control characters as spaces, without signs that turn their direction, and composed."""
    return normalized(_DIRECTION.sub("", _CONTROL.sub(" ", words)))


def _with_parts(
    pieces: Iterable[Piece], file: str, kind: str, parts: Parts, notes: list[Finding]
) -> list[Utterance | None]:
    """The utterances with the part they stand in; None where a heading stands, over which no cues are joined."""
    question, condition = ("", 0), ("", 0)
    found: list[Utterance | None] = []
    untied: list[Heading] = []
    for piece in pieces:
        if isinstance(piece, Utterance):
            found.append(
                replace(piece, question=piece.question or question[0], condition=piece.condition or condition[0])
            )
            continue
        words = folded(piece.text)
        begins_question, begins_condition = parts.questions.get(words), parts.conditions.get(words)
        if begins_question is None and begins_condition is None and piece.remark:
            continue
        found.append(None)
        if begins_question is None and begins_condition is None:
            untied.append(piece)
            question = ("", 0) if question[1] >= piece.level else question
            condition = ("", 0) if condition[1] >= piece.level else condition
            continue
        if begins_condition is not None or piece.level < condition[1]:
            condition = (begins_condition or "", piece.level)
        question = (begins_question or "", piece.level)
    if parts.questions or parts.conditions:
        notes += [_untied(heading, file, kind, parts) for heading in untied]
    return found


def _untied(heading: Heading, file: str, kind: str, parts: Parts) -> Finding:
    found = f"The heading “{heading.text}” begins no part that study.toml declares."
    remedy = nearest(heading.text, [*parts.questions, *parts.conditions])
    remedy = f"Name it under interviews.guide or interviews.condition_headings if it does. {remedy}"
    return Finding("attention", "heading not tied", file, places(kind, [heading.line]), found, remedy)


def _joined_cues(utterances: Iterable[Utterance | None]) -> list[Utterance]:
    runs: list[list[Utterance]] = []
    before: Utterance | None = None
    for one in utterances:
        if one and before and one.is_cue and before.is_cue and one.speaker == before.speaker and one.speaker:
            runs[-1].append(one)
        elif one:
            runs.append([one])
        before = one
    return [
        replace(run[0], text=" ".join(filter(None, (one.text for one in run))), end=_latest(run))
        if len(run) > 1
        else run[0]
        for run in runs
    ]


def _latest(run: Sequence[Utterance]) -> float | None:
    return max((one.end for one in run if one.end is not None), default=None)


def _speakers(
    spoken: Sequence[Utterance], roles: Mapping[str, Role], file: str, kind: str, participant: str
) -> Iterator[Finding]:
    """Findings on turns whose speaker is not named or not declared, and on a participant who says nothing."""
    declare = 'Declare it under interviews.speakers, such as { "Name" = "participant" }; roles are participant, interviewer and other.'
    if not spoken:
        yield fault(
            file, "", "There are no words in this transcript.", "Look at the file, or leave it out.", "no words"
        )
        return
    if not any(roles):
        remedy = "Begin each turn with its speaker and a colon, such as “Interviewer: …”, or use voice tags."
        yield fault(file, "", "No turn names its speaker.", remedy, "no speaker")
        return
    lines: dict[str, list[int]] = {}
    for one in spoken:
        lines.setdefault(one.speaker, []).append(one.line)
    if "" in lines:
        found = f"Turns that name no speaker, so they are nobody's answers: {len(lines['']):,}."
        yield Finding("attention", "no speaker", file, places(kind, lines[""]), found, "Name the speaker in the file.")
    for name, role in roles.items():
        if name and role == "unknown":
            turns = "1 turn" if len(lines[name]) == 1 else f"{len(lines[name]):,} turns"
            found = f"Nobody has said who “{name}” is ({turns}), so these words are nobody's answers."
            remedy = f"{declare} If these are words with a colon and no name, let them not begin a line."
            yield Finding("attention", "unknown speaker", file, places(kind, lines[name]), found, remedy)
    if "participant" not in roles.values():
        names = Counter(one.speaker for one in spoken if one.speaker)
        found = f"No turn is {participant}'s own. Speakers: {', '.join(f'“{name}”' for name, _ in names.most_common(PLACES_NAMED))}."
        yield Finding("attention", "no answers", file, "", found, declare)


def seconds(words: str) -> float | None:
    """The seconds of a time such as 1:02, 01:02:03, 01:02:03.450 or 01:02:03,450; None where it is none."""
    clock = re.fullmatch(r"(?:(\d{1,4}):)?(\d{1,4}):([0-5]\d)(?:[.,](\d{1,6}))?", words.strip(), re.ASCII)
    if clock is None or (clock[1] is not None and int(clock[2]) > 59):
        return None
    hours, minutes, whole, fraction = (clock[part] or "0" for part in range(1, 5))
    return int(hours) * 3600 + int(minutes) * 60 + float(f"{whole}.{fraction}")
