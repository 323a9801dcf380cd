"""Reliability: published values, pingouin 0.7, statsmodels 0.15 and scipy 1.17, properties, degenerate cases."""

from __future__ import annotations

from collections.abc import Callable
from math import isnan, sqrt
from typing import Any

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.optimize import minimize, minimize_scalar
from scipy.stats import multivariate_normal, norm
from statsmodels.multivariate.factor import Factor
from statsmodels.regression.linear_model import OLS

from workbench.errors import ArgumentError, WorkbenchError
from workbench.stats.reliability import (
    cronbach_alpha,
    intraclass_correlations,
    item_analysis,
    omega_total,
    ordinal_alpha,
    polychoric_correlation,
    spearman_brown,
    standard_error_of_measurement,
    within_between_alpha,
)

FEW = settings(max_examples=25, deadline=None, derandomize=True)
LIKERT = arrays(np.float64, st.tuples(st.integers(4, 12), st.integers(3, 5)), elements=st.integers(1, 7).map(float))


def item_table(case: dict[str, Any]) -> np.ndarray:
    """The items of a reference case (participants, items), reverse keys applied."""
    inputs = case["inputs"]
    reverse, ends = inputs.get("reverse", []), inputs.get("scale_min", 0) + inputs.get("scale_max", 0)
    columns = [
        np.array(v, float) if item not in reverse else ends - np.array(v, float) for item, v in inputs["items"].items()
    ]
    return np.column_stack(columns)


def expected_of(case: dict[str, Any]) -> Callable[[str], Any]:
    """The expected value under a key, with the case's own tolerance."""
    return lambda key: pytest.approx(case["expected"][key], abs=case["tolerance"], rel=case["tolerance"])


def one_factor_answers(rng: np.random.Generator, n: int = 30, k: int = 6, loading: float = 0.7) -> np.ndarray:
    common = rng.normal(size=(n, 1))
    return np.clip(np.round(4 + 1.4 * (loading * common + sqrt(1 - loading**2) * rng.normal(size=(n, k)))), 1, 7)


class TestCronbachAlpha:
    def test_attitude_as_published(self, published):
        # Values to two decimals printed in the documentation of R psych; the rest from R psych 2.2.9.
        case = published["rel_alpha_attitude"]
        expected = expected_of(case)
        result = cronbach_alpha(item_table(case))
        assert result.raw == expected("alpha_raw")
        assert result.standardized == expected("alpha_std")
        assert result.interval.low == expected("feldt_ci95_low")
        assert result.interval.high == expected("feldt_ci95_high")
        assert round(result.raw, 2) == case["published"]["alpha_raw"]
        assert (result.n_used, result.n_dropped, result.n_items, result.reason) == (30, 0, 7, "")
        assert isnan(result.bootstrap_interval.low)

    def test_incomplete_rows_are_left_out_of_n(self, published):
        # Data from the documentation of pingouin, whose interval counts the dropped rows: that defect is not copied.
        case = published["rel_alpha_missing_binary"]
        expected = expected_of(case)
        result = cronbach_alpha(case["inputs"]["rows"])
        assert result.raw == expected("alpha_listwise")
        assert result.interval.low == expected("ci_listwise_low")
        assert result.interval.high == expected("ci_listwise_high")
        assert (result.n_used, result.n_dropped) == (9, 3)

    @pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
    def test_agrees_with_pingouin(self, rng, level):
        answers = one_factor_answers(rng)
        raw, bounds = pingouin.cronbach_alpha(pd.DataFrame(answers), ci=level)
        result = cronbach_alpha(answers, level=level)
        assert result.raw == pytest.approx(raw, abs=1e-10)
        # pingouin rounds its interval to three decimals.
        assert [result.interval.low, result.interval.high] == pytest.approx(list(bounds), abs=5.1e-4)

    def test_bootstrap_draws_whole_participants(self, rng):
        answers = one_factor_answers(rng)
        result = cronbach_alpha(answers, resamples=150, rng=np.random.default_rng(7))
        same = np.random.default_rng(7)
        draws = [pingouin.cronbach_alpha(pd.DataFrame(answers[same.integers(0, 30, 30)]))[0] for _ in range(150)]
        interval = result.bootstrap_interval
        assert [interval.low, interval.high] == pytest.approx(np.quantile(draws, [0.025, 0.975]).tolist(), abs=1e-10)
        assert "150 resamples" in interval.method

    @FEW
    @given(LIKERT, st.integers(0, 10**6))
    def test_order_shift_and_reversal_change_nothing(self, answers, seed):
        shuffle = np.random.default_rng(seed)
        alpha = cronbach_alpha(answers)
        moved = answers[shuffle.permutation(len(answers))][:, shuffle.permutation(answers.shape[1])]
        shifted = answers + shuffle.integers(-50, 50, answers.shape[1])
        for other in (moved, shifted, 8 - answers, answers * 0.1):
            again = cronbach_alpha(other)
            assert [again.raw, again.standardized, again.interval.low] == pytest.approx(
                [alpha.raw, alpha.standardized, alpha.interval.low], abs=1e-8, nan_ok=True
            )

    @FEW
    @given(LIKERT)
    def test_never_above_one(self, answers):
        alpha = cronbach_alpha(answers)
        assert isnan(alpha.raw) or alpha.raw <= 1 + 1e-12
        assert isnan(alpha.raw) == ("raw alpha is undefined" in alpha.reason)

    def test_identical_items_reach_one(self):
        result = cronbach_alpha([[1, 1, 1], [2, 2, 2], [5, 5, 5]])
        assert (result.raw, result.standardized) == pytest.approx((1.0, 1.0))

    def test_constant_item_leaves_raw_alpha(self):
        answers = np.array([[1, 2, 3], [2, 2, 3], [4, 5, 3], [5, 4, 3]], float)
        result = cronbach_alpha(answers)
        covariance = np.cov(answers.T)
        assert result.raw == pytest.approx(1.5 * (1 - np.trace(covariance) / covariance.sum()))
        assert isnan(result.standardized)
        assert "Item 3 is constant" in result.reason

    def test_constant_item_of_tenths_is_constant(self):
        answers = np.array([[1, 2, 0.1], [2, 2, 0.1], [4, 5, 0.1]])
        assert "Item 3 is constant" in cronbach_alpha(answers).reason

    def test_items_that_cancel_have_no_alpha(self):
        result = cronbach_alpha([[0.1, 0.7], [0.2, 0.6], [0.7, 0.1]], resamples=10, rng=np.random.default_rng(1))
        assert isnan(result.raw)
        assert isnan(result.standardized)
        assert not result.interval.defined
        assert not result.bootstrap_interval.defined
        assert "sum of the items is constant" in result.reason

    def test_one_item(self):
        result = cronbach_alpha([[1], [2], [4]])
        assert isnan(result.raw)
        assert "1 item(s); at least 2" in result.reason

    def test_one_participant(self):
        result = cronbach_alpha([[1, 2, 3]], resamples=10, rng=np.random.default_rng(1))
        assert isnan(result.raw)
        assert result.n_used == 1
        assert "1 participant(s)" in result.reason

    def test_all_missing(self):
        result = cronbach_alpha([[None, 1], [2, None]])
        assert isnan(result.raw)
        assert (result.n_used, result.n_dropped) == (0, 2)

    def test_resamples_in_which_nothing_varies_are_counted(self):
        answers = [[1, 2], [3, 5]]
        interval = cronbach_alpha(answers, resamples=200, rng=np.random.default_rng(3)).bootstrap_interval
        assert "undefined" in interval.method
        assert interval.low == pytest.approx(interval.high)


