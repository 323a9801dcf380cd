"""The two strands side by side, and which of them is silent."""

from __future__ import annotations

from math import nan

import pandas as pd
import pytest

from workbench.analysis.comparison import Comparison, compare
from workbench.coding.presence import ANY, CodePresence, code_presence
from workbench.joint_display import MOST_EXEMPLARS, Exemplars, Quote, Spoken, exemplars, joint_rows, stances_of
from workbench.measure import Measure
from workbench.study import ChosenExemplar, ChosenQuote, Construct, Plan

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


# ------------------------------------------------------------------------------------- by condition


def test_each_person_is_counted_once_by_stance():
    counted = coded(
        "A01-002 SWAY slosh for",
        "A01-004 SWAY still+slosh for",
        "A02-002 SWAY slosh for",
        "A02-004 SWAY slosh against",
        "A03-002 SWAY slosh against",
        "A04-002 SWAY slosh mixed",
        "A05-002 SWAY still for",
        "A09-002 SWAY slosh for",
    )
    found = stances_of("SWAY", "slosh", counted, PEOPLE)
    assert (found.in_favor, found.against, found.neither) == (1, 1, 2), "A02 says both, A04 is mixed, A09 was not asked"
    assert (found.raised, found.interviewed) == (4, 5)


def test_no_stance_beside_a_stance_changes_nothing_and_alone_it_is_neither():
    counted = coded("A01-002 SWAY slosh for", "A01-004 SWAY slosh for", "A02-002 SWAY slosh for")
    counted.loc[[1, 2], "stance"] = ""
    found = stances_of("SWAY", "slosh", counted, PEOPLE)
    assert (found.in_favor, found.against, found.neither) == (1, 0, 1)


def test_both_sides_stand_on_the_rows_of_the_conditions():
    counted = coded("A01-002 SWAY slosh for", "A04-002 HEAVY still against")
    (row,) = joint_rows([REALISM], five(), [], counted=counted, interviewed=PEOPLE[:4], conditions=["still", "slosh"])
    still, slosh = row.sides
    assert [sorted(side.values) for side in row.sides] == [[2, 2, 3, 4, 6], [2, 4, 5, 5, 6]]
    assert (still.median, slosh.median, still.missing) == (3, 5, 0)
    assert not still.interval.defined, "five values reach 93.75 % at most"
    assert [(code.code, code.raised, code.interviewed) for code in still.codes] == [("SWAY", 0, 4), ("HEAVY", 1, 4)]
    assert [(code.in_favor, code.against) for code in slosh.codes] == [(1, 0), (0, 0)]


def test_sides_are_there_where_one_strand_is_silent():
    (row,) = joint_rows([REALISM], [], [], counted=coded("A01-002 SWAY slosh for"), interviewed=PEOPLE, conditions=["still", "slosh"])  # fmt: skip
    assert [(side.values, side.codes[0].raised) for side in row.sides] == [((), 0), ((), 1)]
    assert all(side.missing != side.missing and side.median != side.median for side in row.sides)
    (row,) = joint_rows([REALISM], five(), [], conditions=["still", "slosh"])
    assert [(side.codes[0].interviewed, len(side.values)) for side in row.sides] == [(0, 5), (0, 5)]


# ---------------------------------------------------------------------------------------- exemplars


def cells(counted: pd.DataFrame, spoken: dict[str, Spoken], chosen=(), codes=("SWAY", "HEAVY")) -> Exemplars:
    presence = code_presence(counted, codes, ["still", "slosh"], PEOPLE)
    found = exemplars(presence, counted, spoken, PEOPLE, chosen)
    assert [(one.code, one.condition) for one in found.items] == [
        (code, place) for code in codes for place in ("still", "slosh")
    ]
    return found


