"""Confirmed replacements in a text: whole words, genitives, places, and nothing else touched."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.pseudonyms.key import KeyEntry
from workbench.pseudonyms.replacing import apply_pseudonyms, with_replacements

ANNA = KeyEntry("Anna", "name", "[name 1]", "confirmed")
HERE = ("A01", "1")


def replaced(text: str, *entries: KeyEntry, turn: tuple[str, str] = HERE) -> str:
    return with_replacements(text, apply_pseudonyms(text, turn, entries))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Anna, ask Anna!", "[name 1], ask [name 1]!"),
        (
            "Anna's pot, Anna’s pot, Annas Topf, Anna' Topf",
            "[name 1]'s pot, [name 1]’s pot, [name 1]s Topf, [name 1]' Topf",
        ),
        ("ANNA and anna", "[name 1] and anna"),
        ("Annabel, Hanna, Anna_1", "Annabel, Hanna, Anna_1"),
        ("Anna-Lena and (Anna)", "[name 1]-Lena and ([name 1])"),
        ("", ""),
    ],
)
def test_whole_words_and_what_may_follow_them(text, expected):
    assert replaced(text, ANNA) == expected


def test_letters_beyond_ascii_are_letters():
    entry = KeyEntry("Çelik", "name", "[name 2]", "confirmed")
    assert replaced("Çelik, ÇELIK, Çeliks, Çelikçi", entry) == "[name 2], [name 2], [name 2]s, Çelikçi"


def test_a_longer_phrase_goes_before_its_part_and_spaces_are_any():
    whole = KeyEntry("Anna Keller", "name", "[name 3]", "confirmed")
    assert replaced("Anna  Keller and Anna\nKeller and Anna", ANNA, whole) == "[name 3] and [name 3] and [name 1]"


def test_numbers_addresses_and_signs():
    entries = [
        KeyEntry("+44 20 7946 0958", "phone number", "[phone number 1]", "confirmed"),
        KeyEntry("a.b@c.example", "e-mail address", "[e-mail address 1]", "confirmed"),
    ]
    assert replaced("(+44 20 7946 0958) A.B@c.example.", *entries) == "([phone number 1]) [e-mail address 1]."


def test_a_rejected_phrase_stays_and_hides_no_name_in_it():
    rejected = KeyEntry("Anna Street", "address", "[address 1]", "rejected")
    assert replaced("Anna Street", rejected) == "Anna Street"
    assert replaced("Anna Street", rejected, ANNA) == "[name 1] Street"


def test_what_is_decided_for_a_place_wins_there():
    here = KeyEntry("Anna", "name", "", "rejected", transcript="A01", turn="2")
    assert replaced("Anna", here, ANNA, turn=("A01", "2")) == "Anna"
    assert replaced("Anna", here, ANNA, turn=("A01", "3")) == "[name 1]"
    assert replaced("Anna", here, ANNA, turn=("A02", "2")) == "[name 1]"
    only_there = KeyEntry("Anna", "name", "[name 9]", "confirmed", transcript="A01")
    assert replaced("Anna", only_there, ANNA) == "[name 9]"
    assert replaced("Anna", only_there, turn=("A02", "1")) == "Anna"


def test_one_place_of_several_in_a_turn():
    second = KeyEntry("Anna", "name", "[name 9]", "confirmed", transcript="A01", turn="1", start=9)
    assert replaced("Anna and Anna", second) == "Anna and [name 9]"
    assert replaced("Anna and Anna", second, ANNA) == "[name 1] and [name 9]"


def test_a_later_decision_on_the_same_phrase_counts():
    later = KeyEntry("Anna", "name", "[name 7]", "confirmed")
    assert replaced("Anna", ANNA, later) == "[name 7]"


ENTRIES = [
    ANNA,
    KeyEntry("Bo", "name", "[name 2]", "confirmed"),
    KeyEntry("Anna Bo", "name", "[name 3]", "confirmed"),
    KeyEntry("x", "name", "Anna", "confirmed"),
]
PIECES = st.lists(
    st.sampled_from(["Anna", "Bo", " ", "s", "'s", "x", "-", "ANNA", "ß", "\n", "🥄", "1"]), max_size=12
).map("".join)


@given(st.one_of(PIECES, st.text(max_size=40)))
def test_replacements_never_change_other_text(text):
    found = apply_pseudonyms(text, HERE, ENTRIES)
    here = 0
    kept = []
    for one in found:
        assert here <= one.start < one.end <= len(text)
        assert text[one.start : one.end] == one.phrase
        assert re.sub(r"\s+", " ", one.phrase).casefold() in {"anna", "bo", "anna bo", "x"}
        kept.append(text[here : one.start])
        here = one.end
    kept.append(text[here:])
    after = with_replacements(text, found)
    position = 0
    for part, one in zip(kept, [*found, None], strict=True):
        assert after.startswith(part, position)
        position += len(part)
        if one:
            assert after.startswith(one.replacement, position)
            position += len(one.replacement)
    assert position == len(after)


@given(PIECES)
def test_no_confirmed_phrase_is_left_as_a_whole_word(text):
    after = replaced(text, *ENTRIES[:3])
    assert not re.search(r"(?<!\w)(?:Anna|Bo)(?!\w)", after)
