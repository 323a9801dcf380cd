"""The working text: corrections and pseudonyms over transcripts, and codings that stay on their words."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.coding.working_text import (
    Anchor,
    WorkingTranscript,
    correction,
    reanchor,
    working_texts,
)
from workbench.errors import ArgumentError
from workbench.pseudonyms.key import Decision, KeyEntry
from workbench.store.operations import entry_of, new_operation
from workbench.transcripts.turns import Transcript, Turn

TALK = (
    ("Interviewer", "And how was it?"),
    ("A01", "It was hevy, so hevy. Anna Meier said so too."),
    ("A01", "Annabel."),
    ("Interviewer", "Thanks, ANNA MEIER!"),
)


@dataclass
class Entry:
    """What the journal gives of a correction."""

    content: dict[str, Any] | None
    seq: int = 1
    transcript: str = "A01"
    key: str = "A01/x"


def name(
    phrase: str,
    replacement: str = "[Name 1]",
    transcript: str = "",
    turn: str = "",
    start: int | None = None,
    decision: Decision = "confirmed",
) -> KeyEntry:
    return KeyEntry(phrase, "name", replacement, decision, "R1", "", transcript, turn, start)


@dataclass
class Desk:
    """Somebody who corrects what they see, one correction after the other."""

    transcript: Transcript
    names: list[KeyEntry] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)

    @property
    def seen(self) -> WorkingTranscript:
        return working_texts([self.transcript], self.entries, self.names)[self.transcript.name]

    def correct(self, turn: str, action: Any, words: str = "", **more: Any) -> None:
        if words:
            start = self.seen.texts()[turn].index(words)
            more = {"start": start, "end": start + len(words)} | more
        self.entries.append(Entry(correction(self.seen, turn, action, **more), len(self.entries) + 1))

    def lines(self) -> list[tuple[str, str, str]]:
        return [(turn.id, turn.speaker, turn.text) for turn in self.seen.turns]


def transcript(*turns: tuple[str, str], translation: tuple[str, ...] = ()) -> Transcript:
    roles = {"Interviewer": "interviewer", "A01": "participant"}
    return Transcript(
        "A01",
        "A01",
        "t/A01.vtt",
        "en",
        tuple(
            Turn(number, who, roles.get(who, "unknown"), words, float(number), number + 0.5)
            for number, (who, words) in enumerate(turns, start=1)
        ),
        translation,
    )


@pytest.fixture
def desk() -> Desk:
    return Desk(transcript(*TALK))


def test_without_corrections_it_is_the_transcript(desk):
    assert [(turn.id, turn.text, turn.role) for turn in desk.seen.turns] == [
        (str(turn.number), turn.text, turn.role) for turn in desk.transcript.turns
    ]


def test_each_correction(desk):
    desk.correct("2", "replace", "hevy", text="heavy")
    desk.correct("2", "replace", "so hevy", text="so heavy")
    desk.correct("2", "inaudible", " too")
    desk.correct("3", "speaker", speaker="Interviewer")
    assert [(turn.text, turn.role) for turn in desk.seen.turns[1:3]] == [
        ("It was heavy, so heavy. Anna Meier said so[inaudible].", "participant"),
        ("Annabel.", "interviewer"),
    ]
    assert not desk.seen.unresolved


def test_a_split_turn_and_its_parts_have_ids_that_stay(desk):
    desk.correct("2", "split", "Anna Meier", speaker="Interviewer")
    assert desk.lines()[1:3] == [
        ("2a", "A01", "It was hevy, so hevy."),
        ("2b", "Interviewer", "Anna Meier said so too."),
    ]
    desk.correct("2b", "split", "said")
    desk.correct("2bb", "replace", "too", text="to")
    assert [one[0] for one in desk.lines()] == ["1", "2a", "2ba", "2bb", "3", "4"]
    first, second = desk.seen.turns[1:3]
    assert (first.start, first.end, second.start, second.numbers) == (2, None, None, (2,))
    desk.entries[1].content = None
    assert [one[0] for one in desk.lines()] == ["1", "2a", "2b", "3", "4"]
    assert [one.why for one in desk.seen.unresolved] == ["There is no turn 2bb any more."]


def test_joined_turns_have_the_id_of_the_first(desk):
    desk.correct("2", "join")
    assert desk.lines()[1] == ("2", "A01", "It was hevy, so hevy. Anna Meier said so too. Annabel.")
    joined = desk.seen.turns[1]
    assert (joined.start, joined.end, joined.numbers) == (2, 3.5, (2, 3))
    assert [turn.id for turn in desk.seen.turns] == ["1", "2", "4"]


def test_translations_go_with_their_turns():
    desk = Desk(
        transcript(
            ("Interviewer", "Und?"),
            ("A01", "Schwer. Ja, Anna."),
            ("A01", "Gut."),
            translation=("And?", "Heavy. Yes, Anna.", "Good."),
        )
    )
    desk.names.append(name("Anna"))
    desk.correct("2", "split", "Ja")
    desk.correct("2b", "join")
    assert [turn.translation for turn in desk.seen.turns] == ["And?", "Heavy. Yes, [Name 1].", "Good."]


def test_taking_back_an_earlier_correction_keeps_the_later_ones(desk):
    desk.correct("2", "replace", "It was", text="Well, I would say that it was")
    desk.correct("2", "replace", "too", text="two")
    desk.entries[0].content = None
    assert desk.lines()[1][2] == "It was hevy, so hevy. Anna Meier said so two."


def test_a_correction_whose_words_are_gone_is_left_for_a_person(desk):
    desk.correct("2", "replace", "so hevy", text="so")
    desk.entries.insert(0, Entry(correction(Desk(desk.transcript).seen, "2", "replace", start=7, end=19, text="x"), 0))
    (open_,) = desk.seen.unresolved
    assert open_.why == "Its words “so hevy” stand in the turn no more."
    twice = Entry({"turn": "2", "action": "replace", "start": 0, "end": 4, "quote": "hevy", "text": "heavy"})
    (open_,) = working_texts([desk.transcript], [twice], [])["A01"].unresolved
    assert open_.why == "Its words “hevy” stand in the turn 2 times."


@pytest.mark.parametrize(
    "content",
    [
        {},
        {"turn": "2"},
        {"turn": 2, "action": "shout"},
        {"turn": "9", "action": "join"},
        {"turn": "2", "action": "replace"},
        {"turn": "4", "action": "join"},
        {"turn": "2", "action": "speaker"},
        {"turn": "2", "action": "join", "next": "4"},
        {"turn": "2", "action": "split", "start": 0, "end": 2, "quote": "It"},
    ],
)
def test_content_that_fits_nothing_is_left_for_a_person(desk, content):
    seen = working_texts([desk.transcript], [Entry(content)], [])["A01"]
    assert len(seen.unresolved) == 1
    assert [turn.text for turn in seen.turns] == [words for _, words in TALK]


def test_wrong_places_are_refused_at_once(desk):
    for arguments in (("9", "join"), ("4", "join")):
        with pytest.raises(ArgumentError, match="`turn`"):
            correction(desk.seen, *arguments)
    with pytest.raises(ArgumentError, match="15 code points"):
        correction(desk.seen, "1", "replace", start=3, end=16)


def test_entries_of_the_journal_are_corrections(desk):
    entry = new_operation(
        "R1", "correction", "A01/1", correction(desk.seen, "3", "replace", start=0, end=7, text="Bea"), transcript="A01"
    )
    assert working_texts([desk.transcript], [entry_of(entry, 1, 1)], [])["A01"].turns[2].text == "Bea."


class TestPseudonyms:
    def test_whole_words_with_any_space_and_all_in_capitals(self, desk):
        desk.names.append(name("Anna Meier"))
        assert [words for _, _, words in desk.lines()[1:]] == [
            "It was hevy, so hevy. [Name 1] said so too.",
            "Annabel.",
            "Thanks, [Name 1]!",
        ]

    def test_the_longest_phrase_wins_and_a_small_letter_is_another_word(self):
        desk = Desk(
            transcript(("A01", "Will will ask Will Hay. WILL.")), [name("Will", "[B]"), name("Will Hay", "[A]")]
        )
        assert desk.lines()[0][2] == "[B] will ask [A]. [B]."

    def test_one_transcript_only(self):
        text = "Mark it, mark it. Mark it, I said."
        assert Desk(transcript(("A01", text)), [name("Mark", "[M]", "A02")]).lines()[0][2] == text
        assert Desk(transcript(("A01", text)), [name("Mark", "[M]", "A01")]).lines()[0][2].count("[M]") == 2

    def test_one_place_keeps_it_when_its_turn_is_split(self):
        desk = Desk(
            transcript(("A01", "Mark it, mark it. Mark it, I said.")), [name("Mark", "[M]", "A01", "1", start=18)]
        )
        assert desk.lines()[0][2] == "Mark it, mark it. [M] it, I said."
        desk.correct("1", "split", "[M]")
        assert [words for _, _, words in desk.lines()] == ["Mark it, mark it.", "[M] it, I said."]
        assert desk.seen.unplaced == ()

    def test_one_place_in_a_turn_that_was_taken_into_the_one_before(self):
        named = name("Mark", "[M]", "A01", "2", start=0)
        once = Desk(transcript(("A01", "Well."), ("A01", "Mark it.")), [named])
        once.correct("1", "join")
        assert (once.lines()[0][2], once.seen.unplaced) == ("Well. [M] it.", ())
        twice = Desk(transcript(("A01", "Mark, well."), ("A01", "Mark it.")), [named])
        twice.correct("1", "join")
        assert twice.lines()[0][2] == "[M], well. [M] it."
        (unplaced,) = twice.seen.unplaced
        assert unplaced.why == "The words behind “[M]” stand there 2 times, all of them replaced."

    def test_one_place_whose_words_are_gone_is_for_a_person_and_does_not_say_them(self, desk):
        desk.names.append(name("Anna Meier", "[Name 1]", "A01", "2", start=22))
        assert desk.seen.unplaced == ()
        desk.correct("2", "inaudible", "[Name 1]")
        (unplaced,) = desk.seen.unplaced
        assert (unplaced.turn, unplaced.why) == ("2", "The words behind “[Name 1]” stand there no more.")

    def test_a_rejection_for_a_place_wins_there_alone(self, desk):
        desk.names += [name("Anna Meier"), name("Anna Meier", "", "A01", "4", 8, "rejected")]
        assert [words for _, _, words in desk.lines()[1:]] == [
            "It was hevy, so hevy. [Name 1] said so too.",
            "Annabel.",
            "Thanks, ANNA MEIER!",
        ]

    def test_a_place_of_the_original_means_the_whole_turn_of_its_translation(self):
        spoken = transcript(("A01", "Anna und Anna."), translation=("Well, Anna and Anna.",))
        assert Desk(spoken, [name("Anna", "[A]", "A01", "1", 9)]).seen.turns[0].translation == "Well, [A] and [A]."
        rejected = [name("Anna", "[A]"), name("Anna", "", "A01", "1", 9, "rejected")]
        seen = Desk(spoken, rejected).seen.turns[0]
        assert (seen.text, seen.translation) == ("[A] und Anna.", "Well, [A] and [A].")

    def test_a_genitive_stays_and_offsets_go_back_behind_it(self):
        desk = Desk(transcript(("A01", "Annas pot and Annas spoon.")), [name("Anna", "[someone else]")])
        (turn,) = desk.seen.turns
        assert turn.text == "[someone else]s pot and [someone else]s spoon."
        assert [(one.start, one.end, one.length_before) for one in turn.replaced] == [(0, 14, 4), (24, 38, 4)]
        spoon = turn.text.index("spoon")
        assert turn.before_pseudonyms(spoon, spoon + 5) == (20, 25)

    def test_a_correction_stays_where_another_pseudonym_is_shown_later(self, desk):
        desk.names.append(name("Anna Meier", "[Name 1]"))
        desk.correct("2", "replace", "[Name 1] said so", text="Someone said")
        desk.names.append(name("Anna Meier", "Berta", "A01", "2"))
        assert desk.seen.unresolved == ()
        assert desk.lines()[1][2] == "It was hevy, so hevy. Someone said too."

    def test_a_correction_that_brings_a_name_in_is_replaced_too(self, desk):
        desk.names.append(name("Anna Meier"))
        desk.correct("3", "replace", "Annabel", text="Anna  Meier")
        assert desk.lines()[2][2] == "[Name 1]."

    def test_confirming_a_name_moves_no_correction_and_quotes_hold_no_name(self, desk):
        desk.correct("2", "replace", "too", text="two")
        desk.names.append(name("Anna Meier"))
        desk.correct("2", "replace", "Name 1] said so", text="someone said")
        assert desk.lines()[1][2] == "It was hevy, so hevy. someone said two."
        assert "Anna" not in desk.entries[1].content["quote"]
        desk.names.clear()
        assert desk.seen.unresolved
        assert "Anna Meier said so two." in desk.lines()[1][2]


# What people may say: any code points but what the readers take out, composed as they do.
INVISIBLE = "".join(map(chr, [*range(0x202A, 0x202F), *range(0x2066, 0x206A)]))
words = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters=INVISIBLE), max_size=40).map(
    lambda text: unicodedata.normalize("NFC", text)
)
UNICODE = ["e\u0323\u0302", "👩🏽‍🍳", "שלום", "ﬁ", "a", "the pot ", "the ", " "]
texts = st.lists(st.one_of(words, st.sampled_from(UNICODE)), min_size=1, max_size=12).map("".join)


@given(texts, st.data())
def test_offsets_hold_their_quotes_through_corrections_and_pseudonyms(text, data):
    desk = Desk(transcript(("A01", text or "x")))
    for _ in range(data.draw(st.integers(0, 4))):
        seen = desk.seen.turns[0].text
        start = data.draw(st.integers(0, len(seen)))
        end = data.draw(st.integers(start, len(seen)))
        new = data.draw(words)
        desk.entries.append(
            Entry(correction(desk.seen, "1", "replace", start=start, end=end, text=new), len(desk.entries) + 1)
        )
        assert not desk.seen.unresolved
        assert desk.seen.turns[0].text == seen[:start] + new + seen[end:]
    desk.names.append(name("pot", "[thing]"))
    turn = desk.seen.turns[0]
    for one in turn.replaced:
        assert turn.text[one.start : one.end] == "[thing]"
    start = data.draw(st.integers(0, len(turn.text)))
    end = data.draw(st.integers(start, len(turn.text)))
    before = working_texts([desk.transcript], desk.entries, [])["A01"].turns[0].text
    begin, until = turn.before_pseudonyms(start, end)
    if not any(one.start < end and one.end > start for one in turn.replaced) and start < end:
        assert before[begin:until] == turn.text[start:end]
    changed = Desk(desk.transcript, desk.names, [*desk.entries])
    changed.entries.append(Entry(correction(desk.seen, "1", "inaudible", start=start, end=end), 99))
    assert not changed.seen.unresolved


OLD = {"A01-002": "The pot was heavy. The pot was wet.", "A01-004": "No."}


class TestReanchor:
    def one(self, quote: str, new: dict[str, str], at: int = -1):
        start = OLD["A01-002"].index(quote) if at < 0 else at
        return reanchor([Anchor("A01-002", start, start + len(quote), quote)], OLD, new)

    def test_in_front_of_and_behind_a_change(self):
        new = {"A01-002": "The pot was very heavy. The pot was wet."}
        assert self.one("The pot", new).kept[0][1].start == 0
        assert self.one("The pot", new, 19).kept[0][1].start == 24

    def test_a_quote_that_stands_once_is_found_around_its_change(self):
        new = {"A01-002": "A pot was heavy. The pan was wet."}
        assert self.one("was heavy", new).kept[0][1] == Anchor("A01-002", 6, 15, "was heavy")

    def test_a_quote_that_stands_twice_or_was_changed_is_for_a_person(self):
        twice = self.one("The pot was", {"A01-002": "Ah. The pot was. The pot was. Ah."})
        assert "2 times" in twice.lost[0].why
        changed = self.one("was heavy", {"A01-002": "The pot was hefty. The pot was wet."})
        assert changed.lost[0].why == "Its words were changed."
        assert changed.lost[0].proposal == Anchor("A01-002", 8, 17, "was hefty")

    def test_words_that_moved_to_another_unit(self):
        new = {"A01-002": "The pot was heavy.", "A01-002b": "The pot was wet.", "A01-004": "No."}
        assert self.one("was wet", new).kept[0][1] == Anchor("A01-002b", 8, 15, "was wet")
        assert self.one("was wet", {"A01-004": "No."}).lost[0].proposal is None

    def test_a_word_is_not_found_inside_another(self):
        assert self.one("wet", {"A01-002": "It was wetter and heavier."}).lost

    def test_a_quote_that_was_never_there(self):
        assert reanchor([Anchor("A01-002", 0, 3, "xyz"), Anchor("B", 0, 1, "x")], OLD, OLD).lost[1].proposal is None


@given(texts, texts, st.data())
def test_what_is_kept_still_holds_its_words(old, new, data):
    start = data.draw(st.integers(0, len(old)))
    end = data.draw(st.integers(start, len(old)))
    anchors = [Anchor("u", start, end, old[start:end])]
    found = reanchor(anchors, {"u": old}, {"u": new, "v": "the pot"})
    assert len(found.kept) + len(found.lost) == 1
    for given_, now in found.kept:
        text = {"u": new, "v": "the pot"}[now.unit]
        assert text[now.start : now.end] == now.quote == given_.quote


@given(texts, texts, texts, st.data())
def test_a_change_in_one_place_moves_every_span_outside_it(head, tail, inserted, data):
    old, new = head + "|old|" + tail, head + inserted + tail
    start = data.draw(st.integers(0, len(head) - 1)) if head else 0
    end = data.draw(st.integers(start, len(head)))
    if start < end:
        (kept,) = reanchor([Anchor("u", start, end, old[start:end])], {"u": old}, {"u": new}).kept
        assert kept[1].start == start
    if tail:
        place = len(head) + 5
        (kept,) = reanchor([Anchor("u", place, len(old), tail)], {"u": old}, {"u": new}).kept
        assert new[kept[1].start : kept[1].end] == tail