class TestOmegaTotal:
    def test_attitude(self, published):
        # From R stats::factanal 4.2.2 and lavaan 0.6.14, to the case's tolerance of 1e-4.
        case = published["rel_omega_attitude"]
        expected = expected_of(case)
        result = omega_total(item_table(case))
        assert result.value == expected("omega_raw_ml")
        assert result.standardized == expected("omega_std_ml")
        for item, loading in zip(case["inputs"]["items"], result.loadings, strict=True):
            assert loading == expected(f"loading_ml.{item}")
        assert result.uniquenesses == pytest.approx(1 - result.loadings**2, abs=1e-8)
        assert (result.n_used, result.n_dropped, result.n_items, result.reason) == (30, 0, 7, "")

    def test_agrees_with_statsmodels(self, published):
        answers = item_table(published["rel_omega_attitude"])
        fit = Factor(answers, n_factor=1, method="ml").fit()
        result = omega_total(answers)
        # statsmodels stops its search early: loadings agree to 1e-4.
        assert result.loadings == pytest.approx(np.abs(fit.loadings[:, 0]), abs=1e-4)

    @pytest.mark.parametrize("loading", [0.9, 0.6, 0.2])
    def test_agrees_with_the_unprofiled_likelihood(self, rng, loading):
        answers = one_factor_answers(rng, n=40, k=5, loading=loading)
        correlations, k = np.corrcoef(answers.T), 5

        def misfit(parameters: np.ndarray) -> float:
            implied = np.outer(parameters[:k], parameters[:k]) + np.diag(parameters[k:])
            return float(np.linalg.slogdet(implied)[1] + np.trace(np.linalg.solve(implied, correlations)))

        starts = [np.concatenate([rng.uniform(-1, 1, k), rng.uniform(0.1, 1, k)]) for _ in range(8)]
        bounds = [(-2, 2)] * k + [(0.005, 1)] * k
        best = min(
            (minimize(misfit, start, bounds=bounds, method="L-BFGS-B") for start in starts), key=lambda fit: fit.fun
        )
        result = omega_total(answers)
        assert misfit(np.concatenate([result.loadings, result.uniquenesses])) <= best.fun + 1e-9
        # The other search stops when the misfit settles to 1e-9, so its parameters are known to about 1e-3.
        assert result.loadings == pytest.approx(best.x[:k] * np.sign(best.x[:k].sum()), abs=2e-3)

    def test_three_items_have_a_closed_solution(self, rng):
        answers = one_factor_answers(rng, n=60, k=3, loading=0.75)
        r12, r13, r23 = np.corrcoef(answers.T)[[0, 0, 1], [1, 2, 2]]
        loadings = np.sqrt([r12 * r13 / r23, r12 * r23 / r13, r13 * r23 / r12])
        result = omega_total(answers)
        assert result.loadings == pytest.approx(loadings, abs=1e-8)
        sds = answers.std(axis=0, ddof=1)
        common = (loadings * sds).sum() ** 2
        assert result.value == pytest.approx(common / (common + ((1 - loadings**2) * sds**2).sum()), abs=1e-8)

    def test_equal_correlations_make_it_alpha(self):
        # Items with one common correlation: omega and standardized alpha are the same.
        answers = answers_with_correlations(np.full((5, 5), 0.4) + 0.6 * np.eye(5))
        assert omega_total(answers).standardized == pytest.approx(5 * 0.4 / (1 + 4 * 0.4), abs=1e-8)

    def test_bootstrap_draws_whole_participants(self, rng):
        answers = one_factor_answers(rng, loading=0.8)
        interval = omega_total(answers, resamples=20, rng=np.random.default_rng(7)).interval
        same = np.random.default_rng(7)
        draws = [omega_total(answers[same.integers(0, 30, 30)]).value for _ in range(20)]
        assert [interval.low, interval.high] == pytest.approx(np.quantile(draws, [0.025, 0.975]).tolist(), abs=1e-8)

    @FEW
    @given(LIKERT, st.integers(0, 10**6))
    def test_order_shift_and_reversal_change_nothing(self, answers, seed):
        shuffle = np.random.default_rng(seed)
        omega = omega_total(answers)
        assert isnan(omega.value) or 0 <= omega.value <= 1
        people, items = shuffle.permutation(len(answers)), shuffle.permutation(answers.shape[1])
        for other in (answers[people], answers[:, items], answers + 3, 8 - answers):
            again = omega_total(other)
            assert [again.value, again.standardized] == pytest.approx(
                [omega.value, omega.standardized], abs=1e-5, nan_ok=True
            )

    def test_loadings_keep_their_signs(self, rng):
        answers = one_factor_answers(rng, loading=0.8)
        answers[:, 2] = 8 - answers[:, 2]
        result = omega_total(answers)
        assert result.loadings[2] < 0 < result.loadings.sum()

    def test_two_items_are_undefined(self):
        result = omega_total([[1, 2], [3, 3], [4, 6], [5, 5]])
        assert isnan(result.value)
        assert np.isnan(result.loadings).tolist() == [True, True]
        assert "2 item(s); at least 3" in result.reason

    def test_heywood_case_is_said(self):
        # The closed solution for three items has a first communality above one: .8 · .8 / .5 = 1.28.
        answers = answers_with_correlations([[1, 0.8, 0.8], [0.8, 1, 0.5], [0.8, 0.5, 1]])
        result = omega_total(answers)
        assert result.uniquenesses[0] == pytest.approx(0.005)
        assert "Heywood" in result.reason
        assert "item(s) 1 " in result.reason
        assert 0 < result.value < 1

    @pytest.mark.parametrize("together", [0.0, 0.6])
    def test_fewer_than_three_items_that_load(self, together):
        correlations = np.eye(4)
        correlations[0, 1] = correlations[1, 0] = together
        result = omega_total(answers_with_correlations(correlations))
        assert isnan(result.value)
        assert "not identified" in result.reason

    def test_a_fit_that_does_not_converge_is_said(self, monkeypatch, rng):
        import workbench.stats.reliability as module

        search = module._searched_fit
        monkeypatch.setattr(module, "_searched_fit", lambda *matrices: search(*matrices, iterations=1))
        result = omega_total(one_factor_answers(rng))
        assert isnan(result.value)
        assert "did not converge" in result.reason

    def test_identical_items(self):
        result = omega_total(np.repeat([[1.0], [2.0], [4.0], [7.0]], 4, axis=1))
        assert result.value == pytest.approx(1, abs=2e-3)
        assert "Heywood" in result.reason

    def test_constant_item(self):
        result = omega_total([[1, 2, 3], [2, 3, 3], [4, 4, 3], [5, 1, 3]])
        assert isnan(result.value)
        assert result.reason == "Item 3 is constant."

    def test_two_participants_and_all_missing(self):
        assert "2 participant(s)" in omega_total([[1, 2, 3], [2, 3, 5]]).reason
        nothing = omega_total(np.full((4, 3), np.nan), resamples=5, rng=np.random.default_rng(1))
        assert isnan(nothing.value)
        assert (nothing.n_used, nothing.n_dropped) == (0, 4)