def test_the_usual_stance_is_quoted_and_of_it_the_longest_short_unit_about_one_condition():
    counted = coded(
        "A01-002 SWAY slosh against",
        "A02-002 SWAY slosh for",
        "A04-002 SWAY slosh+ladle for",
        "A04-004 SWAY slosh for",
        "A05-002 SWAY slosh for",
    )
    spoken = words(
        A01_002="against and much longer",
        A02_002="word " * 31,
        A04_002="about two of them",
        A04_004="short one",
        A05_002="x",
    )
    _, slosh, *_ = cells(counted, spoken).items
    assert (slosh.unit, slosh.words, slosh.stance, slosh.participants) == ("A04-004", "short one", "for", 4)
    assert (slosh.by_rule, slosh.why) == (True, "")


def test_nobody_is_an_exemplar_too_often_and_no_unit_twice():
    rows = [f"A01-{number:03} C{number} slosh for" for number in range(MOST_EXEMPLARS + 1)]
    codes = [f"C{number}" for number in range(MOST_EXEMPLARS + 1)]
    spoken = words(**{f"A01_{number:03}": f"words {number}" for number in range(MOST_EXEMPLARS + 1)})
    found = cells(coded(*rows), spoken, codes=codes).items
    assert sum(bool(one.words) for one in found) == MOST_EXEMPLARS
    assert [one.why for one in found if one.participants and not one.words] == [
        "those who may be quoted stand elsewhere already, 3 times or with the same words"
    ]
    both = cells(coded("A01-002 SWAY slosh for", "A01-002 HEAVY slosh for"), words(A01_002="a")).items
    assert sum(bool(one.words) for one in both) == 1


def test_people_take_turns():
    counted = coded("A01-002 SWAY still for", "A01-004 SWAY slosh for", "A02-004 SWAY slosh for")
    found = cells(counted, words(A01_002="one", A01_004="one again, and longer", A02_004="two")).items
    assert [one.participant for one in found[:2]] == ["A01", "A02"]


def test_it_is_said_why_nobody_is_quoted():
    counted = coded("A03-002 SWAY slosh for", "A05-002 HEAVY still for", "A09-002 HEAVY slosh for")
    sway_still, sway_slosh, heavy_still, heavy_slosh = cells(
        counted, words(A03_002="I said", A09_002="not asked")
    ).items
    assert (sway_still.why, sway_still.participants) == ("nobody raised it", 0)
    assert (sway_slosh.why, sway_slosh.participants, sway_slosh.words) == ("no", 1, "")
    assert heavy_still.why == "their words are not among the transcripts"
    assert heavy_slosh.why == "nobody raised it", "A09 is not among those interviewed"


@pytest.mark.parametrize(
    ("code", "unit", "said", "found"),
    [
        ("SWAY", "A01-002", "It sways", ""),
        ("SWAY", "A01-002", "it sways", "These words do not stand in A01-002"),
        ("HEAVY", "A01-002", "It sways", "A01-002 does not count as HEAVY about slosh"),
        ("SWAY", "A09-002", "It sways", "There is no unit “A09-002”"),
        ("SWAY", "A03-002", "It sways", "A03-002: no."),
        ("LOUD", "A01-002", "It sways", "A01-002 does not count as LOUD about slosh"),
    ],
)
def test_a_chosen_exemplar_is_checked_like_a_quote_and_for_its_code(code, unit, said, found):
    counted = coded("A01-002 SWAY slosh for", "A02-002 SWAY slosh for", "A03-002 SWAY slosh for")
    spoken = words(A01_002="It sways, and how.", A02_002="It sways more than anything.", A03_002="It sways.")
    chosen = [ChosenExemplar(code=code, condition="slosh", unit=unit, words=said)]
    made = cells(counted, spoken, chosen)
    slosh = made.items[1]
    if found:
        assert found in made.findings[0].found
        assert made.findings[0].place == "joint.exemplars[1]"
        assert (slosh.unit, slosh.by_rule) == ("A02-002", True), "the rule takes the longest"
    else:
        assert (slosh.words, slosh.by_rule, made.findings) == ("It sways", False, ())
