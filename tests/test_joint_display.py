"""The two strands side by side, and which of them is silent."""

from __future__ import annotations

from math import nan

import pandas as pd
import pytest

from workbench.analysis.comparison import Comparison, compare
from workbench.coding.presence import ANY, CodePresence
from workbench.joint_display import Quote, Spoken, joint_rows
from workbench.measure import Measure
from workbench.study import ChosenQuote, Construct, Plan

REALISM = Construct(id="realism", label="Realism", measure="real", codes=["SWAY", "HEAVY"])


def compared(conditions: int, value: float = 3.0) -> list[Comparison]:
    places = ["still", "slosh", "ladle"][:conditions]
    rows = [(who, place, "", value, nan, "") for who in ("A01", "A02") for place in places]
    columns = ["participant", "condition", "occasion", "value", "standard_error", "reason"]
    values = pd.DataFrame(rows, columns=columns)
    one = Measure("real", "Real", "", "", "scale", "per_condition", values, values.iloc[:0])
    return compare([one], ["A01", "A02"], places, Plan())


def present(code: str, people: int) -> list[CodePresence]:
    return [CodePresence(code, place, people, 4, people, 0, 0, 0) for place in (ANY, "still")]


def test_a_row_has_its_comparison_and_its_codes_in_the_order_declared():
    (row,) = joint_rows([REALISM], compared(3), [*present("HEAVY", 1), *present("LOUD", 2), *present("SWAY", 0)])
    assert row.comparison.measure.id == "real"
    assert [(one.code, one.condition) for one in row.presence] == [
        ("SWAY", ANY),
        ("SWAY", "still"),
        ("HEAVY", ANY),
        ("HEAVY", "still"),
    ]
    assert row.silent == ""


@pytest.mark.parametrize("conditions", [2, 3])
def test_interviews_are_silent_where_nobody_raised_a_code(conditions):
    for presence in ([], present("HEAVY", 0), present("LOUD", 3)):
        (row,) = joint_rows([REALISM], compared(conditions), presence)
        assert row.silent == "interviews"


def test_scores_of_two_conditions_speak():
    (row,) = joint_rows([REALISM], compared(2), present("HEAVY", 1))
    assert row.silent == ""


def test_scores_are_silent_where_nothing_is_compared():
    for comparisons in ([], compared(3, nan), compared(1)):
        (row,) = joint_rows([REALISM], comparisons, present("HEAVY", 1))
        assert row.silent == "scores"


def test_both_may_be_silent():
    (row,) = joint_rows([REALISM], [], [])
    assert row.silent == "scores and interviews"
    assert row.comparison is None


# ------------------------------------------------------------------------------------------ quotes

PEOPLE = ["A01", "A02", "A03", "A04", "A05"]
SCORES = {"A01": (2, 6), "A02": (3, 5), "A03": (2, 5), "A04": (6, 2), "A05": (4, 4)}
"""Still, slosh: slosh is highest on average; A04 scores it lower, A05 alike."""


def five() -> list[Comparison]:
    rows = [
        (who, place, "", float(value), nan, "")
        for who, values in SCORES.items()
        for place, value in zip(("still", "slosh"), values, strict=True)
    ]
    columns = ["participant", "condition", "occasion", "value", "standard_error", "reason"]
    values = pd.DataFrame(rows, columns=columns)
    one = Measure("real", "Real", "", "", "scale", "per_condition", values, values.iloc[:0])
    return compare([one], PEOPLE, ["still", "slosh"], Plan())


def coded(*rows: str) -> pd.DataFrame:
    """ "A01-002 SWAY slosh for" as codings that count."""
    cells = [row.split() for row in rows]
    return pd.DataFrame(
        [(unit.split("-")[0], unit.split("-")[0], unit, code, about, stance) for unit, code, about, stance in cells],
        columns=["participant", "transcript", "unit", "code", "about", "stance"],
    )


def words(**texts: str) -> dict[str, Spoken]:
    """A01_002="..." as what was said; A03 allows no quotes."""
    made = {name.replace("_", "-"): text for name, text in texts.items()}
    return {
        unit: Spoken(unit, unit[:3], text, "en", "", "no" if unit[:3] == "A03" else "") for unit, text in made.items()
    }