def answers_with_correlations(correlations: Any, n: int = 40) -> np.ndarray:
    """Answers (n, items) whose sample correlations are exactly those."""
    noise = np.random.default_rng(11).normal(size=(n, len(correlations)))
    basis = np.linalg.qr(noise - noise.mean(axis=0))[0]
    return basis @ np.linalg.cholesky(np.asarray(correlations, float)).T


class TestItemAnalysis:
    def test_attitude(self, published):
        # From R psych 2.2.9, whose documentation analyses these data.
        case = published["rel_alpha_attitude"]
        expected = expected_of(case)
        result = item_analysis(item_table(case))
        for index, item in enumerate(case["inputs"]["items"]):
            assert result.item_rest_correlations[index] == expected(f"item_rest_r.{item}")
            assert result.alpha_if_deleted[index] == expected(f"alpha_if_deleted.{item}")
        assert result.means.sum() == expected("sum_mean")
        assert result.reason == ""

    def test_agrees_with_numpy_and_pingouin(self, rng):
        answers = one_factor_answers(rng, n=25, k=4)
        result = item_analysis(answers)
        assert result.means == pytest.approx(answers.mean(axis=0))
        assert result.sds == pytest.approx(answers.std(axis=0, ddof=1))
        for item in range(4):
            others = np.delete(answers, item, axis=1)
            assert result.item_rest_correlations[item] == pytest.approx(
                np.corrcoef(answers[:, item], others.sum(axis=1))[0, 1]
            )
            assert result.alpha_if_deleted[item] == pytest.approx(pingouin.cronbach_alpha(pd.DataFrame(others))[0])

    @FEW
    @given(LIKERT)
    def test_reversing_all_items_keeps_the_correlations(self, answers):
        one, other = item_analysis(answers), item_analysis(8 - answers)
        assert other.item_rest_correlations == pytest.approx(one.item_rest_correlations, abs=1e-10, nan_ok=True)
        assert other.alpha_if_deleted == pytest.approx(one.alpha_if_deleted, abs=1e-8, nan_ok=True)
        assert other.means == pytest.approx(8 - one.means)

    def test_two_items_have_no_alpha_without_one(self):
        result = item_analysis([[1, 2], [2, 2], [4, 5]])
        assert np.isnan(result.alpha_if_deleted).all()
        assert np.isfinite(result.item_rest_correlations).all()
        assert "two other items" in result.reason

    def test_constant_item(self):
        result = item_analysis([[1, 2, 3], [2, 2, 3], [4, 5, 3]])
        assert np.isnan(result.item_rest_correlations).tolist() == [False, False, True]
        assert result.sds[2] == 0
        assert "Item 3 is constant." in result.reason

    def test_one_participant_has_means_only(self):
        result = item_analysis([[1, 2, 3], [np.nan, 1, 1]])
        assert result.means.tolist() == [1, 2, 3]
        assert np.isnan(result.sds).all()
        assert (result.n_used, result.n_dropped) == (1, 1)

    def test_one_item(self):
        result = item_analysis([[1], [3]])
        assert result.sds == pytest.approx([sqrt(2)])
        assert np.isnan(result.item_rest_correlations).all()
        assert result.reason


