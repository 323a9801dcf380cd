"""Repeated-measures analysis of variance: a published example, another library, and what is undefined."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.anova import AnovaRM

from workbench.analysis.anova import anovas, repeated_anova
from workbench.measure import Measure


def test_reaction_times_of_maxwell_and_delaney(published):
    case = published["rm_anova_maxwell_delaney"]
    found, expected = repeated_anova(np.array(case["inputs"]["subjects_by_conditions"], float)), case["expected"]
    assert (found.n_used, found.df1, found.df2) == (10, expected["df1"], expected["df2"])
    assert found.f == pytest.approx(expected["F"], abs=case["tolerance"])
    assert found.p == pytest.approx(expected["p"], abs=case["tolerance"])
    assert found.epsilon == pytest.approx(expected["gg_epsilon"], abs=case["tolerance"])
    assert found.p_corrected == pytest.approx(expected["gg_p"], rel=case["tolerance"])
    assert found.mauchly_w == pytest.approx(expected["mauchly_W"], abs=case["tolerance"])
    assert found.mauchly_w == pytest.approx(case["published"]["mauchly_W"], abs=1e-6)
    assert found.mauchly_p == pytest.approx(expected["mauchly_p_bartlett"], abs=case["tolerance"])
    assert found.partial_eta_squared == pytest.approx(expected["partial_eta2"], abs=case["tolerance"])
    assert found.generalized_eta_squared == pytest.approx(expected["generalized_eta2"], abs=case["tolerance"])
    assert found.reason == ""


def ratings(n: int = 11, k: int = 4) -> np.ndarray:
    return np.random.default_rng(7).integers(1, 8, (n, k)).astype(float)


def test_f_and_p_of_statsmodels():
    """AnovaRM of statsmodels 0.14 or later, which shares no code with pingouin."""
    wide = ratings()
    long = pd.DataFrame(wide).reset_index().melt("index", var_name="condition", value_name="score")
    table = AnovaRM(long, "score", "index", within=["condition"]).fit().anova_table
    found = repeated_anova(wide)
    assert found.f == pytest.approx(table["F Value"].item())
    assert found.p == pytest.approx(table["Pr > F"].item())


def test_epsilon_by_its_formula():
    """Box's epsilon of the double-centered covariance: trace^2 / ((k - 1) sum of squares)."""
    wide = ratings()
    covariance = np.cov(wide.T)
    centering = np.eye(4) - 1 / 4
    centered = centering @ covariance @ centering
    assert repeated_anova(wide).epsilon == pytest.approx(np.trace(centered) ** 2 / (3 * (centered**2).sum()))


def test_units_people_and_conditions_may_change_places():
    wide = ratings()
    one = repeated_anova(wide)
    for other in (wide[::-1], wide[:, [2, 0, 3, 1]], wide * 10 + 3, 8 - wide):
        found = repeated_anova(other)
        assert found.f == pytest.approx(one.f)
        assert found.p_corrected == pytest.approx(one.p_corrected)
        assert found.mauchly_w == pytest.approx(one.mauchly_w)
        assert found.generalized_eta_squared == pytest.approx(one.generalized_eta_squared)


def test_participants_with_a_missing_value_are_dropped_and_counted():
    wide = ratings()
    found = repeated_anova(np.vstack([wide, [nan, 1, 2, 3]]))
    assert (found.n_used, found.n_dropped) == (11, 1)
    assert found.f == pytest.approx(repeated_anova(wide).f)


@pytest.mark.parametrize(
    ("wide", "reason"),
    [
        ([[1, 2], [2, 1], [1, 1]], "fewer than three conditions"),
        ([[1, 2, 3]], "1 participant has a value in every condition; three are needed"),
        ([[nan, 2, 3]] * 4, "0 participants have a value in every condition"),
        ([[4, 4, 4]] * 5, "the same for everybody"),
        ([[0, 0, 0]] * 5, "the same for everybody"),
        ([[1, 2, 3], [2, 3, 4], [3, 4, 5]], "the same for everybody"),
        ([[0.1, 0.2, 0.3], [1.1, 1.2, 1.3], [7 / 3, 7 / 3 + 0.1, 7 / 3 + 0.2]], "the same for everybody"),
    ],
)
def test_undefined_with_a_reason(wide, reason):
    found = repeated_anova(np.array(wide, float))
    assert isnan(found.f)
    assert isnan(found.p_corrected)
    assert reason in found.reason


@pytest.mark.parametrize(
    "wide",
    [
        ratings(3),  # fewer participants than conditions
        np.column_stack([ratings()[:, 0], ratings()[:, 0], ratings()[:, 1:3]]),  # two conditions answered alike
    ],
)
def test_mauchly_is_undefined_alone(wide):
    found = repeated_anova(wide)
    assert not isnan(found.p_corrected)
    assert isnan(found.mauchly_w)
    assert isnan(found.mauchly_p)
    assert "Mauchly" in found.reason


def test_only_measures_asked_per_condition_and_three_conditions():
    columns = ["participant", "condition", "occasion", "value", "standard_error", "reason"]
    rows = [
        (f"A{n}", c, "", float(v), nan, "") for n, row in enumerate(ratings()) for c, v in zip("abcd", row, strict=True)
    ]
    values = pd.DataFrame(rows, columns=columns)
    real = Measure("real", "real", "", "", "scale", "per_condition", values, values.iloc[:0])
    age = Measure("age", "age", "", "", "scale", "once", values.iloc[:0], values.iloc[:0])
    people = [f"A{n}" for n in range(11)]
    assert list(anovas([real, age], people, "abcd")) == ["real"]
    assert anovas([real, age], people, "abcd")["real"].f == pytest.approx(repeated_anova(ratings()).f)
    assert anovas([real, age], people, "ab") == {}
