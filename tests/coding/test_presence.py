"""Presence: participants of those interviewed, counted by hand."""

from __future__ import annotations

from dataclasses import astuple

import pandas as pd

from workbench.coding.presence import ANY, CodePresence, code_presence

COLUMNS = ("participant", "transcript", "unit", "code", "about", "stance")
CODED = [
    ("A01", "T1", "u1", "HEAVY", "still", "for"),
    ("A01", "T1", "u1", "HEAVY", "slosh", "against"),
    ("A01", "T1", "u2", "HEAVY", "still+slosh", "for"),
    ("A02", "T2", "u1", "HEAVY", "", ""),
    ("A02", "T2", "u2", "SWAY", "slosh", "mixed"),
    ("A03", "T3", "u1", "", "", ""),
    ("A09", "T9", "u1", "HEAVY", "still", "for"),
]
INTERVIEWED = ("A01", "A02", "A03", "A04")


def presence(
    codes=("HEAVY", "SWAY"), conditions=("still", "slosh"), coded=CODED
) -> dict[tuple[str, str], CodePresence]:
    table = pd.DataFrame(coded, columns=COLUMNS).astype("str")
    return {(one.code, one.condition): one for one in code_presence(table, codes, conditions, INTERVIEWED)}


def numbers(one: CodePresence) -> tuple[int, ...]:
    return astuple(one)[2:]


def test_participants_mentions_and_stances_by_hand():
    found = presence()
    # participants, interviewed, mentions, for, against, mixed; A09 was not interviewed
    assert numbers(found["HEAVY", ANY]) == (2, 4, 3, 1, 1, 0)
    assert numbers(found["HEAVY", "still"]) == (1, 4, 2, 1, 0, 0)
    assert numbers(found["HEAVY", "slosh"]) == (1, 4, 2, 1, 1, 0)
    assert numbers(found["SWAY", ANY]) == (1, 4, 1, 0, 0, 1)
    assert numbers(found["SWAY", "still"]) == (0, 4, 0, 0, 0, 0)


def test_units_with_one_name_in_two_transcripts_are_two_mentions():
    assert presence()["HEAVY", ANY].mentions == 3


def test_a_condition_whose_name_holds_another_is_not_mixed_up_with_it():
    coded = [("A01", "T1", "u1", "HEAVY", "still_2", "")]
    found = presence(("HEAVY",), ("still", "still_2"), coded)
    assert found["HEAVY", "still"].participants == 0
    assert found["HEAVY", "still_2"].participants == 1


def test_a_code_that_nobody_raised_and_no_codings_at_all():
    assert numbers(presence(("LOUD",))["LOUD", "still"]) == (0, 4, 0, 0, 0, 0)
    assert numbers(presence(coded=[])["HEAVY", ANY]) == (0, 4, 0, 0, 0, 0)


def test_every_code_comes_about_anything_first_and_then_about_each_condition():
    assert list(presence()) == [(code, place) for code in ("HEAVY", "SWAY") for place in (ANY, "still", "slosh")]