class TestSpearmanBrown:
    def test_two_items_of_attitude(self, published):
        # R stats 4.2.2; formula of Eisinga et al. 2013.
        case = published["rel_two_item_attitude"]
        answers = np.column_stack([case["inputs"]["x"], case["inputs"]["y"]])
        expected = expected_of(case)
        assert spearman_brown(answers).value == expected("spearman_brown")
        assert cronbach_alpha(answers).standardized == expected("alpha_std")
        assert cronbach_alpha(answers).raw == expected("alpha_raw")

    def test_agrees_with_the_correlation(self, rng):
        answers = rng.normal(size=(15, 2)) + rng.normal(size=(15, 1))
        r = pingouin.corr(answers[:, 0], answers[:, 1])["r"].iloc[0]
        assert spearman_brown(answers).value == pytest.approx(2 * r / (1 + r), abs=1e-10)
        assert spearman_brown(answers * [1, 40] + [5, -3]).value == pytest.approx(2 * r / (1 + r), abs=1e-10)

    @pytest.mark.parametrize("items", [1, 3])
    def test_other_numbers_of_items_are_refused(self, items):
        with pytest.raises(ArgumentError, match=rf"{items} item\(s\).*exactly 2"):
            spearman_brown(np.ones((5, items)))

    def test_mirrored_constant_and_missing(self):
        assert "-1" in spearman_brown([[1, 5], [2, 4], [5, 1]]).reason
        assert spearman_brown([[1, 5], [1, 4]]).reason == "Item 1 is constant."
        assert isnan(spearman_brown([[None, 5], [1, None]]).value)


class TestIntraclassCorrelations:
    def test_shrout_and_fleiss(self, published):
        # Shrout & Fleiss 1979, tables 2 and 4.
        case = published["rel_icc_shrout_fleiss"]
        expected = expected_of(case)
        result = intraclass_correlations(case["inputs"]["targets_by_judges"])
        for field in ("icc1", "icc2", "icc3", "icc1k", "icc2k", "icc3k"):
            estimate, key = getattr(result, field), field.upper().replace("K", "k")
            assert estimate.value == expected(key)
            assert estimate.interval.low == expected(f"{key}_low")
            assert estimate.interval.high == expected(f"{key}_high")
            assert round(estimate.value, 2) == case["published"][key]
        assert (result.n_used, result.n_raters, result.reason) == (6, 4, "")

    @pytest.mark.parametrize("spread", [0.0, 0.5, 3.0])
    def test_agrees_with_pingouin(self, rng, spread):
        ratings = rng.normal(size=(9, 3)) + spread * rng.normal(size=(9, 1)) + [0, 0.5, 1]
        long = pd.DataFrame(
            [(u, r, ratings[u, r]) for u in range(9) for r in range(3)], columns=["unit", "rater", "value"]
        )
        table = pingouin.intraclass_corr(long, targets="unit", raters="rater", ratings="value")
        result = intraclass_correlations(ratings)
        for row, field in enumerate(("icc1", "icc2", "icc3", "icc1k", "icc2k", "icc3k")):
            estimate = getattr(result, field)
            assert estimate.value == pytest.approx(table["ICC"].iloc[row], abs=1e-8)
            # pingouin rounds its intervals to two decimals.
            bounds = [float(bound) for bound in table["CI95"].iloc[row]]
            assert [estimate.interval.low, estimate.interval.high] == pytest.approx(bounds, abs=5.1e-3)

    def test_consistency_of_the_mean_is_alpha(self, rng):
        ratings = one_factor_answers(rng, n=20, k=4)
        result, alpha = intraclass_correlations(ratings), cronbach_alpha(ratings)
        assert result.icc3k.value == pytest.approx(alpha.raw, abs=1e-10)
        assert result.icc3k.interval.low == pytest.approx(alpha.interval.low, abs=1e-10)

    @FEW
    @given(LIKERT, st.integers(0, 10**6))
    def test_order_and_one_shift_for_all_change_nothing(self, ratings, seed):
        shuffle = np.random.default_rng(seed)
        moved = ratings[shuffle.permutation(len(ratings))][:, shuffle.permutation(ratings.shape[1])] + 10
        one, other = intraclass_correlations(ratings), intraclass_correlations(moved)
        for field in ("icc1", "icc2", "icc3", "icc1k", "icc2k", "icc3k"):
            a, b = getattr(one, field), getattr(other, field)
            assert [b.value, b.interval.low, b.interval.high] == pytest.approx(
                [a.value, a.interval.low, a.interval.high], rel=1e-6, abs=1e-7, nan_ok=True
            )

    def test_perfect_agreement(self):
        result = intraclass_correlations([[0.1, 0.1], [0.3, 0.3], [0.7, 0.7]])
        assert [result.icc1.value, result.icc2.value, result.icc3k.value] == [1, 1, 1]
        assert (result.icc2.interval.low, result.icc2.interval.high) == (1, 1)

    def test_perfect_consistency_only(self):
        result = intraclass_correlations([[1, 2, 4], [3, 4, 6], [4, 5, 7], [8, 9, 11]])
        assert result.icc3.value == 1
        assert 0 < result.icc2.value < 1
        assert result.icc2.interval.low < result.icc2.value < result.icc2.interval.high

    def test_all_ratings_the_same(self):
        result = intraclass_correlations(np.full((4, 3), 0.1))
        assert isnan(result.icc1.value)
        assert isnan(result.icc3k.value)
        assert "no variation between units" in result.reason

    def test_one_rater_one_unit_and_missing_units(self):
        assert "1 rater(s)" in intraclass_correlations([[1], [2]]).reason
        assert "1 complete unit(s)" in intraclass_correlations([[1, 2]]).reason
        result = intraclass_correlations([[1, 2], [np.nan, 3], [4, 4], [6, 5]])
        assert (result.n_used, result.n_dropped) == (3, 1)


