"""Plain text with speakers, in the forms that transcripts come in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.errors import Finding
from workbench.transcripts.plain import lines_of, spoken_pieces
from workbench.transcripts.turns import Heading, Known, Parts, Utterance

KNOWN = Known(frozenset({"interviewer", "a01", "anna"}), Parts({"weight": "weight"}, {"second version": "slosh"}))


def read(text: str) -> tuple[list, list[Finding]]:
    notes: list[Finding] = []
    return spoken_pieces(lines_of(text), "a.txt", "line", KNOWN, notes), notes


def turns(text: str) -> list[tuple]:
    return [(one.speaker, one.text, one.start, one.end) for one in read(text)[0] if isinstance(one, Utterance)]


@pytest.mark.parametrize(
    "line",
    [
        "[00:01:02] Anna: Heavy.",
        "[00:01:02]Anna: Heavy.",
        "(1:02) Anna: Heavy.",
        "00:01:02 Anna: Heavy.",
        "00:01:02 - Anna: Heavy.",
        "<00:01:02> Anna: Heavy.",
        "01:02.000 | Anna: Heavy.",
        "Anna [00:01:02]: Heavy.",
        "Anna (00:01:02): Heavy.",
        "Anna, 00:01:02: Heavy.",
        "Anna 1:02: Heavy.",
        "Anna: [00:01:02] Heavy.",
        "anna: (1:02) Heavy.",
        "**Anna** [1:02]: Heavy.",
        "Anna  00:01:02\nHeavy.",
        "00:01:02  Anna\nHeavy.",
        "[00:01:02]\nAnna: Heavy.",
        "[00:01:02]\n\nAnna:\nHeavy.",
    ],
)
def test_a_time_may_stand_before_or_after_the_name(line):
    ((speaker, text, start, end),) = turns(line)
    assert (speaker.casefold(), text, start, end) == ("anna", "Heavy.", 62, None)


@pytest.mark.parametrize("times", ["00:01:02 - 00:01:05", "00:01:02,000 --> 00:01:05,000", "1:02–1:05"])
def test_a_time_may_have_an_end(times):
    assert turns(f"[{times}] Anna: Heavy.") == [("Anna", "Heavy.", 62, 65)]


@pytest.mark.parametrize(
    "label", ["Anna", "ANNA", "Anna (participant)", "Anna:", "Dr. Mora", "P 1", "José Ñandú", "Anna & Ben", "R2"]
)
def test_names_of_many_kinds(label):
    name = label.removesuffix(":")
    assert turns(f"Interviewer: And?\n{name}: Heavy.")[1] == (name, "Heavy.", None, None)


def test_a_name_in_another_script_is_known_by_coming_back():
    text = "\n".join(["प्रिया: हाँ", "Interviewer: And?"] * 3)
    assert turns(text)[0][:2] == ("प्रिया", "हाँ")
    assert turns("Interviewer： 怎么样？\nAnna：很重。") == [
        ("Interviewer", "怎么样？", None, None),
        ("Anna", "很重。", None, None),
    ]


def test_lines_go_on_and_paragraphs_stay():
    text = "Interviewer: And\nhow?\n\nAnna: Heavy.\n\nI mean really\nheavy.\n"
    assert [one[:2] for one in turns(text)] == [
        ("Interviewer", "And how?"),
        ("Anna", "Heavy.\nI mean really heavy."),
    ]


@pytest.mark.parametrize(
    "words", ["I thought: wow.", "and then: nothing", "http://example.org is it", "at 10:30 we left", "well, so: yes"]
)
def test_a_colon_in_words_begins_no_turn(words):
    assert [one[:2] for one in turns(f"Anna: Well.\n{words}")] == [("Anna", f"Well. {words}")]


def test_what_stands_above_the_first_turn_is_left_out_and_told():
    pieces, notes = read("Interview 3\nDate: 3 March\n\nInterviewer: And?\nAnna: Heavy.")
    assert len(pieces) == 2
    assert [(note.kind, note.severity, note.place) for note in notes] == [("preamble", "attention", "lines 1, 2")]
    assert "Interview 3" in notes[0].found


def test_somebody_unknown_who_speaks_again_is_no_preamble():
    assert [one[0] for one in turns("Helper: Hi.\nAnna: Hi.\nHelper: Bye.")] == ["Helper", "Anna", "Helper"]


def test_crosstalk_stays_in_the_words():
    text = "Anna: I [overlapping] think\nInterviewer [overlapping]: Sorry.\nAnna: [laughs]\n[both laugh]"
    assert [one[:2] for one in turns(text)] == [
        ("Anna", "I [overlapping] think"),
        ("Interviewer", "[overlapping] Sorry."),
        ("Anna", "[laughs] [both laugh]"),
    ]


def test_a_time_that_belongs_to_no_turn_stays():
    assert turns("Anna: Well.\n[00:05:00]\nso it was") == [("Anna", "Well. [00:05:00] so it was", None, None)]
    assert turns("Anna: Well.\n[00:05:00]") == [("Anna", "Well. [00:05:00]", None, None)]


def test_headings_and_what_only_looks_like_one():
    pieces, _ = read("# Weight\nAnna: Heavy.\n[Second version]\nSo then.\n[laughs]\n## Other\nInterviewer: And?")
    assert [(one.text, one.level) for one in pieces if isinstance(one, Heading)] == [
        ("Weight", 1),
        ("Second version", 1),
        ("Other", 2),
    ]
    assert [one[:2] for one in turns("# Weight\nAnna: Heavy.\n[Second version]\nSo then.\n[laughs]")] == [
        ("Anna", "Heavy."),
        ("Anna", "So then. [laughs]"),
    ]


def test_text_without_speakers_is_kept_for_the_fault():
    assert turns("Just words.\nMore.") == [("", "Just words. More.", None, None)]


PARTS = [
    "Anna",
    "Interviewer",
    "Bo Li",
    ":",
    ": ",
    "[1:02]",
    "(0:01:02)",
    "\n",
    "\n\n",
    "# ",
    "[",
    "]",
    "words ",
    "[laughs]",
    "\t",
    "é",
]


@given(st.lists(st.sampled_from(PARTS), max_size=30).map("".join))
def test_no_word_after_the_first_turn_is_lost(text):
    pieces, _ = read(f"Anna: begin\n{text}")
    kept = "".join(f"{one.speaker} {one.text}" if isinstance(one, Utterance) else one.text for one in pieces)
    assert kept.count("words") == text.count("words")
    assert kept.count("[laughs]") + sum(isinstance(one, Heading) for one in pieces) >= text.count("[laughs]")
