"""The two strands side by side, and which of them is silent."""

from __future__ import annotations

from math import nan

import pandas as pd
import pytest

from workbench.analysis.comparison import Comparison, compare
from workbench.coding.presence import ANY, CodePresence
from workbench.joint_display import joint_rows
from workbench.measure import Measure
from workbench.study import Construct, Plan

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