class TestStandardErrorOfMeasurement:
    def test_attitude(self, published):
        case = published["rel_alpha_attitude"]
        result = standard_error_of_measurement(item_table(case))
        assert result.value == expected_of(case)("sem_sum")
        # de Vet et al. 2006, formula from memory.
        assert result.smallest_detectable_change == pytest.approx(
            1.96 * sqrt(2) * case["expected"]["sem_sum"], rel=1e-8
        )

    def test_agrees_with_pingouin(self, rng):
        answers = one_factor_answers(rng)
        error = answers.sum(axis=1).std(ddof=1) * sqrt(1 - pingouin.cronbach_alpha(pd.DataFrame(answers))[0])
        assert standard_error_of_measurement(answers).value == pytest.approx(error)
        assert standard_error_of_measurement(10 * answers + 3).value == pytest.approx(10 * error)

    def test_constant_sum_one_item_and_no_participants(self):
        assert "constant" in standard_error_of_measurement([[1, 3], [3, 1], [2, 2]]).reason
        assert "1 item(s)" in standard_error_of_measurement([[1], [3]]).reason
        assert isnan(standard_error_of_measurement(np.full((3, 2), np.nan)).value)

    def test_identical_items_have_no_error(self):
        assert standard_error_of_measurement([[1, 1], [4, 4], [6, 6]]).value == pytest.approx(0, abs=1e-7)


def pairs_of(table: Any) -> tuple[np.ndarray, np.ndarray]:
    """x and y of the cell counts of a table."""
    counts = np.asarray(table)
    rows, columns = np.indices(counts.shape)
    return np.repeat(rows.ravel(), counts.ravel()), np.repeat(columns.ravel(), counts.ravel())