def shown(counted: pd.DataFrame, spoken: dict[str, Spoken], construct: Construct = REALISM) -> dict[str, Quote]:
    (row,) = joint_rows([construct], five(), [], counted=counted, spoken=spoken, interviewed=PEOPLE)
    assert (row.highest, row.follow, row.contradict) == ("slosh", 3, 1)
    return {one.side: one for one in row.quotes}


def test_one_who_follows_the_group_and_one_who_contradicts_it_are_quoted():
    counted = coded(
        "A01-002 SWAY slosh for",
        "A02-002 HEAVY slosh against",
        "A04-002 HEAVY still+slosh against",
        "A05-002 SWAY slosh for",
    )
    quotes = shown(counted, words(A01_002="one", A02_002="two", A04_002="four", A05_002="five"))
    assert {side: (one.participant, one.words, one.difference) for side, one in quotes.items()} == {
        "supporting": ("A01", "one", 4.0),
        "contrary": ("A04", "four", -4.0),
    }


def test_the_typical_one_is_quoted_then_the_longer_unit():
    # differences of those who follow: 4, 2, 3; the median is 3, but A03 allows no quotes; then A01 and A02 are as near
    counted = coded(
        "A01-002 SWAY slosh for", "A02-002 SWAY slosh for", "A02-004 SWAY slosh for", "A03-002 SWAY slosh for"
    )
    quotes = shown(counted, words(A01_002="one", A02_002="some more words", A02_004="word " * 61, A03_002="no"))
    assert quotes["supporting"].unit == "A02-002"
    assert "contrary" not in quotes


def test_other_codes_and_other_conditions_are_not_quoted():
    assert shown(coded("A01-002 LOUD slosh for", "A01-004 SWAY still for"), words(A01_002="a", A01_004="b")) == {}


def test_nobody_is_quoted_more_than_twice():
    counted = coded("A01-002 SWAY slosh for", "A01-004 SWAY slosh for", "A01-006 SWAY slosh for")
    constructs = [Construct(id=f"c{number}", label="C", measure="real", codes=["SWAY"]) for number in range(3)]
    spoken = words(A01_002="a", A01_004="b", A01_006="c")
    rows = joint_rows(constructs, five(), [], counted=counted, spoken=spoken, interviewed=PEOPLE)
    assert [len(row.quotes) for row in rows] == [1, 1, 0]


@pytest.mark.parametrize(
    ("unit", "said", "found"),
    [
        ("A01-002", "It sways", ""),
        ("A01-002", "it sways", "These words do not stand in A01-002"),
        ("A09-002", "It sways", "There is no unit “A09-002”."),
        ("A03-002", "It sways", "A03-002: no."),
    ],
)
def test_a_chosen_quote_is_checked_word_by_word_and_for_permission(unit, said, found):
    construct = REALISM.model_copy(update={"supporting": ChosenQuote(unit=unit, words=said)})
    spoken = words(A01_002="It sways, and how.", A03_002="It sways.")
    counted = coded("A01-002 SWAY slosh for")
    (row,) = joint_rows([construct], five(), [], counted=counted, spoken=spoken, interviewed=PEOPLE)
    if found:
        assert row.quotes == ()
        assert found in row.findings[0].found
    else:
        assert (row.quotes[0].words, row.quotes[0].by_rule, row.findings) == ("It sways", False, ())


def test_codes_of_themes_belong_to_the_construct():
    construct = Construct(id="realism", label="Realism", measure="real", codes=["LOUD"], themes=["WEIGHT"])
    (row,) = joint_rows([construct], five(), present("SWAY", 2), themes={"WEIGHT": ["SWAY", "HEAVY", "LOUD"]})
    assert row.codes == ("LOUD", "SWAY", "HEAVY")
    assert row.silent == ""


def test_two_conditions_at_the_top_have_no_pattern_and_no_quotes():
    (row,) = joint_rows([REALISM], compared(3), [], counted=coded("A01-002 SWAY slosh for"), spoken=words(A01_002="a"), interviewed=["A01", "A02"])  # fmt: skip
    assert (row.highest, row.quotes) == ("", ())
