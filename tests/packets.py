"""Packets for tests, of text that is invented here, all of it; and how Chromium is started."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from workbench.codebook.model import Code, Codebook, Theme
from workbench.coding.packet import Assignment
from workbench.coding.units import Kind, learn_sentences, units_of
from workbench.coding.working_text import WorkingTranscript, working_texts
from workbench.transcripts.turns import Transcript, Turn

OTHER_RATER = "OTHER-RATER-WAS-HERE"
"""Planted wherever another rater could leave a trace in what a packet is made from."""

FAMILY, FLAG = "\U0001f469‍\U0001f373", "\U0001f1e9\U0001f1ea"
COMBINED = "ë̈"
"""Letters of several code points: a cook of three, a flag of two, and an e with two marks."""

LINES = (
    ("I", "Invented for tests. How was the pot?"),
    ("P", f"Heavy {FAMILY} and real {FLAG}. Über alle Maßen, n{COMBINED}tt and warm."),
    ("I", "Mhm."),
    ("P", "It pulled to the left, the soup came late."),
    ("I", "And the voice?"),
    ("P", "<script>window.hurt = 1</script><img src=x onerror='window.hurt = 2'> she helped."),
    ("I", "Anything else?"),
    ("P", "=1+1 is what I would say. No. שלום למטבח הקטן, that is it."),
    ("I", "Thank you."),
    ("P", "Bye then."),
)

CODEBOOK = Codebook(
    "2",
    (
        Code("HEFT", "The pot has weight", "WEIGHT", definition="Said to be heavy or light.", when_to_use="Weight.",
             when_not_to_use="Not for tired arms.", example="It hangs there.", author=OTHER_RATER, reason=OTHER_RATER),
        Code("SWAY", "Sees the soup move", "WEIGHT", definition="The soup moves."),
        Code("VOICE", "The voice helps", definition="The voice is spoken of."),
        Code("ÜBER", "Goes beyond", definition="More than was asked."),
    ),
    (Theme("WEIGHT", "How weight comes across"),),
    author=OTHER_RATER,
    reason=OTHER_RATER,
    retired={"OLD": OTHER_RATER},
)  # fmt: skip


def working(lines: tuple[tuple[str, str], ...] = LINES, name: str = "A03", language: str = "en") -> WorkingTranscript:
    """A transcript of these lines; the speakers' names and the file are planted, since a packet tells neither."""
    roles: dict[str, Any] = {"I": "interviewer", "P": "participant"}
    turns = [
        Turn(number, f"{who} {OTHER_RATER}", roles[who], words, start=20.0 * number, question="weight")
        for number, (who, words) in enumerate(lines, start=1)
    ]
    transcript = Transcript(name, name, f"{OTHER_RATER}.txt", language, tuple(turns))
    return working_texts([transcript], [], [])[name]


def assignment(kind: Kind = "answers", *transcripts: WorkingTranscript, **changed: Any) -> Assignment:
    """What rater R2 codes in an invented study."""
    shown = transcripts or (working(), working(LINES[4:6], "A07"))
    plain = [Transcript(one.name, one.name, one.file, one.language, tuple(_plain(one))) for one in shown]
    sentences = learn_sentences(plain) if kind == "sentences" else None
    units = tuple(unit for one in shown for unit in units_of(one, kind, sentences=sentences).items)
    made = Assignment(
        study="practice-kitchen",
        title="Practice kitchen (invented)",
        round="reliability",
        rater="R2",
        kind=kind,
        transcripts=shown,
        units=units,
        codebook=CODEBOOK,
        conditions={"still": "Still", "slosh": "Slosh", "ladle": "Ladle"},
    )
    return replace(made, **changed)


def _plain(transcript: WorkingTranscript) -> list[Turn]:
    return [Turn(number, one.speaker, one.role, one.text) for number, one in enumerate(transcript.turns, start=1)]
