"""Sentences about equivalence and order; every number in them comes from a result."""

from __future__ import annotations

from math import nan

import pandas as pd
import pytest
from study_folders import study_in

from workbench.analysis.comparison import Comparison, compare
from workbench.analysis.order_effects import Balance, Orders
from workbench.measure import Measure
from workbench.report.sentences import balance_sentences, headline, method_sentences, order_known_sentence
from workbench.report.tables.comparison import equivalence_table
from workbench.report.tables.reading import for_reading
from workbench.report.tables.robustness import robustness_summary_table
from workbench.study import Plan

TWO = ("still", "slosh")
PEOPLE = [f"A{number:02}" for number in range(1, 9)]


def compared(differences: list[float], **plan) -> Comparison:
    rows = [
        (who, condition, "", value, nan, "")
        for who, difference in zip(PEOPLE, differences, strict=True)
        for condition, value in zip(TWO, (4.0, 4.0 + difference), strict=True)
    ]
    values = pd.DataFrame(rows, columns=["participant", "condition", "occasion", "value", "standard_error", "reason"])
    real = Measure("real", "Realism", "", "", "scale", "per_condition", values, values.iloc[:0])
    (one,) = compare([real], PEOPLE, TWO, Plan.model_validate(plan))
    return one


ALIKE = [0.01, -0.02, 0.03, -0.04, 0.05, -0.06, 0.07, -0.08]
BOUNDS = {"real": {"low": -0.5, "high": 0.5}}


@pytest.mark.parametrize(("differences", "within"), [(ALIKE, 1), ([1.0 + one for one in ALIKE], 0)])
def test_the_headline_counts_pairs_within_the_bounds(tmp_path, differences, within):
    one = compared(differences, equivalence=BOUNDS)
    told = headline(study_in(tmp_path), one)
    assert f"{within} of 1 pairs are shown to lie within the bounds of equivalence, −0.50 and 0.50." in told


def test_without_bounds_nothing_is_said_about_equivalence(tmp_path):
    study = study_in(tmp_path)
    assert "equivalence" not in headline(study, compared(ALIKE))
    assert not any("quivalence" in told for told in method_sentences(study, [compared(ALIKE)]))
    assert any(
        "Equivalence was tested" in told for told in method_sentences(study, [compared(ALIKE, equivalence=BOUNDS)])
    )


def test_the_equivalence_table_says_yes_and_no(tmp_path):
    study = study_in(tmp_path)
    table = equivalence_table(study, [compared(ALIKE, equivalence=BOUNDS), compared([2.0] * 8, equivalence=BOUNDS)])
    assert [row["shown"] for row in table.rows] == ["yes", "no"]
    assert [row["planned"] for row in table.rows] == ["planned"] * 2
    assert table.rows[0]["p"] == max(table.rows[0]["p_low"], table.rows[0]["p_high"]) == 1 / 256
    assert [column.key for column in for_reading(table, {}).columns][-1] == "shown"


def orders(*, logged: bool, unknown: int = 0) -> Orders:
    return Orders(TWO, {"A01": {1: "still", 2: "slosh"}}, {}, logged, unknown)


def test_where_orders_come_from():
    assert order_known_sentence(orders(logged=True)) == "Orders are those of the session log, of 1 participants."
    assert "There is no session log: 1 participants are taken" in order_known_sentence(orders(logged=False))
    assert order_known_sentence(orders(logged=True, unknown=3)).endswith("Not known for 3.")


def test_balance_in_words():
    found = [
        Balance("position", "still", 1, 2, 1),
        Balance("position", "slosh", 1, 2, 3),
        Balance("after", "slosh", "still", None, 2),
    ]
    position, after, _ = balance_sentences(orders(logged=True), found)
    assert position == "As run, each condition stood in each position 1 to 3 times; planned 2."
    assert after == "As run, each condition came straight after each other one 2 times."


def test_a_robustness_table_of_nothing_has_no_rows(tmp_path):
    assert robustness_summary_table(study_in(tmp_path), [], []).rows == ()
