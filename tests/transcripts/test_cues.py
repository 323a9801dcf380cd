"""WebVTT by the sections of the W3C text (WebVTT: The Web Video Text Tracks Format), and SRT."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.errors import Finding
from workbench.transcripts.cues import srt_pieces, vtt_pieces
from workbench.transcripts.turns import Heading, Known, Parts, Utterance

KNOWN = Known(frozenset({"interviewer", "a01"}), Parts({"weight": "weight"}, {"second version": "slosh"}))


def vtt(text: str, *, faults: bool = False) -> list:
    pieces, notes = vtt_notes(text)
    assert faults or not [note for note in notes if note.severity == "blocks"], notes
    return pieces


def vtt_notes(text: str) -> tuple[list, list[Finding]]:
    notes: list[Finding] = []
    return vtt_pieces(text, "a.vtt", KNOWN, notes), notes


def cue(payload: str, times: str = "00:01.000 --> 00:02.000") -> str:
    return f"WEBVTT\n\n{times}\n{payload}\n"


def spoken(pieces: list) -> list[tuple[str, str]]:
    return [(one.speaker, one.text) for one in pieces if isinstance(one, Utterance)]


class TestFile:
    """Section 4.1, "WebVTT file structure", and 6.1, "WebVTT file parsing"."""

    @pytest.mark.parametrize("first", ["WEBVTT", "WEBVTT - a title", "WEBVTT\ttitle", "\ufeffWEBVTT"])
    def test_the_signature_may_be_followed_by_words(self, first):
        assert spoken(vtt(f"{first}\n\n00:01.000 --> 00:02.000\n<v A01>Heavy.")) == [("A01", "Heavy.")]

    @pytest.mark.parametrize("first", ["", "webvtt", "WEBVTTx", " WEBVTT", "1"])
    def test_another_first_line_is_a_fault(self, first):
        pieces, notes = vtt_notes(f"{first}\n\n00:01.000 --> 00:02.000\n<v A01>Heavy.")
        assert not pieces
        assert notes[0].severity == "blocks"
        assert "WEBVTT" in notes[0].found

    def test_header_style_region_and_comments_are_no_words(self):
        text = (
            "WEBVTT\nKind: captions\n\nSTYLE\n::cue(v) { color: red }\n\nREGION\nid:left\nwidth:40%\n\n"
            "NOTE one line\n\nNOTE\nseveral\nlines\n\nfirst cue\n00:01.000 --> 00:02.000\n<v A01>Heavy.\n\n"
            "00:02.000 --> 00:03.000\n<v A01>Yes.\n\nNOTE the end"
        )
        pieces = vtt(text)
        assert spoken(pieces) == [("A01", "Heavy."), ("A01", "Yes.")]
        assert [one.text for one in pieces if isinstance(one, Heading)] == ["one line", "several lines", "the end"]

    def test_a_line_of_times_without_a_blank_line_before_begins_a_cue(self):
        text = "WEBVTT\n\n00:01.000 --> 00:02.000\n<v A01>One.\n00:02.000 --> 00:03.000\n<v A01>Two."
        assert spoken(vtt(text)) == [("A01", "One."), ("A01", "Two.")]

    def test_a_cue_may_follow_the_signature_at_once(self):
        assert spoken(vtt("WEBVTT\n00:01.000 --> 00:02.000\n<v A01>One.")) == [("A01", "One.")]

    def test_words_that_no_cue_holds_are_a_fault(self):
        _, notes = vtt_notes("WEBVTT\n\nI said this\nand this\n\n00:01.000 --> 00:02.000\n<v A01>One.")
        assert [(note.severity, note.place) for note in notes] == [("blocks", "line 3")]
        assert "I said this" in notes[0].found


class TestTimings:
    """Section 4.3, "WebVTT cue timings and cue settings list", and 6.3, "cue timings and settings parsing"."""

    @pytest.mark.parametrize(
        ("times", "start", "end"),
        [
            ("00:01.000 --> 00:02.500", 1, 2.5),
            ("01:00:01.250 --> 123:00:00.000", 3601.25, 442800),
            ("00:01.000-->00:02.000", 1, 2),
            ("00:01.000\t-->\t00:02.000", 1, 2),
            ("00:01.000 --> 00:02.000 align:start position:10%,line-left", 1, 2),
        ],
    )
    def test_hours_and_settings_are_optional(self, times, start, end):
        (one,) = vtt(cue("<v A01>Heavy.", times))
        assert (one.start, one.end) == (start, end)

    @pytest.mark.parametrize(
        "times", ["0:01.000 --> 00:02.000", "00:61.000 --> 01:02.000", "00:01,000 --> 00:02,000", "00:01 --> 00:02"]
    )
    def test_times_against_the_syntax_are_a_fault(self, times):
        pieces, notes = vtt_notes(cue("<v A01>Heavy.", times))
        assert not pieces
        assert notes[0].severity == "blocks"
        assert times in notes[0].found

    @pytest.mark.parametrize("times", ["00:01.000 -->", "00:01.000 -->  "])
    def test_a_cue_without_an_end_is_a_fault(self, times):
        _, notes = vtt_notes(cue("<v A01>Heavy.", times))
        assert [(note.severity, note.place, note.found) for note in notes] == [
            ("blocks", "line 3", "This cue has no end.")
        ]

    def test_overlapping_early_and_reversed_cues_are_kept_and_noted(self):
        times = ("00:01.000 --> 00:05.000", "00:03.000 --> 00:04.000", "00:02.000 --> 00:02.000")
        text = "WEBVTT\n\n" + "\n\n".join(f"{one}\n<v A01>Word {place}." for place, one in enumerate(times))
        pieces, notes = vtt_notes(text)
        assert len(spoken(pieces)) == 3
        assert [(note.kind, note.place) for note in notes] == [
            ("times reversed", "line 9"),
            ("cues out of order", "line 9"),
            ("overlapping cues", "line 6"),
        ]
        assert not [note for note in notes if note.severity == "blocks"]


class TestCueText:
    """Section 4.2.2, "WebVTT cue text", and 6.4, "cue text parsing rules"."""

    def test_voices_may_have_classes_spaces_and_no_closing_tag(self):
        assert spoken(vtt(cue("<v.first.loud Esme Johnson>It’s a <i.x>blue</i> apple tree!"))) == [
            ("Esme Johnson", "It’s a blue apple tree!")
        ]

    def test_several_voices_in_a_cue_have_its_times(self):
        pieces = vtt(cue("<v Interviewer>And?</v>\n<v A01>Heavy,\nreally.</v>"))
        assert spoken(pieces) == [("Interviewer", "And?"), ("A01", "Heavy, really.")]
        assert {(one.start, one.end) for one in pieces} == {(1, 2)}

    def test_words_outside_voices_have_no_speaker(self):
        assert spoken(vtt(cue("(door) <v A01>Hm.</v> (door)"))) == [("", "(door)"), ("A01", "Hm."), ("", "(door)")]

    def test_tags_and_times_inside_are_no_words(self):
        payload = (
            "<v A01><c.y>So</c> <00:01.500><b>it</b> <u>was</u> <lang de>schwer</lang> <ruby>重<rt>おも</rt></ruby>"
        )
        assert spoken(vtt(cue(payload))) == [("A01", "So it was schwer 重おも")]

    def test_character_references(self):
        payload = "<v A&amp;B>R&amp;D &lt;3&gt; a&nbsp;b &#x65;&#x301;"
        pieces = vtt(cue(payload))
        assert pieces[0].speaker == "A&B"
        assert pieces[0].text.startswith("R&D <3> a b e")

    @pytest.mark.parametrize("words", ["I <3 it", "a < b", "two <laughs> three", "1 <2> 3", "<<<"])
    def test_what_is_no_tag_of_the_standard_stays(self, words):
        assert spoken(vtt(cue(f"<v A01>{words}"))) == [("A01", words)]


def test_a_file_without_voices_names_speakers_by_labels():
    text = (
        "WEBVTT\n\n1\n00:01.000 --> 00:02.000\nInterviewer: And?\n- A01: Heavy,\n\n2\n00:02.000 --> 00:03.000\nreally."
    )
    assert spoken(vtt(text)) == [("Interviewer", "And?"), ("A01", "Heavy,"), ("A01", "really.")]


SRT = """1
00:00:01,000 --> 00:00:02,500
Interviewer: And <i>how</i>?

