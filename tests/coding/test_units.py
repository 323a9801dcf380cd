"""Units: answers and sentences, their ids, and what people split and join."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.coding.units import (
    Sentences,
    Unit,
    Units,
    boundary_score,
    is_back_channel,
    learn_sentences,
    parts_of,
    put_together,
    split_content,
    unit_id,
    units_of,
)
from workbench.coding.working_text import WorkingTranscript, WorkingTurn, working_texts
from workbench.errors import ArgumentError
from workbench.transcripts.turns import Transcript, Turn

HERE = Path(__file__).parent
ROLES = {"I": "interviewer", "P": "participant", "X": "other", "?": "unknown"}


@dataclass
class Decision:
    key: str
    content: dict[str, Any] | None


def working(*turns: str, name: str = "A03", language: str = "en") -> WorkingTranscript:
    """A transcript of turns such as "P: Heavy." or, with a part, "P weight slosh: Heavy."."""
    read = []
    for number, turn in enumerate(turns, start=1):
        who, _, words = turn.partition(": ")
        role, question, condition = [*who.split(), "", ""][:3]
        read.append(WorkingTurn(str(number), (number,), role, ROLES[role], words, None, None, question, condition))
    return WorkingTranscript(name, name, f"{name}.txt", language, tuple(read))


def ids(units: Units) -> list[tuple[str, str]]:
    return [(unit.id, unit.text) for unit in units.items]


def marked(language: str) -> list[list[str]]:
    text = (HERE / f"marked_sentences_{language}.txt").read_text(encoding="utf-8")
    return [turn.split("\n") for turn in text.strip().split("\n\n")]


def spoken(turns: list[list[str]], language: str, name: str = "A01") -> Transcript:
    return Transcript(
        name, name, name, language, tuple(Turn(n, "P", "participant", " ".join(one)) for n, one in enumerate(turns, 1))
    )


@pytest.fixture(scope="module")
def sentences() -> Sentences:
    return learn_sentences([spoken(marked(language), language, language) for language in ("en", "de")])


def holds(unit: Unit, transcript: WorkingTranscript) -> bool:
    """Whether each piece of a unit is the words of its turn."""
    texts = transcript.texts()
    return all(
        unit.text[piece.at : piece.at + piece.end - piece.start] == texts[piece.turn][piece.start : piece.end]
        for piece in unit.pieces
    )


class TestAnswers:
    def test_strictly_alternating_turns_have_the_ids_of_codings(self):
        turns = [f"{'I: Why is that so' if place % 2 else 'P: Because'} {place}." for place in range(1, 13)]
        assert [unit.id for unit in units_of(working(*turns), "answers").items] == [
            "A03-002",
            "A03-004",
            "A03-006",
            "A03-008",
            "A03-010",
            "A03-012",
        ]

    def test_a_back_channel_ends_no_answer(self):
        talk = working("I: And?", "P: Heavy.", "I: Mhm.", "P: Really.", "X: [door]", "P: Yes.", "I: Why?", "P: Soup.")
        units = units_of(talk, "answers")
        assert ids(units) == [("A03-002", "Heavy.\nReally.\nYes."), ("A03-008", "Soup.")]
        assert all(holds(unit, talk) for unit in units.items)

    def test_another_part_begins_another_answer(self):
        talk = working("P weight: a", "P weight: b", "P weight slosh: c", "I: Mm.", "P end: d")
        assert ids(units_of(talk, "answers")) == [("A03-001", "a\nb"), ("A03-003", "c"), ("A03-005", "d")]
        assert [(unit.question, unit.condition) for unit in units_of(talk, "answers").items] == [
            ("weight", ""),
            ("weight", "slosh"),
            ("end", ""),
        ]

    def test_somebody_unknown_ends_an_answer_and_is_in_none(self):
        assert ids(units_of(working("P: a", "?: Excuse me there.", "P: b"), "answers")) == [
            ("A03-001", "a"),
            ("A03-003", "b"),
        ]

    def test_spans_are_marked_in_answers(self):
        talk = working("P: a", "I: Why so?", "P: b")
        assert units_of(talk, "spans").items == units_of(talk, "answers").items

    def test_nobody_answers(self):
        assert units_of(working("I: And?"), "answers").items == ()
        assert units_of(working(), "answers").items == ()

    def test_parts_of_a_split_turn(self):
        original = Transcript("A03", "A03", "", "en", (Turn(12, "P", "participant", "Heavy. Why? Soup."),))
        content = [
            {
                "turn": "12",
                "action": "split",
                "start": 7,
                "end": 11,
                "quote": "Why?",
                "speaker": "I",
                "role": "interviewer",
            },
            {"turn": "12b", "action": "split", "start": 5, "end": 9, "quote": "Soup", "speaker": "P"},
        ]

        @dataclass
        class Entry:
            content: dict[str, Any]
            seq: int
            transcript: str = "A03"
            key: str = ""

        seen = working_texts([original], [Entry(one, seq) for seq, one in enumerate(content)], [])["A03"]
        assert ids(units_of(seen, "answers")) == [("A03-012", "Heavy."), ("A03-012bb", "Soup.")]

    @pytest.mark.parametrize(
        ("turn", "expected"),
        [("2", "A-002"), ("2a", "A-002"), ("2aa", "A-002"), ("2ab", "A-002ab"), ("1234", "A-1234")],
    )
    def test_ids_of_parts(self, turn, expected):
        assert unit_id("A", turn) == expected


@pytest.mark.parametrize(
    "words", ["Mhm.", "mm-hm", "Okay, okay.", "I see.", "[laughs]", "(nods) Yeah.", "Ja, genau.", "...", "Uh-huh"]
)
def test_back_channels(words):
    assert is_back_channel(words)


@pytest.mark.parametrize(
    "words", ["Really?", "Okay, and the pot.", "Mm. Anything else?", "yes yes yes yes", "3", "Why"]
)
def test_more_than_a_back_channel(words):
    assert not is_back_channel(words)


class TestSentences:
    def cut(self, sentences: Sentences, text: str, language: str = "en") -> list[str]:
        return [text[start:end] for start, end in sentences.spans(text, language)]

    def test_boundaries_against_those_marked_by_hand(self, sentences):
        """Marked while reading what the speakers say; 136 and 67 boundaries inside turns."""
        for language, n in (("en", 136), ("de", 67)):
            score = boundary_score(marked(language), sentences, language)
            assert score.n_marked == n
            assert score.precision >= 0.98
            assert score.recall >= 0.98

    @pytest.mark.parametrize(
        ("language", "text"),
        [
            ("en", "It had approx. four litres, e.g. soup, vs. the 3.5 of Dr. Mora.|Then it was gone!|Why?|No idea."),
            ("en", "I was ... not sure.|… and then it fell.|It was good… really."),
            ("en", "And then... I don't know, then... Kezia came."),
            ("en", "So that's good...|The pot moved though.|You see…|Then it was gone."),
            ("de", "Das waren z.B. ca. 20 Liter, d.h. viel.|Schwer war’s."),
            ("de", "Der ist... Topf halt.|Und dann… Brandeck."),
        ],
    )
    def test_abbreviations_and_ellipses(self, sentences, language, text):
        parts = text.split("|")
        assert self.cut(sentences, " ".join(parts), language) == parts

    def test_a_line_break_ends_a_sentence(self, sentences):
        assert self.cut(sentences, "One\n\n two. Three") == ["One", "two.", "Three"]

    def test_ids_count_within_the_turn(self, sentences):
        talk = working("I: And?", "P: Heavy. Very.", "I: Mhm.", "P: Yes.\nSoup.", language="en-GB")
        units = units_of(talk, "sentences", sentences=sentences)
        assert ids(units) == [
            ("A03-002.1", "Heavy."),
            ("A03-002.2", "Very."),
            ("A03-004.1", "Yes."),
            ("A03-004.2", "Soup."),
        ]
        assert [(unit.turn, unit.start, unit.end) for unit in units.items] == [
            ("2", 0, 6),
            ("2", 7, 12),
            ("4", 0, 4),
            ("4", 5, 10),
        ]

    def test_a_language_never_seen_is_cut_by_plain_rules(self, sentences):
        assert self.cut(sentences, "C'est lourd. Très lourd ? Oui.", "fr") == ["C'est lourd.", "Très lourd ?", "Oui."]

    @given(st.text(st.sampled_from('aB .?!…\n"”’)(éß重👩\u200d\u0301'), max_size=60))
    def test_sentences_hold_every_word_in_order(self, sentences, text):
        spans = sentences.spans(text, "en")
        assert all(start < end for start, end in spans)
        assert all(one[1] <= other[0] for one, other in itertools.pairwise(spans))
        assert "".join("".join(text[start:end] for start, end in spans).split()) == "".join(text.split())

    def test_of_very_much_text_a_part_with_all_speakers_teaches(self, monkeypatch):
        monkeypatch.setattr("workbench.coding.units.LEARNED_FROM", 40)
        turns = [["Why is it so?"], ["Then the pot moved."]] * 40
        taught = learn_sentences([spoken(turns, "xx")])
        assert self.cut(taught, "It fell... The end... Is it... Kezia.", "xx") == [
            "It fell...",
            "The end...",
            "Is it... Kezia.",
        ]

    @pytest.mark.full
    def test_the_same_whatever_order_sets_have(self):
        code = (
            "import sys; sys.path.insert(0, sys.argv[1]); import test_units as t;"
            "s = t.learn_sentences([t.spoken(t.marked('en'), 'en')]);"
            "print([s.spans(' '.join(one), 'en') for one in t.marked('en')])"
        )
        runs = {
            subprocess.run(
                [sys.executable, "-c", code, str(HERE)],
                env=os.environ | {"PYTHONHASHSEED": seed},
                capture_output=True,
                check=True,
            ).stdout
            for seed in ("1", "2")
        }
        assert len(runs) == 1


class TestDecisions:
    TALK = ("I: And how?", "P: Heavy. Then light.", "I: Why is that?", "P: Soup.")

    def test_split_and_join_keep_ids(self):
        talk = working(*self.TALK)
        (first, _) = units_of(talk, "answers").items
        split = Decision("A03/A03-002", split_content(first, [7]))
        units = units_of(talk, "answers", decisions=[split])
        assert ids(units) == [("A03-002", "Heavy."), ("A03-002:2", "Then light."), ("A03-004", "Soup.")]
        join = Decision("A03/A03-002:2", {"action": "join"})
        units = units_of(talk, "answers", decisions=[split, join])
        assert ids(units) == [("A03-002", "Heavy."), ("A03-002:2", "Then light.\nSoup.")]
        assert all(holds(unit, talk) for unit in units.items)
        assert (units.items[1].turn, units.items[1].start, units.items[1].end) == ("2", 7, 5)

    def test_sentences_of_one_turn_are_joined_with_what_stands_between(self, sentences):
        talk = working("P: Heavy.   Then light. So.")
        joins = [Decision(f"A03/A03-001.{number}", {"action": "join"}) for number in (1, 2)]
        units = units_of(talk, "sentences", sentences=sentences, decisions=joins)
        assert ids(units) == [("A03-001.1", "Heavy.   Then light. So.")]
        assert len(units.items[0].pieces) == 1
        assert holds(units.items[0], talk)

    def test_a_split_finds_its_words_after_a_correction(self):
        (first, _) = units_of(working(*self.TALK), "answers").items
        split = Decision("A03/A03-002", split_content(first, [7]))
        changed = working(self.TALK[0], "P: Oh so heavy. Then light.", *self.TALK[2:])
        assert ids(units_of(changed, "answers", decisions=[split]))[1] == ("A03-002:2", "Then light.")
        gone = units_of(working(self.TALK[0], "P: Oh.", *self.TALK[2:]), "answers", decisions=[split])
        assert ids(gone)[0] == ("A03-002", "Oh.")
        assert [note.place for note in gone.notes] == ["A03-002"]

    def test_parts_put_together_are_the_unit_they_were_cut_from(self):
        talk = working("I: And?", "P: Heavy.  Then light.", "P: Then soup.", "I: Why is that?", "P: Bye.")
        (first, last) = units_of(talk, "answers").items
        split = Decision("A03/A03-002", split_content(first, [8, 20, 25]))
        units = units_of(talk, "answers", decisions=[split]).items
        assert [one.text for one in units] == ["Heavy.", "Then light.", "Then", "soup.", "Bye."]
        assert parts_of(units, units[2]) == list(units[:4])
        assert put_together(units[:4], talk.texts()) == (first, [0, 8, 20, 25])
        assert put_together([last], talk.texts()) == (last, [0])

    def test_withdrawn_others_and_lost_decisions(self):
        decisions = [
            Decision("A03/A03-002", None),
            Decision("A04/A03-004", {"action": "join"}),
            Decision("A03/A03-099", {"action": "join"}),
            Decision("A03/A03-004", {"action": "join"}),
        ]
        units = units_of(working(*self.TALK), "answers", decisions=decisions)
        assert ids(units) == [("A03-002", "Heavy. Then light."), ("A03-004", "Soup.")]
        assert sorted(note.place for note in units.notes) == ["A03-004", "A03-099"]

    @pytest.mark.parametrize("at", [[], [0], [18], [7, 7], [-3]])
    def test_places_that_cut_nothing_are_refused(self, at):
        with pytest.raises(ArgumentError, match="`at`"):
            split_content(units_of(working(*self.TALK), "answers").items[0], at)


def test_what_is_asked_for_must_be_known():
    with pytest.raises(ArgumentError, match="answers, sentences, spans"):
        units_of(working(), "words")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="learn_sentences"):
        units_of(working(), "sentences")
