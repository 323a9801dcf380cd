"""Plain text with speakers to utterances: "Name: words", with times before or after the name, over any number of lines.

A document's paragraphs come here as lines too, so both are read by the same rules.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from workbench.errors import Finding
from workbench.transcripts.turns import Heading, Known, Piece, Utterance, folded, heading_in, places, seconds

_TIME = r"(?:\d{1,4}:)?\d{1,4}:[0-5]\d(?:[.,]\d{1,6})?"
_TIMES = rf"{_TIME}(?:\s*(?:-->|[-–—])\s*{_TIME})?"
_STAMP = rf"(?:\[{_TIMES}\]|\({_TIMES}\)|<{_TIMES}>|{_TIMES})"
_NAME = r"[^\s:：,;!?…\[\](){}<>\"“”*#][^:：,;!?…\[\](){}<>\"“”*\t\n]{0,60}?"
_LABEL = re.compile(
    rf"\s*\*{{0,2}}(?:(?P<before>{_STAMP})[ \t|]*[-–—]?[ \t]*)?"
    rf"(?P<name>{_NAME}(?:[ ]?\((?!{_TIMES}\))[^():]{{1,40}}\))?)\*{{0,2}}"
    rf"(?:[ ]*[,|]?[ ]*(?P<after>{_STAMP}))?(?:[ ]*(?P<note>\[[^\]]{{1,60}}\]))?"
    r"[ ]*\*{0,2}(?:(?P<mark>:(?=[\s*]|$)|：)\*{0,2}|(?P<tab>\t+))\s*(?P<rest>.*)",
    re.DOTALL,
)
_ALONE = re.compile(
    rf"\s*\*{{0,2}}(?:(?P<before>{_STAMP})[ \t]+(?P<second>{_NAME})|(?P<first>{_NAME})[ \t]+(?P<after>{_STAMP}))\*{{0,2}}\s*"
)
_STAMP_FIRST = re.compile(rf"\s*(?P<stamp>\[{_TIMES}\]|\({_TIMES}\))\s*")
_OFTEN = 3
"""How often a word that does not look like a name must begin a line, with a colon after it, to count as one."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of text, or a paragraph of a document, numbered as the file counts; `level` > 0 marks a heading."""

    number: int
    text: str
    level: int = 0
    begins_paragraph: bool = False


@dataclass(frozen=True, slots=True)
class Label:
    """What begins a turn: the speaker, times as far as they are given, and the first words."""

    name: str
    rest: str
    start: float | None = None
    end: float | None = None


def lines_of(text: str) -> list[Line]:
    """The lines of a text file; a paragraph begins after a blank line."""
    lines = text.removeprefix("\ufeff").split("\n")
    return [
        Line(number, line, begins_paragraph=number > 1 and not lines[number - 2].strip())
        for number, line in enumerate(lines, start=1)
        if line.strip()
    ]


@dataclass(frozen=True, slots=True)
class _Read:
    """A line and what it is: a heading, the beginning of a turn, or neither."""

    line: Line
    heading: Heading | None
    label: Label | None


def spoken_pieces(lines: Sequence[Line], file: str, kind: str, known: Known, notes: list[Finding]) -> list[Piece]:
    """The utterances and headings that lines make.

    Lines without a name go on with the speaker before: after a space within a paragraph, on a new line otherwise.
    What stands above the first speaker is left out, and noted.
    """
    headings = [_heading(line, known) for line in lines]
    names = names_used((line.text for line, heading in zip(lines, headings, strict=True) if not heading), known)
    read = [
        _Read(line, heading, None if heading else label_of(line.text, names))
        for line, heading in zip(lines, headings, strict=True)
    ]
    first = _first_turn(read, known)
    notes += _preamble([one for one in read[:first] if not one.heading], file, kind)
    return list(_utterances([one for place, one in enumerate(read) if one.heading or place >= first]))


def _heading(line: Line, known: Known) -> Heading | None:
    if line.level:
        return Heading(line.text.strip(), line.number, line.level)
    return heading_in(line.text, line.number, known.parts)


def _first_turn(read: Sequence[_Read], known: Known) -> int:
    """The place of the first turn: of a speaker that is declared, or one that speaks again after such.

    So "Date: 3 March" above the first turn is no speaker, though it looks like one.
    """
    labels = [(place, one.label) for place, one in enumerate(read) if one.label]
    declared = next((place for place, label in labels if known.speaker(label.name)), 0)
    later = {folded(label.name) for place, label in labels if place >= declared}
    first = next((place for place, label in labels if folded(label.name) in later), 0)
    return first - 1 if first and _time_alone(read[first - 1].line.text) else first