2
00:00:02,500 --> 00:00:04,000 X1:0
A01: Heavy,

at first.

3
00:00:04,000 --> 00:00:05,000
Then less.
"""


class TestSrt:
    def read(self, text: str) -> tuple[list, list[Finding]]:
        notes: list[Finding] = []
        return srt_pieces(text, "a.srt", KNOWN, notes), notes

    def test_cues_labels_tags_and_blank_lines_inside(self):
        pieces, notes = self.read(SRT)
        assert spoken(pieces) == [("Interviewer", "And how?"), ("A01", "Heavy, at first."), ("A01", "Then less.")]
        assert [(one.start, one.end) for one in pieces] == [(1, 2.5), (2.5, 4), (4, 5)]
        assert not notes

    def test_a_number_that_was_said_stays(self):
        pieces, _ = self.read(
            "1\n00:00:01,000 --> 00:00:02,000\nA01: How many?\n40\n\n2\n00:00:03,000 --> 00:00:04,000\n7"
        )
        assert [one.text for one in pieces] == ["How many? 40", "7"]

    def test_no_cue_and_a_cue_without_an_end_are_faults(self):
        assert self.read("A01: Heavy.")[1][0].found == "There is no cue in this file."
        _, notes = self.read("1\n00:00:01,000 -->\nA01: Heavy.")
        assert [(note.found, note.place) for note in notes] == [("This cue has no end.", "line 2")]

    def test_headings_begin_parts(self):
        pieces, _ = self.read(
            "1\n00:00:01,000 --> 00:00:02,000\n[Second version]\n\n2\n00:00:02,000 --> 00:00:03,000\nA01: Hm."
        )
        assert isinstance(pieces[0], Heading)
        assert pieces[0].text == "Second version"


PARTS = [
    "00:01.000 --> 00:02.000",
    "00:00:01,000 --> 00:00:02,000",
    "-->",
    "\n",
    "\n\n",
    "<v A01>",
    "</v>",
    "<v.x Bo",
    ">",
    "<",
    "&amp;",
    "&",
    "<i>",
    "NOTE ",
    "STYLE",
    "1",
    "A01: ",
    "said ",
]


@given(st.lists(st.sampled_from(PARTS), max_size=40).map("".join))
@pytest.mark.parametrize("reader", [vtt_pieces, srt_pieces])
def test_any_text_gives_pieces_or_faults_and_loses_no_word_of_a_sound_cue(reader, text):
    """What stands in a tag, a note or a damaged block is no word; all else is kept or named in a fault."""
    notes: list[Finding] = []
    first = "WEBVTT\n\n00:01.000 --> 00:02.000\n" if reader is vtt_pieces else "1\n00:00:01,000 --> 00:00:02,000\n"
    payload = "".join(text.replace("\n", " ").replace("-->", " "))
    pieces = reader(f"{first}A01: {payload}\n\n{text}", "a", KNOWN, notes)
    spoken_words = " ".join(one.text for one in pieces if isinstance(one, Utterance))
    assert all(note.found and note.remedy for note in notes if note.severity == "blocks")
    if "<" not in text:
        assert spoken_words.count("said") >= payload.count("said")