class TestPolychoricCorrelation:
    def test_olsson(self, published):
        # Olsson 1979, the worked example; two-step value from R polycor 0.8.1.
        case = published["ord_polychoric_olsson"]
        result = polychoric_correlation(*pairs_of(case["inputs"]["table"]))
        assert result.value == expected_of(case)("rho_two_step")
        assert round(result.value, 2) == case["published"]["rho"]
        assert (result.n_used, result.reason) == (500, "")

    @pytest.mark.parametrize("table", [[[30, 20], [20, 30]], [[5, 45], [45, 5]], [[25, 25], [25, 25]]])
    def test_median_splits_have_a_closed_solution(self, table):
        # P(both low) = 1/4 + arcsin(rho) / 2π (Sheppard 1899, from memory).
        both = table[0][0] / np.sum(table)
        value = polychoric_correlation(*pairs_of(table)).value
        # A maximum is found to about the square root of double precision.
        assert value == pytest.approx(np.sin(2 * np.pi * (both - 0.25)), abs=1e-7)

    def test_is_the_maximum_of_scipys_likelihood(self):
        table = np.array([[12, 5, 1], [8, 14, 6], [2, 9, 15]])
        x, y = pairs_of(table)
        value = polychoric_correlation(x, y).value
        cuts = [np.concatenate([[-9], norm.ppf(np.cumsum(m)[:-1] / 72), [9]]) for m in (table.sum(1), table.sum(0))]

        def misfit(rho: float) -> float:
            joint = multivariate_normal(cov=[[1, rho], [rho, 1]])
            cumulated = np.array([[joint.cdf([h, k]) for k in cuts[1]] for h in cuts[0]])
            return -float((table * np.log(np.diff(np.diff(cumulated, axis=0), axis=1))).sum())

        found = minimize_scalar(misfit, bounds=(0.3, 0.9), method="bounded", options={"xatol": 1e-8})
        # scipy's bivariate probabilities carry an error of about 1e-8, which a flat maximum enlarges.
        assert value == pytest.approx(found.x, abs=1e-5)

    def test_many_categories_approach_the_correlation(self):
        rng = np.random.default_rng(8)
        x = rng.normal(size=800)
        y = 0.6 * x + 0.8 * rng.normal(size=800)
        assert polychoric_correlation(x, y).value == pytest.approx(pingouin.corr(x, y)["r"].iloc[0], abs=0.02)

    @FEW
    @given(LIKERT)
    def test_is_symmetric_and_reverses_sign(self, answers):
        x, y = answers[:, 0], answers[:, 1]
        value = polychoric_correlation(x, y).value
        assert isnan(value) or -1 <= value <= 1
        # Two searches for one flat maximum: looser than 1e-8.
        assert polychoric_correlation(y, x).value == pytest.approx(value, abs=1e-5, nan_ok=True)
        assert polychoric_correlation(x, -3 * y).value == pytest.approx(-value, abs=1e-5, nan_ok=True)
        assert polychoric_correlation(x**3, y).value == pytest.approx(value, abs=1e-5, nan_ok=True)

    @pytest.mark.parametrize(
        "table", [[[5, 0], [0, 5]], [[5, 3], [0, 4]], [[4, 0, 0], [0, 6, 0], [0, 0, 9]], [[9, 9, 0], [0, 0, 9]]]
    )
    def test_empty_corner_leads_to_the_bound(self, table):
        result = polychoric_correlation(*pairs_of(table))
        assert result.value == 1
        assert "bound" in result.reason
        mirrored = polychoric_correlation(*pairs_of(np.fliplr(table)))
        assert mirrored.value == -1

    def test_constant_short_and_missing(self):
        assert polychoric_correlation([1, 1, 1], [1, 2, 3]).reason.startswith("x constant")
        assert polychoric_correlation([1, 2], [3, 3]).reason.startswith("y constant")
        result = polychoric_correlation([1, None, 2], [None, 1, 2])
        assert isnan(result.value)
        assert (result.n_used, result.n_dropped) == (1, 2)

    def test_unequal_lengths_are_refused(self):
        with pytest.raises(ArgumentError, match="`x` has 2 values and `y` has 3"):
            polychoric_correlation([1, 2], [1, 2, 3])


class TestOrdinalAlpha:
    def test_conscientiousness(self, published):
        # R polycor 0.8.1 and psych 2.2.9 without zero-cell correction; Zumbo et al. 2007.
        case = published["ord_alpha_bfi_consc"]
        expected = expected_of(case)
        result = ordinal_alpha(item_table(case))
        assert result.value == expected("ordinal_alpha")
        for i in range(5):
            for j in range(i + 1, 5):
                assert result.correlations[i, j] == expected(f"rho.C{i + 1}.C{j + 1}")
        assert (result.n_used, result.n_items, result.reason) == (150, 5, "")

    def test_median_splits_have_a_closed_solution(self):
        x, y = pairs_of([[30, 10], [10, 30]])
        rho = np.sin(2 * np.pi * (30 / 80 - 0.25))
        assert ordinal_alpha(np.column_stack([x, y])).value == pytest.approx(2 * rho / (1 + rho), abs=1e-7)

    def test_reversing_all_items_and_permuting_people_change_nothing(self, rng):
        answers = one_factor_answers(rng, n=40, k=3)
        value = ordinal_alpha(answers).value
        assert ordinal_alpha(8 - answers).value == pytest.approx(value, abs=1e-7)
        assert ordinal_alpha(answers[rng.permutation(40)]).value == pytest.approx(value, abs=1e-12)

    def test_constant_item_one_item_one_participant(self):
        assert ordinal_alpha([[1, 2], [1, 3], [1, 1]]).reason == "Item 1 is constant."
        assert "1 item(s)" in ordinal_alpha([[1], [2]]).reason
        assert "1 participant(s)" in ordinal_alpha([[1, 2], [None, 2]]).reason

    def test_correlation_at_its_bound_is_said(self):
        result = ordinal_alpha([[1, 1, 1], [2, 2, 1], [1, 1, 2], [2, 2, 2], [2, 2, 2]])
        assert "items 1 and 2" in result.reason
        assert result.value > 0

    def test_mirrored_items_are_undefined(self):
        result = ordinal_alpha([[1, 2], [2, 1], [1, 2], [2, 1]])
        assert isnan(result.value)
        assert "too negative" in result.reason


def long_rows(table: np.ndarray) -> dict[str, Any]:
    """(participants, conditions, items) as the arguments of within_between_alpha."""
    people, conditions, items = table.shape
    return {
        "answers": table.reshape(-1, items),
        "participant": np.repeat([f"P{i}" for i in range(people)], conditions),
        "condition": list(range(conditions)) * people,
    }


def two_level_answers(rng: np.random.Generator, people: int = 12, conditions: int = 4, items: int = 5) -> np.ndarray:
    person, cell = rng.normal(size=(people, 1, 1)), rng.normal(size=(people, conditions, 1))
    means = 2 * rng.normal(size=(1, conditions, items))
    return person + 0.7 * cell + means + rng.normal(size=(people, conditions, items))