def _preamble(above: Sequence[_Read], file: str, kind: str) -> Iterator[Finding]:
    if above:
        labelled = any(one.label for one in above)
        found = f"What stands above the first turn is left out: “{above[0].line.text.strip()[:60]}”."
        remedy = "If somebody speaks there, declare the name under interviews.speakers." if labelled else ""
        where = places(kind, (one.line.number for one in above))
        yield Finding("attention" if labelled else "note", "preamble", file, where, found, remedy)


def _utterances(read: Iterable[_Read]) -> Iterator[Piece]:
    """Utterances over their lines; times alone on a line belong to the turn below, and are words where none is."""
    current: Utterance | None = None
    waiting: tuple[Line, Label] | None = None
    speaker = ""
    for one in read:
        line, label = one.line, one.label
        time = None if one.heading or label else _time_alone(line.text)
        if waiting and (label is None or label.start is not None):
            current = _going_on(current, speaker, waiting[0])
            waiting = None
        if time:
            waiting = (line, time)
        elif one.heading or label:
            if current is not None:
                yield current
            current = None
        else:
            current = _going_on(current, speaker, line)
        if one.heading:
            yield one.heading
        elif label:
            timed = waiting[1] if waiting else label
            speaker, waiting = label.name, None
            current = Utterance(speaker, label.rest, line.number, timed.start, timed.end)
    if waiting:
        current = _going_on(current, speaker, waiting[0])
    if current is not None:
        yield current


def _going_on(current: Utterance | None, speaker: str, line: Line) -> Utterance:
    if current is None:
        return Utterance(speaker, line.text.strip(), line.number)
    between = "" if not current.text else "\n" if line.begins_paragraph else " "
    return replace(current, text=f"{current.text}{between}{line.text.strip()}")


def _time_alone(line: str) -> Label | None:
    return _label("", "", line) if re.fullmatch(rf"\s*{_STAMP}\s*", line) else None


def names_used(lines: Iterable[str], known: Known) -> frozenset[str]:
    """The names, folded, that begin turns: declared ones, those that look like names, and words that often stand there.

    A name looks like one where each of at most four words has a capital or a digit first.
    """
    seen: Counter[str] = Counter()
    looks: set[str] = set()
    for line in lines:
        if match := _LABEL.fullmatch(line):
            name, sure = match["name"].strip(), bool(match["mark"])
        elif match := _ALONE.fullmatch(line):
            name, sure = (match["first"] or match["second"]).strip(), False
        else:
            continue
        if known.speaker(name):
            looks.add(folded(name))
        elif match.re is _ALONE or sure:
            seen[folded(name)] += 1
            if _is_name_like(name) and (sure or seen[folded(name)] > 1):
                looks.add(folded(name))
    return frozenset(looks | {name for name, times in seen.items() if times >= _OFTEN and " " not in name})


def _is_name_like(name: str) -> bool:
    words = [word for word in re.split(r"[\s&/+()]+", name) if word]
    return (
        len(words) <= 4
        and all(word[0].isupper() or word[0].isdigit() for word in words)
        and any(sign.isalpha() for sign in name)
        and not name.casefold().startswith(("http", "www."))
    )


def label_of(line: str, names: frozenset[str]) -> Label | None:
    """The label that begins a line, where its name is one of `names` (folded)."""
    if (match := _LABEL.fullmatch(line)) and folded(match["name"]) in names:
        rest = " ".join(filter(None, (match["note"], match["rest"])))
        stamp = match["before"] or match["after"]
        if stamp is None and (first := _STAMP_FIRST.match(match["rest"])):
            stamp, rest = first["stamp"], " ".join(filter(None, (match["note"], match["rest"][first.end() :])))
        return _label(match["name"].strip(), rest.strip(), stamp)
    if (match := _ALONE.fullmatch(line)) and folded(match["first"] or match["second"]) in names:
        return _label((match["first"] or match["second"]).strip(), "", match["before"] or match["after"])
    return None


def _label(name: str, rest: str, stamp: str | None) -> Label:
    times = [seconds(one) for one in re.findall(_TIME, stamp or "")]
    return Label(name, rest, *(times[:2]))
