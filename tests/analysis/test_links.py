"""Codes against scores and across conditions, with scipy and statsmodels as second routes."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import cochrans_q
from statsmodels.stats.contingency_tables import mcnemar as other_mcnemar
from statsmodels.stats.multitest import multipletests

from workbench.analysis.links import LEAST_IN_GROUP, codes_across_conditions, codes_and_scores
from workbench.measure import Measure
from workbench.study import Construct

PEOPLE = [f"A{number:02}" for number in range(1, 13)]
CONDITIONS = ["still", "slosh", "ladle"]
HEAVY = {
    "still": PEOPLE[:4],
    "slosh": PEOPLE[:10],
    "ladle": [*PEOPLE[2:5], PEOPLE[11]],
}


def measure(rng, **missing) -> Measure:
    values = pd.DataFrame(
        [(who, condition, "", float(rng.integers(1, 15)) / 2, nan, "") for who in PEOPLE for condition in CONDITIONS],
        columns=["participant", "condition", "occasion", "value", "standard_error", "reason"],
    )
    for who, condition in missing.items():
        values.loc[(values["participant"] == who) & (values["condition"] == condition), "value"] = nan
    return Measure("real", "Realism", "points", "more real", "scale", "per_condition", values, values)


def counted() -> pd.DataFrame:
    rows = [(who, "HEAVY", condition) for condition, people in HEAVY.items() for who in people]
    rows += [("A01", "HEAVY", "still+ladle"), ("A12", "LIGHT", ""), ("A11", "", "")]
    return pd.DataFrame(rows, columns=["participant", "code", "about"])


CONSTRUCT = Construct(id="realism", label="Realism", measure="real", codes=["HEAVY", "LIGHT"])


def exact_two_sided(x: np.ndarray, y: np.ndarray) -> float:
    """The share of all ways to draw the groups whose rank sum is as far from its mean, by scipy's permutation test."""
    middle = len(x) * np.concatenate([x, y]).mean()
    return float(stats.permutation_test((x, y), lambda a, b: abs(a.sum() - middle), alternative="greater").pvalue)


def test_scores_of_those_who_raised_a_code_are_compared_exactly_and_adjusted_inside_the_construct(rng):
    made = measure(rng)
    found = codes_and_scores([CONSTRUCT], [made], counted(), CONDITIONS, PEOPLE)
    assert [(one.code, one.condition) for one in found] == [(code, at) for code in CONSTRUCT.codes for at in CONDITIONS]
    tested = [one for one in found if one.test is not None]
    assert [(one.code, one.condition) for one in tested] == [("HEAVY", "still"), ("HEAVY", "ladle")]
    raised = {"still": HEAVY["still"], "ladle": [*HEAVY["ladle"], "A01"]}
    expected = []
    for one in tested:
        scores = made.by_condition(PEOPLE, [one.condition])[one.condition]
        x, y = scores[raised[one.condition]], scores[[who for who in PEOPLE if who not in raised[one.condition]]]
        pooled = stats.rankdata(np.concatenate([x, y]))
        total = pooled[: len(x)].sum()
        exact = exact_two_sided(pooled[: len(x)], pooled[len(x) :])
        assert (one.n_raised, one.n_not) == (len(x), len(y))
        assert (one.median_raised, one.median_not) == (np.median(x), np.median(y))
        assert one.result.u == pytest.approx(total - len(x) * (len(x) + 1) / 2)
        assert one.test.p == pytest.approx(exact, abs=1e-9)
        expected.append(exact)
    assert [one.test.adjusted for one in tested] == pytest.approx(multipletests(expected, method="holm")[1])
    assert all(not one.test.planned for one in tested)


def test_small_groups_are_named_and_not_tested(rng):
    found = {
        (one.code, one.condition): one
        for one in codes_and_scores([CONSTRUCT], [measure(rng)], counted(), CONDITIONS, PEOPLE)
    }
    few = found["HEAVY", "slosh"]
    assert (few.n_raised, few.n_not, few.test) == (10, 2, None)
    assert str(LEAST_IN_GROUP) in few.reason
    nobody = found["LIGHT", "still"]
    assert (nobody.n_raised, nobody.n_not) == (0, 12)
    assert isnan(nobody.median_raised)


def test_who_has_no_score_is_in_neither_group(rng):
    found = codes_and_scores([CONSTRUCT], [measure(rng, A01="still", A12="still")], counted(), CONDITIONS, PEOPLE)
    assert (found[0].n_raised, found[0].n_not) == (3, 7)


def test_codes_across_conditions_against_statsmodels():
    (one,) = codes_across_conditions(["HEAVY", "LIGHT"], counted(), CONDITIONS, PEOPLE)
    table = np.array(
        [
            [who in HEAVY[condition] or (who, condition) == ("A01", "ladle") for condition in CONDITIONS]
            for who in PEOPLE
        ]
    )
    assert (one.code, one.n, dict(one.raised)) == ("HEAVY", 12, {"still": 4, "slosh": 10, "ladle": 5})
    expected = cochrans_q(table.astype(int))
    assert one.result.q == pytest.approx(expected.statistic)
    assert one.result.p_asymptotic == pytest.approx(expected.pvalue)
    p = []
    for pair in one.pairs:
        x, y = (table[:, CONDITIONS.index(name)] for name in (pair.first, pair.second))
        p.append(other_mcnemar(pd.crosstab(x, y), exact=True).pvalue)
        assert pair.test.p == pytest.approx(p[-1])
    assert [pair.test.adjusted for pair in one.pairs] == pytest.approx(multipletests(p, method="holm")[1])


def test_two_conditions_have_a_pair_and_no_q():
    (one,) = codes_across_conditions(["HEAVY"], counted(), CONDITIONS[:2], PEOPLE)
    assert one.result is None
    assert [(pair.first, pair.second) for pair in one.pairs] == [("still", "slosh")]