def cranford_rc(table: np.ndarray) -> float:
    """R_C of Cranford et al. 2006 from the variance components of a person x occasion x item table (formula from memory)."""
    n, d, k = table.shape
    pd_means, pi_means, di_means = table.mean(2), table.mean(1), table.mean(0)
    p, o, i, grand = table.mean((1, 2)), table.mean((0, 2)), table.mean((0, 1)), table.mean()
    person_by_occasion = pd_means - p[:, None] - o[None, :] + grand
    residual = (
        table - pd_means[:, :, None] - pi_means[:, None, :] - di_means[None, :, :]
        + p[:, None, None] + o[None, :, None] + i[None, None, :] - grand
    )  # fmt: skip
    ms_person_by_occasion = k * (person_by_occasion**2).sum() / ((n - 1) * (d - 1))
    ms_residual = (residual**2).sum() / ((n - 1) * (d - 1) * (k - 1))
    component = (ms_person_by_occasion - ms_residual) / k
    return component / (component + ms_residual / k)


def by_least_squares(rows: dict[str, Any]) -> tuple[float, float]:
    """Both alphas from statsmodels' OLS residuals, item by item, with and without participants."""
    participants = pd.get_dummies(pd.Series(rows["participant"]).astype(str), dtype=float).to_numpy()
    conditions = pd.get_dummies(pd.Series(rows["condition"]).astype(str), dtype=float).to_numpy()
    answers = np.asarray(rows["answers"], float)

    def products(design: np.ndarray) -> tuple[np.ndarray, float]:
        fits = [OLS(column, design).fit() for column in answers.T]
        residuals = np.column_stack([fit.resid for fit in fits])
        return residuals.T @ residuals, len(answers) - np.linalg.matrix_rank(design)

    def alpha(covariance: np.ndarray) -> float:
        k, total = len(covariance), covariance.sum()
        return k / (k - 1) * (1 - np.trace(covariance) / total) if total > 0 else np.nan

    full, full_df = products(np.column_stack([participants, conditions[:, 1:]]))
    reduced, reduced_df = products(conditions)
    within = full / full_df
    return alpha(within), alpha((reduced - full) / (reduced_df - full_df) - within)


class TestWithinBetweenAlpha:
    def test_within_is_cranfords_rc(self, rng):
        table = two_level_answers(rng)
        result = within_between_alpha(**long_rows(table))
        assert result.within.value == pytest.approx(cranford_rc(table), abs=1e-10)
        assert (result.n_used, result.n_dropped, result.n_participants, result.n_conditions, result.n_items) == (
            48,
            0,
            12,
            4,
            5,
        )
        assert result.reason == ""
        assert isnan(result.within.interval.low)

    def test_between_from_mean_squares(self, rng):
        table = two_level_answers(rng)
        people, conditions, items = table.shape
        between = conditions * np.cov(table.mean(axis=1).T)
        centered = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean(axis=(0, 1))
        within = np.einsum("pci,pcj->ij", centered, centered) / ((people - 1) * (conditions - 1))
        covariance = (between - within) / conditions
        alpha = items / (items - 1) * (1 - np.trace(covariance) / covariance.sum())
        assert within_between_alpha(**long_rows(table)).between.value == pytest.approx(alpha, abs=1e-10)

    @pytest.mark.parametrize("lacking", [0, 5, 14])
    def test_lacking_conditions_agree_with_least_squares(self, rng, lacking):
        rows = long_rows(two_level_answers(rng))
        rows["answers"][rng.choice(48, lacking, replace=False), 0] = np.nan
        whole = ~np.isnan(rows["answers"]).any(axis=1)
        kept = {name: np.asarray(values)[whole] for name, values in rows.items()}
        result = within_between_alpha(**rows)
        assert [result.within.value, result.between.value] == pytest.approx(by_least_squares(kept), abs=1e-9)
        assert (result.n_used, result.n_dropped) == (48 - lacking, lacking)

    @pytest.mark.parametrize("lacking", [0, 6])
    def test_bootstrap_draws_whole_participants(self, rng, lacking):
        rows = long_rows(two_level_answers(rng, people=8, conditions=3, items=3))
        dropped = rng.choice(24, lacking, replace=False)
        rows = {name: np.delete(np.asarray(values), dropped, axis=0) for name, values in rows.items()}
        result = within_between_alpha(**rows, resamples=15, rng=np.random.default_rng(5))
        labels, same, draws = list(dict.fromkeys(rows["participant"])), np.random.default_rng(5), []
        for _ in range(15):
            # Each drawn participant comes in as a person of their own.
            picked = [
                np.flatnonzero(rows["participant"] == labels[p]) for p in same.integers(0, len(labels), len(labels))
            ]
            index = np.concatenate(picked)
            people = np.repeat(np.arange(len(picked)), [len(rows_of) for rows_of in picked])
            draws.append(
                by_least_squares(
                    {"answers": rows["answers"][index], "participant": people, "condition": rows["condition"][index]}
                )
            )
        expected = np.nanquantile(draws, [0.025, 0.975], axis=0)
        within, between = result.within.interval, result.between.interval
        assert [within.low, within.high] == pytest.approx(expected[:, 0].tolist(), abs=1e-8)
        assert [between.low, between.high] == pytest.approx(expected[:, 1].tolist(), abs=1e-8)
        assert "clusters" in between.method

    @FEW
    @given(st.integers(0, 10**6))
    def test_order_condition_effects_and_reversal_change_nothing(self, seed):
        rng = np.random.default_rng(seed)
        table = two_level_answers(rng, people=6, conditions=3, items=3)
        before = within_between_alpha(**long_rows(table))
        shuffled = rng.permutation(18)
        moved = {name: np.asarray(values)[shuffled] for name, values in long_rows(table).items()}
        raised = long_rows(table + rng.normal(size=(1, 3, 3)) * 10)
        for other in (moved, raised, long_rows(8 - table)):
            after = within_between_alpha(**other)
            assert [after.within.value, after.between.value] == pytest.approx(
                [before.within.value, before.between.value], rel=1e-6, abs=1e-8, nan_ok=True
            )

    def test_differences_between_people_leave_within_alone(self, rng):
        table = two_level_answers(rng)
        raised = table + 20 * rng.normal(size=(12, 1, 1))
        before, after = within_between_alpha(**long_rows(table)), within_between_alpha(**long_rows(raised))
        assert after.within.value == pytest.approx(before.within.value, abs=1e-8)
        assert after.between.value > 0.99

    def test_one_condition_one_participant_one_item(self, rng):
        table = two_level_answers(rng)
        for part, word in (
            (table[:, :1], "1 condition(s)"),
            (table[:1], "1 participant(s)"),
            (table[:, :, :1], "1 item(s)"),
        ):
            result = within_between_alpha(**long_rows(part), resamples=5, rng=rng)
            assert isnan(result.within.value)
            assert isnan(result.between.value)
            assert word in result.reason

    def test_everyone_in_one_condition_only(self):
        result = within_between_alpha(
            [[1, 2], [3, 3], [4, 5], [2, 1]], participant=[1, 2, 3, 4], condition=["a", "b", "a", "b"]
        )
        assert isnan(result.within.value)
        assert isnan(result.between.value)
        assert "several conditions" in result.reason

    def test_no_variation_within(self):
        people, conditions = np.arange(5.0)[:, None, None], np.array([0.1, 0.2, 0.7])[None, :, None]
        table = np.repeat(people + conditions, 3, axis=2)
        result = within_between_alpha(**long_rows(table))
        assert isnan(result.within.value)
        assert result.between.value == pytest.approx(1)
        assert "Within needs" in result.reason

    def test_no_variation_between(self):
        pattern = np.array([[0, 1, 2], [1, 2, 0], [2, 0, 1]], float)
        result = within_between_alpha(**long_rows(np.repeat(pattern[:, :, None], 2, axis=2)))
        assert isnan(result.between.value)
        assert result.within.value == pytest.approx(1)
        assert "between is undefined" in result.reason

    def test_all_missing(self):
        result = within_between_alpha(np.full((4, 3), np.nan), participant=[1, 1, 2, 2], condition=[1, 2, 1, 2])
        assert isnan(result.within.value)
        assert (result.n_used, result.n_dropped, result.n_participants) == (0, 4, 0)

    def test_second_row_for_a_cell_is_refused(self):
        with pytest.raises(ArgumentError, match="`participant` B has a second row for one condition, row 4"):
            within_between_alpha(np.eye(4), participant=list("AABB"), condition=[1, 2, 1, 1])

    @pytest.mark.parametrize("gap", [None, float("nan")])
    def test_missing_label_is_refused(self, gap):
        with pytest.raises(ArgumentError, match="`condition` has no label in row 2"):
            within_between_alpha(np.eye(3), participant=[1, 2, 3], condition=["a", gap, "b"])

    def test_labels_may_be_a_series_with_its_own_index(self, rng):
        rows = long_rows(two_level_answers(rng))
        index = np.arange(48) * 7 + 3
        series = {name: pd.Series(rows[name], index=index) for name in ("participant", "condition")}
        assert within_between_alpha(rows["answers"], **series).within.value == within_between_alpha(**rows).within.value

    def test_a_table_of_labels_is_refused(self):
        with pytest.raises(ArgumentError, match="`participant` has 2 dimensions"):
            within_between_alpha(np.eye(3), participant=np.ones((3, 1)), condition=[1, 2, 3])

    def test_labels_of_another_length_are_refused(self):
        with pytest.raises(ArgumentError, match="`answers` has 3 values and `participant` has 2"):
            within_between_alpha(np.eye(3), participant=[1, 2], condition=[1, 2, 3])


