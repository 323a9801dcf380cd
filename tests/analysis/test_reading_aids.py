"""Reading aids: against counts by hand, and collocations against scipy's tests of two-by-two tables."""

from __future__ import annotations

import itertools
from math import isnan, log2

import pytest
from scipy.stats import chi2_contingency

from workbench.analysis.reading_aids import collocations, speaking, spoken_words, words_in_context
from workbench.coding.working_text import WorkingTranscript, WorkingTurn
from workbench.errors import ArgumentError


def talk(*turns: tuple[str, str], name: str = "A01", times: list[tuple[float | None, float | None]] | None = None):
    roles = {"I": "interviewer", "P": "participant"}
    return WorkingTranscript(
        name,
        name,
        "",
        "en",
        tuple(
            WorkingTurn(str(n), (n,), who, roles[who], words, *(times[n - 1] if times else (None, None)))
            for n, (who, words) in enumerate(turns, 1)
        ),
    )


TALK = talk(
    ("I", "Was the pot heavy?"), ("P", "The pot? Heavier than heavy, the POT was. Heavy\n pots [the pot laughs].")
)


class TestInContext:
    def test_whole_words_in_the_participants_turns(self):
        found = words_in_context([TALK], "the pot", width=6)
        assert [(one.turn, one.start, one.before, one.words, one.after) for one in found] == [
            ("2", 0, "", "The pot", "? Heav"),
            ("2", 29, "eavy, ", "the POT", " was. "),
            ("2", 55, "pots [", "the pot", " laugh"),
        ]
        for one in found:
            assert TALK.turns[1].text[one.start : one.end] == one.words

    def test_more_letters_space_and_roles(self):
        assert [one.words for one in words_in_context([TALK], "heav*")] == ["Heavier", "heavy", "Heavy"]
        assert [one.words for one in words_in_context([TALK], "heavy  pots")] == ["Heavy\n pots"]
        assert len(words_in_context([TALK], "heavy", roles=("interviewer", "participant"))) == 3

    def test_signs_of_patterns_are_words_like_others(self):
        assert words_in_context([TALK], "h.avy") == []
        assert [one.words for one in words_in_context([talk(("P", "in C++ (so)"))], "C++")] == ["C++"]

    @pytest.mark.parametrize("words", ["", "  ", "*"])
    def test_nothing_to_look_for(self, words):
        with pytest.raises(ArgumentError, match="`words`"):
            words_in_context([TALK], words)
        with pytest.raises(ArgumentError, match="`width`"):
            words_in_context([TALK], "pot", width=-1)


SPOKEN = talk(
    *[("P", "the soup moves in the pot"), ("P", "the soup pot is the pot"), ("P", "soup moves soup moves a lot")] * 2,
    ("I", "soup moves " * 50),
)


class TestCollocations:
    def table(self, first: str, second: str) -> list[list[int]]:
        """The two-by-two table of a pair, counted by hand from words and pairs of neighbors within turns."""
        turns = [turn.text.split() for turn in SPOKEN.turns if turn.role == "participant"]
        words = [word for turn in turns for word in turn]
        both = sum(pair == (first, second) for turn in turns for pair in itertools.pairwise(turn))
        only_first, only_second = words.count(first) - both, words.count(second) - both
        return [[both, only_first], [only_second, len(words) - both - only_first - only_second]]

    def test_log_likelihood_is_scipys_g(self):
        """scipy 1.18: chi2_contingency with lambda_ "log-likelihood", without correction."""
        found = collocations([SPOKEN], at_least=2)
        assert found
        for one in found:
            table = self.table(one.first, one.second)
            g = chi2_contingency(table, correction=False, lambda_="log-likelihood").statistic
            assert one.value == pytest.approx(g, rel=1e-8)
            assert one.n_together == table[0][0]
        assert found[0].first == "soup"
        assert found[0].second == "moves"

    def test_pointwise_mutual_information_by_its_formula(self):
        for one in collocations([SPOKEN], measure="pointwise mutual information", at_least=2):
            expected = log2(one.n_together * 36 / (one.n_first * one.n_second))
            assert one.value == pytest.approx(expected, rel=1e-8)

    def test_pairs_end_with_the_turn_and_words_can_be_left_out(self):
        pairs = {(one.first, one.second) for one in collocations([SPOKEN], at_least=1, measure="frequency")}
        assert ("pot", "the") not in pairs
        assert ("in", "the") in pairs
        assert not any("the" in (one.first, one.second) for one in collocations([SPOKEN], left_out=["The"]))

    def test_doubling_the_words_doubles_log_likelihood(self):
        once = {(one.first, one.second): one.value for one in collocations([SPOKEN], at_least=2)}
        twice = {(one.first, one.second): one.value for one in collocations([SPOKEN, SPOKEN], at_least=4)}
        assert once.keys() == twice.keys()
        assert all(twice[pair] == pytest.approx(2 * value, rel=1e-8) for pair, value in once.items())

    def test_no_words_and_wrong_words(self):
        assert collocations([]) == []
        assert collocations([talk(("P", "[laughs]"))], at_least=1) == []
        with pytest.raises(ArgumentError, match="log-likelihood, pointwise"):
            collocations([], measure="t")  # type: ignore[arg-type]
        with pytest.raises(ArgumentError, match="`at_least`"):
            collocations([], at_least=0)


class TestSpeaking:
    def test_turns_words_shares_and_minutes(self):
        one = talk(
            ("I", "And how?"),
            ("P", "It's half-full [laughs] I think."),
            ("I", "Why?"),
            ("P", "Soup."),
            times=[(0, 3), (3, 33), (33, 36), (36, 66)],
        )
        first, second = speaking([one])
        assert (first.speaker, first.n_turns, first.n_words, first.minutes) == ("I", 2, 3, 0.1)
        assert (second.speaker, second.n_turns, second.n_words, second.minutes) == ("P", 2, 5, 1)
        assert first.share + second.share == 1
        assert second.share == 5 / 8

    def test_without_times_minutes_are_undefined(self):
        row = speaking([talk(("P", "a b"), ("P", "c"), times=[(0, 1), (1, None)])])[0]
        assert isnan(row.minutes)
        assert row.reason == "1 of 2 turns have no times."

    def test_a_turn_that_ends_before_it_begins(self):
        row = speaking([talk(("P", "a"), times=[(5, 1)])])[0]
        assert isnan(row.minutes)
        assert row.reason == "A turn ends before it begins."

    def test_only_asides(self):
        row = speaking([talk(("P", "[sighs]"), times=[(0, 60)])])[0]
        assert (row.n_words, row.minutes, isnan(row.share)) == (0, 1, True)
        assert row.reason == "No words are spoken."


def test_what_counts_as_a_word():
    assert spoken_words("I don't, like… [aside here] 3.5 half-full Töpfe’n 👩 ok?") == [
        "I",
        "don't",
        "like",
        "3",
        "5",
        "half-full",
        "Töpfe’n",
        "ok",
    ]
