"""Robustness: conclusions taken over from comparisons, the same questions by means, and how they are counted."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from workbench.analysis import families
from workbench.analysis.anova import anovas, repeated_anova
from workbench.analysis.comparison import compare
from workbench.analysis.robustness import (
    Conclusion,
    Question,
    conclusions,
    conclusions_from_means,
    robustness,
)
from workbench.measure import Measure
from workbench.study import Plan

THREE = ("still", "slosh", "ladle")


def measure(wide: list[list[float]], name: str = "real") -> Measure:
    rows = [
        (f"A{number:02}", condition, "", value, nan, "")
        for number, row in enumerate(wide, start=1)
        for condition, value in zip(THREE, row, strict=True)
    ]
    values = pd.DataFrame(rows, columns=["participant", "condition", "occasion", "value", "standard_error", "reason"])
    return Measure(name, name, "", "", "scale", "per_condition", values, values.iloc[:0])


def people(n: int) -> list[str]:
    return [f"A{number:02}" for number in range(1, n + 1)]


def plan(**keys) -> Plan:
    return Plan.model_validate({"primary": ["real"]} | keys)


def by_means(wide: list[list[float]], **keys) -> dict[Question, Conclusion]:
    asked = [measure(wide)], people(len(wide)), THREE
    found = conclusions_from_means(*asked, plan(**keys), "means", anovas(*asked))
    return {one.question: one for one in found}


RISING = [[1.0, 2.0 + number / 10, 4.0 + number / 3] for number in range(6)]


def test_conclusions_say_what_the_comparison_says():
    contrasts = [{"id": "up", "label": "up", "measures": ["real"], "weights": {"ladle": 2, "still": -1, "slosh": -1}}]
    (one,) = compare([measure(RISING)], people(6), THREE, plan(contrasts=contrasts))
    omnibus, *pairs, up = conclusions([one])
    assert (omnibus.estimate, omnibus.higher, omnibus.shown) == (1.0, "ladle", True)
    assert [(each.question.pair, each.higher, each.shown) for each in pairs] == [
        (("still", "slosh"), "slosh", False),  # 3 x 2 / 64 is above .05
        (("still", "ladle"), "ladle", False),
        (("slosh", "ladle"), "ladle", False),
    ]
    assert (up.question.contrast, up.higher, up.test.adjusted, up.shown) == ("up", "positive", 2 / 64, True)
    assert [each.choice for each in (omnibus, *pairs, up)] == [""] * 5


def test_only_primary_measures_are_looked_at():
    (one,) = compare([measure(RISING, "other")], people(6), THREE, plan())
    assert conclusions([one]) == []


def test_gated_pairs_are_not_shown():
    """Slosh above still for all six (p 2/64); ladle lowest for three and highest for three: chi-square 3, not shown."""
    wide = [[2, 3, 1]] * 3 + [[2, 3, 4]] * 3
    in_one = [{"id": "main", "tests": "pairs", "measures": ["real"], "correction": "none"}]
    for gates in (True, False):
        (one,) = compare([measure(wide)], people(6), THREE, plan(families=in_one, omnibus_gates_pairs=gates))
        assert one.omnibus.result.chi_square == pytest.approx(3)
        (pair,) = [each for each in conclusions([one]) if each.question.pair == ("still", "slosh")]
        assert (pair.test.adjusted, pair.shown) == (2 / 64, not gates)


def test_means_by_scipy_and_by_the_analysis_of_variance():
    wide = np.random.default_rng(4).integers(1, 8, (12, 3)) + np.array([0.0, 1.0, 2.0])
    found = by_means(wide.tolist())
    omnibus = found[Question("real", "omnibus")]
    assert omnibus.test.p == repeated_anova(wide).p_corrected
    assert omnibus.estimate == repeated_anova(wide).partial_eta_squared
    p = []
    for first, second in ((0, 1), (0, 2), (1, 2)):
        one = found[Question("real", "pairs", (THREE[first], THREE[second]))]
        assert one.test.p == pytest.approx(ttest_rel(wide[:, first], wide[:, second]).pvalue)
        assert one.estimate == pytest.approx((wide[:, first] - wide[:, second]).mean())
        p.append(one.test.p)
    adjusted = [one.test.adjusted for one in found.values() if one.question.kind == "pairs"]
    assert min(adjusted) == pytest.approx(3 * min(p))
    assert not any(one.test.exact for one in found.values())


def test_means_follow_gate_cases_and_contrasts_of_the_plan():
    contrasts = [{"id": "up", "label": "up", "measures": ["real"], "weights": {"slosh": 2, "still": -2}}]
    wide = [*RISING, [1.0, 3.0, nan]]
    complete = by_means(wide, contrasts=contrasts)
    available = by_means(wide, contrasts=contrasts, cases="available")
    pair = Question("real", "pairs", ("still", "slosh"))
    up = Question("real", "contrasts", None, "up")
    assert (complete[pair].n, available[pair].n, available[Question("real", "omnibus")].n) == (6, 7, 6)
    assert available[up].estimate == pytest.approx(-available[pair].estimate)
    assert (available[up].higher, available[pair].higher) == ("positive", "slosh")
    flat = [[4.0 + n % 2, 4.0 + (n + 1) % 2, 4.0] for n in range(6)]
    assert not any(one.shown for one in by_means(flat).values())


def test_means_of_answers_that_are_all_alike():
    found = by_means([[4.0, 4.0, 5.0]] * 5)
    assert isnan(found[Question("real", "omnibus")].test.p)
    assert found[Question("real", "pairs", ("still", "slosh"))].test.p == 1.0
    assert found[Question("real", "pairs", ("still", "ladle"))].test.p == 0.0
    assert not any(one.shown for one in found.values() if one.question.kind == "pairs")  # the gate was not passed


def test_rounding_of_means_is_no_difference():
    third = 1 / 3
    found = by_means([[0.1 + 0.2, 0.3, 1.0], [third, 1 - 2 * third, 2.0], [0.7, 0.6 + 0.1, 1.0]])
    assert found[Question("real", "pairs", ("still", "slosh"))].test.p == 1.0


def concluded(choice: str, *, p: float, higher: str = "slosh", shown: bool = True, estimate: float = 1.0) -> Conclusion:
    question = Question("real", "pairs", ("still", "slosh"))
    return Conclusion(
        question, choice, 20, estimate, "shift", higher, families.Test("f", True, "holm", p, True, adjusted=p), shown
    )


def test_agreement_counts_decision_direction_and_both():
    found = [
        concluded("", p=0.01),
        concluded("a", p=0.02),
        concluded("b", p=0.06, shown=False),
        concluded("c", p=0.03, higher="still"),
        concluded("d", p=0.5, shown=False, higher=""),
    ]
    (one,) = robustness(found)
    assert (one.n_choices, one.same_decision, one.same_direction, one.same_both) == (4, 2, 2, 1)
    assert (one.smallest_p, one.largest_p) == (0.01, 0.5)


def test_no_other_choice_and_no_p():
    (one,) = robustness([concluded("", p=nan, shown=False)])
    assert (one.n_choices, one.same_both) == (0, 0)
    assert isnan(one.smallest_p)


def test_the_same_data_are_known_by_n_p_and_estimate():
    one = concluded("a", p=0.01)
    assert one.same_data(concluded("", p=0.01))
    assert not one.same_data(concluded("", p=0.02))
    assert not one.same_data(concluded("", p=0.01, estimate=0.9))
    assert concluded("a", p=1.0, estimate=nan).same_data(concluded("", p=1.0, estimate=nan))