ON_ANSWERS = [
    cronbach_alpha,
    omega_total,
    item_analysis,
    spearman_brown,
    standard_error_of_measurement,
    ordinal_alpha,
    intraclass_correlations,
]


@pytest.mark.parametrize("statistic", ON_ANSWERS)
class TestArguments:
    def test_text_is_refused(self, statistic):
        with pytest.raises(WorkbenchError, match=r"`(answers|ratings)` holds something that is not a number"):
            statistic([["agree", 2], [3, 4]])

    def test_infinity_is_refused(self, statistic):
        with pytest.raises(WorkbenchError, match="infinite"):
            statistic([[np.inf, 2], [3, 4]])

    @pytest.mark.parametrize("shape", [(4,), (2, 2, 2)])
    def test_wrong_shape_is_refused(self, statistic, shape):
        with pytest.raises(WorkbenchError, match="dimension"):
            statistic(np.ones(shape))

    def test_no_columns_are_refused(self, statistic):
        with pytest.raises(WorkbenchError, match="0 "):
            statistic(np.ones((3, 0)))

    def test_arguments_are_left_as_they_were(self, statistic):
        answers = np.array([[1, 2], [2, 4], [np.nan, 1], [4, 3], [5, 5]])
        before = answers.copy()
        statistic(answers)
        assert np.array_equal(answers, before, equal_nan=True)


@pytest.mark.parametrize("statistic", [cronbach_alpha, omega_total])
def test_resampling_without_rng_and_impossible_levels_are_refused(statistic):
    answers = np.arange(12.0).reshape(4, 3) ** 2 % 7
    with pytest.raises(ArgumentError, match="without `rng`"):
        statistic(answers, resamples=10)
    with pytest.raises(ArgumentError, match="`level`"):
        statistic(answers, level=95)
