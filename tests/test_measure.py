"""The measure: its grid, its exclusions, and the shapes it gives to the analysis."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isnan

import pandas as pd

from workbench.measure import (
    EXCLUDED,
    NOT_COLLECTED,
    Measure,
    on_the_whole_grid,
    settings,
    with_exclusions,
    without_excluded,
)


@dataclass(frozen=True)
class Rule:
    participant: str
    reason: str
    condition: str | None = None
    measures: tuple[str, ...] = field(default=())


def found(*rows: tuple[str, str, str, float]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["participant", "condition", "occasion", "value"])
    return frame.astype({"participant": "str", "condition": "str", "occasion": "str"}).assign(reason="")


def test_settings_of_each_way_of_asking():
    assert settings("per_condition", ["still", "slosh"]) == [("still", ""), ("slosh", "")]
    assert settings("before_after", ["still"]) == [("", "before"), ("", "after")]
    assert settings("once", ["still"]) == [("", "")]


def test_the_grid_keeps_orders_and_says_what_was_not_collected():
    whole = on_the_whole_grid(
        found(("A02", "slosh", "", 3.0)), ["A02", "A01"], settings("per_condition", ["slosh", "still"])
    )
    assert whole["participant"].tolist() == ["A02", "A02", "A01", "A01"]
    assert whole["condition"].tolist() == ["slosh", "still", "slosh", "still"]
    assert whole["value"].tolist()[0] == 3.0
    assert whole["reason"].tolist() == ["", NOT_COLLECTED, NOT_COLLECTED, NOT_COLLECTED]
    assert whole["standard_error"].isna().all()


def test_a_standard_error_that_is_there_stays():
    whole = on_the_whole_grid(found(("A01", "", "", 3.0)).assign(standard_error=0.5), ["A01"], [("", "")])
    assert whole["standard_error"].tolist() == [0.5]


def test_exclusions_leave_the_values_they_were_given_untouched():
    values = on_the_whole_grid(found(("A01", "still", "", 3.0)), ["A01"], [("still", ""), ("slosh", "")])
    after = with_exclusions(values, "effort", [Rule("A01", "late", "still"), Rule("A01", "x", None, ("other",))])
    assert isnan(after["value"][0])
    assert after["reason"].tolist() == [EXCLUDED + "late", NOT_COLLECTED]
    assert values["value"][0] == 3.0


def test_rows_of_excluded_settings_go_and_others_stay():
    values = on_the_whole_grid(
        found(("A01", "still", "", 3.0), ("A01", "slosh", "", 4.0)), ["A01"], [("still", ""), ("slosh", "")]
    )
    values = with_exclusions(values, "effort", [Rule("A01", "late", "still")])
    rows = found(("A01", "still", "", 3.0), ("A01", "slosh", "", 4.0)).assign(item="e1")
    assert without_excluded(rows, values)["condition"].tolist() == ["slosh"]


def test_shapes_follow_the_orders_asked_for():
    values = on_the_whole_grid(
        found(("A01", "still", "", 3.0), ("A02", "slosh", "", 4.0)), ["A01", "A02"], [("still", ""), ("slosh", "")]
    )
    rows = found(("A01", "still", "", 2.0), ("A01", "still", "", 4.0)).assign(item=["e2", "e1"])
    measure = Measure("effort", "Effort", "", "", "scale", "per_condition", values, rows, items=("e1", "e2"))
    wide = measure.by_condition(["A02", "A01"], ["slosh", "still"])
    assert wide.to_numpy().tolist()[0][0] == 4.0
    assert wide.loc["A01", "still"] == 3.0
    assert wide.isna().sum().sum() == 2
    assert isnan(measure.low)
