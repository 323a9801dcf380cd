"""WebVTT and SRT: cues with times to utterances.

WebVTT follows the W3C text (signature, blocks, timings, cue text) with two departures, so that no word is lost: a "<"
that begins no tag of the standard stays as text, and a cue whose timing is damaged is a fault instead of being dropped.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from workbench.errors import Finding, Severity
from workbench.files import fault
from workbench.transcripts.plain import label_of, names_used
from workbench.transcripts.turns import Heading, Known, Piece, Utterance, heading_in, places, seconds

_VTT_TIME = r"(?:\d{2,}:)?[0-5]\d:[0-5]\d\.\d{3}"
_SRT_TIME = r"\d{1,4}:[0-5]\d:[0-5]\d(?:[.,]\d{1,3})?"
_TAG = re.compile(
    r"</?(?P<name>c|i|b|u|ruby|rt|v|lang)(?P<classes>\.[^\s>]*)?(?:\s+(?P<annotation>[^>]*))?>"
    rf"|<{_VTT_TIME}>"
)
_SRT_TAG = re.compile(r"</?(?:b|i|u|s|font)(?:\s[^>]*)?>|\{\\[^}]*\}", re.IGNORECASE)
_REMEDY = "Mend it: 00:01:02.000 --> 00:01:04.500."


def vtt_pieces(text: str, file: str, known: Known, notes: list[Finding]) -> list[Piece]:
    """The utterances of a WebVTT file, a NOTE as a heading that may begin a part; faults go to `notes`.

    Speakers are named by voice tags. In a file without any, a cue may begin with "Name:", as in plain text.
    """
    lines = text.removeprefix("\ufeff").split("\n")
    if not re.fullmatch(r"WEBVTT(?:[ \t].*)?", lines[0]):
        remedy = "Export it again as WebVTT; if it is another format, give its name that format's ending."
        notes.append(fault(file, "line 1", "A WebVTT file begins with the word WEBVTT.", remedy))
        return []
    pieces: list[Piece] = []
    times: list[tuple[int, float, float]] = []
    for begin, block in _blocks(lines):
        at = next((place for place, line in enumerate(block[:2]) if "-->" in line), None)
        if at is None:
            pieces += _comment(begin, block, pieces, file, notes)
        elif time := _timing(block[at], _VTT_TIME, file, begin + at, notes):
            times.append((begin + at, *time))
            pieces += _voices("\n".join(block[at + 1 :]), begin + at + 1, *time)
    notes += _unlikely_times(times, file)
    if not any(piece.speaker for piece in pieces if isinstance(piece, Utterance)):
        return _labelled(pieces, known)
    return [_in_one_line(piece) if isinstance(piece, Utterance) else piece for piece in pieces]


def _blocks(lines: Sequence[str]) -> Iterator[tuple[int, list[str]]]:
    """Line number and lines of each block after the header; a second line with an arrow begins a block of its own."""
    block: list[str] = []
    begin = 0
    in_header = True
    for number, line in enumerate([*lines[1:], ""], start=2):
        arrow = "-->" in line
        if in_header:
            in_header = bool(line) and not arrow
            if in_header:
                continue
        split = arrow and (len(block) > 1 or (block and "-->" in block[0]))
        if block and (not line or split):
            yield begin, block
            block = []
        if line:
            begin = begin if block else number
            block.append(line)


def _comment(
    begin: int, block: Sequence[str], before: Sequence[Piece], file: str, notes: list[Finding]
) -> Iterator[Piece]:
    """What a block without times is: a NOTE, a STYLE or REGION before the first cue, or words that no cue holds."""
    word = block[0].split(maxsplit=1)[0] if block[0].split() else ""
    if word == "NOTE":
        yield Heading(_unmarked(" ".join("\n".join(block).removeprefix("NOTE").split())), begin, remark=True)
    elif block[0].strip() in ("STYLE", "REGION") and not any(isinstance(piece, Utterance) for piece in before):
        return
    else:
        found = f"This block has no times: “{block[0].strip()[:60]}”."
        notes.append(fault(file, f"line {begin}", found, "Give it its times, or begin it with NOTE."))


def _unmarked(words: str) -> str:
    """The words of a marker without its mark: "# Weight" and "[Weight]" are "Weight"."""
    return re.sub(r"^#+\s+|^\[(.*)\]$", r"\1", words.strip()).strip()


def _timing(line: str, time: str, file: str, number: int, notes: list[Finding]) -> tuple[float, float] | None:
    """Start and end of a line of times; None and a fault where they cannot be read."""
    found = re.match(rf"[ \t]*({time})[ \t]*-->[ \t]*({time})(?:[ \t]|$)", line, re.ASCII)
    start, end = (seconds(found[1]), seconds(found[2])) if found else (None, None)
    if start is not None and end is not None:
        return start, end
    after = line.partition("-->")[2].strip()
    told = "This cue has no end." if not after else f"These are no times of a cue: “{line.strip()[:60]}”."
    notes.append(fault(file, f"line {number}", told, _REMEDY))
    return None


def _voices(payload: str, line: int, start: float, end: float) -> list[Utterance]:
    """The words of a cue by voice, without tags; character references are read as in HTML."""
    found: list[Utterance] = []
    speaker, words, begun, at = "", "", 0, 0

    def close(upto: int) -> None:
        plain = "\n".join(" ".join(line.split()) for line in html.unescape(words).split("\n")).strip()
        if plain:
            found.append(Utterance(speaker, plain, line + payload.count("\n", 0, begun), start, end, is_cue=True))

    for tag in _TAG.finditer(payload):
        words += payload[at : tag.start()]
        at = tag.end()
        if tag["name"] == "v":
            close(tag.start())
            closing = tag[0].startswith("</")
            speaker = "" if closing else " ".join(html.unescape(tag["annotation"] or "").split())
            words, begun = "", tag.end()
    words += payload[at:]
    close(len(payload))
    return found


def _unlikely_times(times: Sequence[tuple[int, float, float]], file: str) -> Iterator[Finding]:
    """Cues that end before they begin, that begin before the one above, and that overlap with it."""
    reversed_ = [line for line, start, end in times if end <= start]
    early = [line for (line, start, _), (_, before, _) in zip(times[1:], times, strict=False) if start < before]
    overlapping = [
        line for (line, start, _), (_, before, until) in zip(times[1:], times, strict=False) if before <= start < until
    ]
    told: tuple[tuple[list[int], Severity, str, str], ...] = (
        (reversed_, "attention", "times reversed", "Cues that end before they begin, or at once"),
        (early, "attention", "cues out of order", "Cues that begin before the one above them"),
        (overlapping, "note", "overlapping cues", "Cues that begin before the one above them has ended"),
    )
    for lines, severity, kind, found in told:
        if lines:
            remedy = "They are kept, in the order of the file."
            yield Finding(severity, kind, file, places("line", lines), f"{found}: {len(lines)}.", remedy)


def srt_pieces(text: str, file: str, known: Known, notes: list[Finding]) -> list[Piece]:
    """The utterances of an SRT file; speakers are named by "Name:" at the beginning of a line. Faults go to `notes`."""
    lines = text.removeprefix("\ufeff").split("\n")
    arrows = [place for place, line in enumerate(lines) if "-->" in line]
    pieces: list[Piece] = []
    times: list[tuple[int, float, float]] = []
    if not arrows:
        notes.append(fault(file, "", "There is no cue in this file.", _REMEDY))
        return []
    begins = [place - 1 if place and lines[place - 1].strip().isdecimal() else place for place in arrows]
    above = [line for line in lines[: begins[0]] if line.strip()]
    if above:
        found = f"Words stand above the first cue: “{above[0].strip()[:60]}”."
        notes.append(Finding("attention", "preamble", file, "line 1", found, "They are left out."))
    for place, until in zip(arrows, [*begins[1:], len(lines)], strict=True):
        if time := _timing(lines[place], _SRT_TIME, file, place + 1, notes):
            times.append((place + 1, *time))
            payload = _SRT_TAG.sub("", "\n".join(lines[place + 1 : until])).strip("\n")
            if payload.strip():
                pieces.append(Utterance("", payload, place + 2, *time, is_cue=True))
    notes += _unlikely_times(times, file)
    return _labelled(pieces, known)


def _labelled(pieces: Sequence[Piece], known: Known) -> list[Piece]:
    """Cues without voices, cut where a line begins with a speaker's name; a cue without one goes on with the last."""
    cues = [piece for piece in pieces if isinstance(piece, Utterance)]
    names = names_used((_undashed(line) for cue in cues for line in cue.text.split("\n")), known)
    found: list[Piece] = []
    speaker = ""
    for piece in pieces:
        heading = piece if isinstance(piece, Heading) else heading_in(piece.text, piece.line, known.parts)
        if heading or isinstance(piece, Heading):
            found += [heading] if heading else []
            continue
        speaking: list[Utterance] = []
        for offset, line in enumerate(piece.text.split("\n")):
            label = label_of(_undashed(line), names)
            if label or not speaking:
                speaker = label.name if label else speaker
                words = label.rest if label else line
                speaking.append(replace(piece, speaker=speaker, text=words, line=piece.line + offset))
            else:
                speaking[-1] = replace(speaking[-1], text=f"{speaking[-1].text}\n{line}")
        found += map(_in_one_line, speaking)
    return found


def _in_one_line(cue: Utterance) -> Utterance:
    """A cue without the breaks that only fit it on a screen."""
    return replace(cue, text=" ".join(cue.text.split()))


def _undashed(line: str) -> str:
    """A line without the dash by which subtitles begin a speaker."""
    return re.sub(r"^\s*[-–—]\s*", "", line)
