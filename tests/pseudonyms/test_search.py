"""The search for what identifies someone: how much of what was planted it finds, what it leaves alone, and how it scales."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pseudonyms.planted import ENGLISH, GERMAN, IN_ENGLISH, IN_GERMAN, found_of, transcript

from workbench.pseudonyms.key import KnownName
from workbench.pseudonyms.search import LIKELIHOODS, find_identifiers


def search(text: str, language: str = "en", known=(), **further):
    return find_identifiers([transcript("X", language, text)], known, **further)


def phrases(text: str, kind: str, language: str = "en") -> list[str]:
    return [one.phrase for one in search(text, language) if one.kind == kind]


def test_most_of_what_was_planted_is_found(capsys):
    """The figures are those of these few invented lines and promise nothing for others."""
    english, german = find_identifiers([ENGLISH]), find_identifiers([GERMAN])
    in_english, in_german = found_of(english, IN_ENGLISH), found_of(german, IN_GERMAN)
    with capsys.disabled():
        print(
            f"\nplanted and found: English {len(in_english)} of {len(IN_ENGLISH)}, German {len(in_german)} of {len(IN_GERMAN)}"
        )
    assert set(IN_ENGLISH) - set(in_english) == set()
    # a name that only ever begins a sentence looks like any first word
    assert set(IN_GERMAN) - set(in_german) == {"Hildegard"}


def test_a_private_list_finds_what_has_no_form():
    (found,) = [one for one in find_identifiers([GERMAN], [KnownName("Hildegard")]) if one.phrase == "Hildegard"]
    assert (found.likelihood, found.why, found.turn) == ("certain", "is on the private list", 6)


@pytest.mark.parametrize(
    "number",
    [
        "0171 4960112", "(0171) 496 0112", "+44 20 7946 0958", "0044 20 7946 0958", "+1 (212) 555-0142", "212-555-0142",
        "212.555.0142", "555-0142", "01 23 45 67 89", "06-12345678", "030/1234567", "+49 (0)30 901820", "23 45 67 89",
    ],
)  # fmt: skip
def test_national_forms_of_phone_numbers(number):
    assert phrases(f"Ring me on {number}, please.", "phone number") == [number]


@pytest.mark.parametrize(
    "text",
    [
        "from 10:30 to 12:45", "between 10.30-11.45", "it was 1,000,000 litres", "the years 2019-2020", "42 pots, 6 times", "3.14159",
        "100 200 300 grams", "rated 7/10 and 5/7", "one two three, lift",
    ],
)  # fmt: skip
def test_other_numbers_are_no_phone_numbers(text):
    assert phrases(text, "phone number") == []


@pytest.mark.parametrize(
    ("text", "phrase", "kind"),
    [
        ("I was born on 3 March 1999.", "3 March 1999", "date of birth"),
        ("born 3.3.1999", "3.3.1999", "date of birth"),
        ("We met on March 3rd, 2024.", "March 3rd, 2024", "date"),
        ("on 2024-03-02 we met", "2024-03-02", "date"),
        ("my birthday is the 2nd of May", "2nd of May", "date of birth"),
        ("Jahrgang 1999 bin ich", "1999", "date of birth"),
    ],
)
def test_dates(text, phrase, kind):
    (found,) = [one for one in search(text) if one.phrase == phrase]
    assert found.kind == kind


@pytest.mark.parametrize(
    ("text", "phrase", "kind"),
    [
        ("see https://kettle.example/x?y=1.", "https://kettle.example/x?y=1", "link"),
        ("it is on kettle-house.de, look", "kettle-house.de", "link"),
        ("I am @annacooks there", "@annacooks", "account"),
        ("wir wohnen Am Alten Markt, nein, in der Berliner Straße 4a", "Berliner Straße 4a", "address"),
        ("der Mühlenweg 7 ist das", "Mühlenweg 7", "address"),
        ("she works for Kettle & Sons, no, for Oakhurst Ltd", "Oakhurst", "workplace"),
        ("I asked Mr O'Dwyer about it", "O'Dwyer", "name"),
        ("Das war Herr von Ahlen, glaub ich", "von Ahlen", "name"),
    ],
)
def test_other_things_that_have_a_form(text, phrase, kind):
    assert phrase in phrases(text, kind)


def test_a_way_home_is_no_address():
    assert phrases("Auf dem Heimweg, also der Weg ist lang, der Marktplatz auch.", "address", "de") == []


def test_words_with_a_capital_are_possible_names_unless_spelling_explains_them():
    text = "I lifted the Pot on Monday. The pot was English. Then Rosalind laughed, and I'd say Rosalind's was full."
    assert [(one.phrase, one.likelihood) for one in search(text)] == [("Rosalind", "possible")] * 2


def test_a_name_given_away_once_is_likely_everywhere():
    found = search("A girl called Rosalind was there. Rosalind laughed. It was Rosalinds turn.")
    assert [(one.phrase, one.likelihood) for one in found] == [("Rosalind", "likely")] * 3


def test_words_that_identify_nobody_here_can_be_named():
    assert search("I liked the Slosh one.", ordinary=["slosh"]) == []


def test_a_name_on_the_list_in_small_letters_is_possible():
    known = [KnownName("Rose", "name", "[name 1]")]
    found = search("Rose came. I saw a rose. ROSE! Rose's.", known=known)
    assert [(one.phrase, one.likelihood) for one in found] == [
        ("Rose", "certain"), ("ROSE", "certain"), ("Rose", "certain"), ("rose", "possible"),
    ]  # fmt: skip


def test_likelier_ones_come_first_and_none_overlap():
    found = find_identifiers([ENGLISH, GERMAN], [KnownName("Brass Kettle", "workplace")])
    ranks = [LIKELIHOODS.index(one.likelihood) for one in found]
    assert ranks == sorted(ranks)
    for one in found:
        assert not any(
            other is not one
            and (other.transcript, other.turn) == (one.transcript, one.turn)
            and other.start < one.end
            and one.start < other.end
            for other in found
        )


def test_every_candidate_says_where_and_shows_the_words_around():
    texts = {(one.name, turn.number): turn.text for one in (ENGLISH, GERMAN) for turn in one.turns}
    for one in find_identifiers([ENGLISH, GERMAN]):
        assert texts[one.transcript, one.turn][one.start : one.end] == one.phrase
        assert f"[{one.phrase}]" in one.context
        assert one.why


def test_the_language_of_a_transcript_counts_before_the_given_one():
    text = "Ich sah das Licht und den Topf."
    assert find_identifiers([transcript("X", "", text)], language="de") == find_identifiers(
        [transcript("X", "de", text)]
    )
    assert len(search(text, "en")) > len(search(text, "de"))


def test_progress_is_told():
    told = []
    find_identifiers([ENGLISH, GERMAN], progress=lambda done, total: told.append((done, total)))
    assert told == [(0, 2), (1, 2)]


@given(st.text(max_size=80))
def test_any_text_can_be_searched(text):
    for one in search(text, "de", [KnownName("Anna")]):
        assert text[one.start : one.end] == one.phrase


@pytest.mark.parametrize(
    "piece",
    [
        "a", "1 ", "12-", "(0 ", "Aa ", "A-", "a.", "a@", "@", "www.", "one ", "born ", "Mr ", "called ", "Der Topf ", "\n", "- ", "0",
        "1.1.", "14 Rose Hill ", "A1A ", "I'm ",
    ],
)  # fmt: skip
def test_a_long_turn_takes_time_in_proportion_to_its_length(piece):
    """Ten times the text takes well below a hundred times as long: no pattern starts over at each character."""

    def seconds(characters: int) -> float:
        text = (piece * characters)[:characters]
        return min(_timed(text) for _ in range(2))

    short, long = seconds(3_000), seconds(30_000)
    assert long < 40 * short + 0.5


def _timed(text: str) -> float:
    begun = time.perf_counter()
    search(text, "de", [KnownName("Anna")])
    return time.perf_counter() - begun
