"""Friedman, signed-rank, rank-sum, equivalence, adjusted p, Cochran, McNemar, Skillings-Mack and Page.

Expected values come from the published cases (`published`), from counting every arrangement here, from scipy
1.17.1 and statsmodels 0.15.0, or from a formula worked out in the test.
"""

from __future__ import annotations

import doctest
import math
from collections.abc import Callable, Iterator
from itertools import combinations, permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import stats
from statsmodels.stats.contingency_tables import cochrans_q
from statsmodels.stats.contingency_tables import mcnemar as statsmodels_mcnemar
from statsmodels.stats.multitest import multipletests

from workbench.errors import ArgumentError, WorkbenchError
from workbench.stats import comparison
from workbench.stats._exact import RandomOrders
from workbench.stats.comparison import (
    adjust,
    cochran_q,
    equivalence,
    friedman,
    mcnemar,
    page_trend,
    rank_sum,
    signed_rank,
    skillings_mack,
)

CLOSE = {"rel": 1e-8, "abs": 1e-12}


def case(published: dict, name: str) -> tuple[dict, dict, dict]:
    """Inputs, expected values, and the case's own tolerance as arguments of pytest.approx."""
    found = published[name]
    return found["inputs"], found["expected"], {"rel": found["tolerance"], "abs": found["tolerance"]}


def likert(seed: int, shape: tuple[int, ...], levels: int = 7) -> np.ndarray:
    return np.random.default_rng(seed).integers(1, levels + 1, shape).astype(float)


# Counting every arrangement: slow, written apart from the code under test.


def all_row_orders(table: np.ndarray) -> Iterator[np.ndarray]:
    for rows in product(*(list(permutations(row)) for row in table)):
        yield np.array(rows)


def share(values: list[bool]) -> float:
    return sum(values) / len(values)


def friedman_p_by_counting(table: np.ndarray) -> float:
    ranks = stats.rankdata(table, axis=1)
    observed = (ranks.sum(axis=0) ** 2).sum()
    return share([(rows.sum(axis=0) ** 2).sum() >= observed - 1e-9 for rows in all_row_orders(ranks)])


def page_p_by_counting(table: np.ndarray) -> float:
    ranks = stats.rankdata(table, axis=1)
    weights = np.arange(1, table.shape[1] + 1)
    observed = (ranks @ weights).sum()
    return share([(rows @ weights).sum() >= observed - 1e-9 for rows in all_row_orders(ranks)])


def signed_ranks_by_hand(differences: np.ndarray, zeros: str) -> np.ndarray:
    kept = differences if zeros == "pratt" else differences[differences != 0]
    return (np.sign(kept) * stats.rankdata(np.abs(kept)))[kept != 0]


def sign_flips(ranks: np.ndarray) -> np.ndarray:
    """W+ under every assignment of signs."""
    return np.array(
        [sum(r for r, s in zip(np.abs(ranks), signs, strict=True) if s) for signs in product([0, 1], repeat=len(ranks))]
    )


def rank_sum_p_by_counting(x: np.ndarray, y: np.ndarray) -> float:
    ranks = stats.rankdata(np.concatenate((x, y)))
    mean = len(x) * ranks.mean()
    observed = abs(ranks[: len(x)].sum() - mean)
    return share([abs(sum(chosen) - mean) >= observed - 1e-9 for chosen in combinations(ranks, len(x))])


# Published cases


@pytest.mark.parametrize("name", ["fried_rounding_times", "fried_demsar", "fried_quade_exact"])
def test_friedman_gives_the_published_values(published: dict, name: str) -> None:
    """Hollander & Wolfe 1973 p. 140; Demsar 2006 (figures from memory, reproduced); Quade 1979 p. 683."""
    inputs, expected, close = case(published, name)
    result = friedman(inputs.get("published_ranks", inputs["blocks_by_treatments"]))
    assert result.chi_square == pytest.approx(expected["chi2"], **close)
    assert result.df == expected["df"]
    assert result.p_asymptotic == pytest.approx(expected["p"], **close)
    assert result.kendall_w == pytest.approx(expected["kendall_w"], **close)
    assert result.f == pytest.approx(expected["iman_davenport_F"], **close)
    assert (result.f_df1, result.f_df2) == (expected["F_df1"], expected["F_df2"])
    assert result.p_f == pytest.approx(expected["F_p"], **close)
    assert (result.n_used, result.n_dropped, result.reason) == (expected["n"], 0, "")
    assert (result.exact_method, result.p_exact_error) == ("enumeration", 0.0)
    if "exact_p" in expected:
        assert result.p_exact == pytest.approx(expected["exact_p"], **close)
    if "rank_sum.A" in expected:
        assert result.mean_ranks * result.n_used == pytest.approx([expected[f"rank_sum.{c}"] for c in "ABC"], **close)


def test_friedman_on_the_ranks_that_demsar_printed(published: dict) -> None:
    """1 = best there, so ranks are handed in as scores; Demsar 2006, figures from memory, reproduced."""
    inputs, expected, close = case(published, "fried_demsar")
    result = friedman(inputs["published_ranks"])
    assert result.mean_ranks == pytest.approx([expected[f"mean_rank.{c}"] for c in "ABCD"], **close)
    result = friedman(-np.array(inputs["blocks_by_treatments"]))
    assert result.mean_ranks == pytest.approx([expected[f"mean_rank_printed_table.{c}"] for c in "ABCD"], **close)
    assert result.chi_square == pytest.approx(expected["chi2_printed_table"], **close)


def test_friedman_exact_table_for_three_conditions(published: dict) -> None:
    """Siegel 1956 table N (from memory): a table without ties whose chi-square is the printed point."""
    inputs, expected, close = case(published, "fried_exact_table_k3")
    orders = [list(order) for order in permutations([1.0, 2.0, 3.0])]
    for n, point in inputs["points"]:
        table = _table_with_chi_square(orders, n, point)
        assert friedman(table).p_exact == pytest.approx(expected[f"p.n{n}"], **close)


def _table_with_chi_square(orders: list[list[float]], n: int, point: float) -> np.ndarray:
    draws = np.random.default_rng(3)
    while True:
        table = np.array([orders[i] for i in draws.integers(0, 6, n)])
        if abs(12 * (table.sum(axis=0) ** 2).sum() / (n * 12) - 12 * n - point) < 1e-9:
            return table


@pytest.mark.parametrize("name", ["wilc_depression", "wilc_kerby_ties_zero", "wilc_likert_mixed"])
@pytest.mark.parametrize("zeros", ["pratt", "drop"])
def test_signed_rank_gives_the_published_values(published: dict, name: str, zeros: str) -> None:
    """Hollander & Wolfe 1973 p. 29; a teaching table with Kerby 2014's formula (from memory); a constructed table."""
    inputs, expected, close = case(published, name)
    result = signed_rank(inputs["x"], inputs["y"], zeros=zeros)
    rule = "pratt" if zeros == "pratt" and "z_no_cc_pratt" in expected else "wilcoxon"
    plus, minus = ("W_plus_pratt", "W_minus_pratt") if zeros == "pratt" else ("W_plus", "W_minus")
    assert (result.w_plus, result.w_minus) == (expected[plus], expected[minus])
    assert result.z == pytest.approx(expected[f"z_no_cc_{rule}"], **close)
    assert result.p_asymptotic == pytest.approx(expected[f"p_asym_two_sided_no_cc_{rule}"], **close)
    assert result.p_exact == pytest.approx(expected[f"exact_p_two_sided_{rule}"], **close)
    assert result.exact_method == "enumeration"
    assert (result.n_pairs, result.n_nonzero) == (expected["n_pairs"], expected["n_nonzero"])
    assert result.hodges_lehmann == pytest.approx(expected["hl_all_walsh"], **close)
    if zeros == "drop":
        assert result.rank_biserial == pytest.approx(expected["rank_biserial"], **close)
    else:
        by_hand = (expected[plus] - expected[minus]) / (expected[plus] + expected[minus])
        assert result.rank_biserial == pytest.approx(by_hand, **close)
    assert result.smallest_attainable_p == 2 / 2 ** expected["n_nonzero"]


def test_signed_rank_interval_and_continuity_correction(published: dict) -> None:
    """Hollander & Wolfe 1999 p. 53: the interval of the depression data."""
    inputs, expected, close = case(published, "wilc_depression")
    result = signed_rank(inputs["x"], inputs["y"])
    interval = result.hodges_lehmann_interval
    assert (interval.low, interval.high) == pytest.approx((expected["hl_ci95_low"], expected["hl_ci95_high"]), **close)
    assert interval.level == pytest.approx(expected["achieved_conf"], **close)
    assert 2 * stats.norm.sf(result.z_corrected) == pytest.approx(expected["p_two_sided_cc_asymptotic"], **close)


@pytest.mark.parametrize(
    ("method", "key"),
    [("holm", "holm"), ("bonferroni", "bonferroni"), ("hochberg", "hochberg"), ("benjamini-hochberg", "bh")],
)
def test_adjust_gives_the_published_values(published: dict, method: str, key: str) -> None:
    """Benjamini & Hochberg 1995, section 4.1 (p values from memory, counts of rejections reproduced)."""
    inputs, expected, close = case(published, "padj_bh1995")
    result = adjust(inputs["p"], method=method)
    assert result == pytest.approx(expected[key], **close)
    assert (result <= 0.05).sum() == expected[f"rejected_{key}_05"]


def test_pairwise_pipeline_ties_rounded_times(published: dict) -> None:
    """Hollander & Wolfe 1973 p. 140; R coin 1.4.2. 5.50 - 5.45 and 5.55 - 5.50 must tie."""
    inputs, expected, close = case(published, "pipeline_rounding_posthoc")
    times = np.array(inputs["blocks_by_treatments"])
    p = [signed_rank(times[:, i], times[:, j], zeros="drop").p_exact for i, j in combinations(range(3), 2)]
    assert p == pytest.approx(expected["exact_p"], **close)
    assert adjust(p) == pytest.approx(expected["holm"], **close)
    assert adjust(p, method="bonferroni") == pytest.approx(expected["bonferroni"], **close)


def test_cochran_q_and_mcnemar_on_the_four_media(published: dict) -> None:
    """Cochran 1950, Biometrika 37:256, table 2."""
    inputs, expected, close = case(published, "cochran_q_1950")
    table = np.repeat(inputs["patterns"], inputs["counts"], axis=0)
    result = cochran_q(table)
    assert result.q == pytest.approx(expected["Q"], **close)
    assert result.p_asymptotic == pytest.approx(expected["p"], **close)
    assert (result.df, result.n_used) == (expected["df"], expected["n_cases"])
    assert result.positives.tolist() == [expected[f"successes.{j}"] for j in range(1, 5)]
    for i, j in combinations(range(4), 2):
        assert mcnemar(table[:, i], table[:, j]).p_exact == pytest.approx(
            expected[f"mcnemar_exact_p.{i + 1}-{j + 1}"], **close
        )


def test_mcnemar_on_the_approval_ratings(published: dict) -> None:
    """Agresti 1990 p. 350 (17.36 from memory, reproduced)."""
    inputs, expected, close = case(published, "mcnemar_approval")
    (both, only_x), (only_y, neither) = inputs["table"]
    x = np.repeat([1, 1, 0, 0], [both, only_x, only_y, neither])
    y = np.repeat([1, 0, 1, 0], [both, only_x, only_y, neither])
    result = mcnemar(x, y)
    assert (result.b, result.c) == (expected["b"], expected["c"])
    assert result.chi_square == pytest.approx(expected["chi2"], **close)
    assert result.p_asymptotic == pytest.approx(expected["p"], rel=1e-6)
    assert result.p_exact == pytest.approx(expected["exact_p"], rel=1e-6)


def test_page_trend_on_the_cotton_data(published: dict) -> None:
    """Hollander & Wolfe 1999 p. 286 (L = 158 from memory)."""
    inputs, expected, close = case(published, "page_cotton")
    result = page_trend(inputs["blocks_by_treatments"])
    assert result.statistic == expected["L"]
    assert result.z == pytest.approx(expected["z"], **close)
    assert result.p_asymptotic == pytest.approx(expected["p_asym_one_sided"], **close)
    assert result.p_exact == pytest.approx(expected["p_exact_one_sided"], **close)


def test_skillings_mack_on_the_assembly_data(published: dict) -> None:
    """Skillings & Mack 1981, table 1 (T = 15.49 from memory)."""
    inputs, expected, close = case(published, "skillings_mack_assembly")
    result = skillings_mack(inputs["blocks_by_treatments"])
    assert result.statistic == pytest.approx(expected["T"], **close)
    assert result.p_asymptotic == pytest.approx(expected["p"], **close)
    assert (result.df, result.n_used, result.n_dropped) == (expected["df"], 9, 0)


# Second routes


@pytest.mark.parametrize(("n", "k", "levels"), [(5, 3, 7), (6, 3, 3), (3, 4, 5), (3, 4, 3), (2, 5, 4), (9, 2, 3)])
@pytest.mark.parametrize("seed", range(3))
def test_friedman_p_exact_by_counting_every_arrangement(n: int, k: int, levels: int, seed: int) -> None:
    table = likert(seed, (n, k), levels)
    assert friedman(table).p_exact == pytest.approx(friedman_p_by_counting(table), **CLOSE)


@pytest.mark.parametrize("k", [3, 4, 6])
def test_friedman_chi_square_in_scipy(k: int) -> None:
    table = likert(k, (20, k))
    statistic, p = stats.friedmanchisquare(*table.T)
    result = friedman(table, exact="never")
    assert (result.chi_square, result.p_asymptotic) == pytest.approx((statistic, p), **CLOSE)


@pytest.mark.parametrize(("n", "k"), [(40, 3), (24, 4)])
def test_friedman_p_exact_within_monte_carlo_error(n: int, k: int) -> None:
    """An independent draw of 20 000 arrangements, 4.5 standard errors wide."""
    table = likert(n, (n, k)) + np.linspace(0, 1.2, k).round()
    ranks = stats.rankdata(table, axis=1)
    observed = (ranks.sum(axis=0) ** 2).sum()
    draws = np.random.default_rng(5)
    hits = [(draws.permuted(ranks, axis=1).sum(axis=0) ** 2).sum() >= observed - 1e-9 for _ in range(20_000)]
    expected = np.mean(hits)
    p = friedman(table).p_exact
    assert abs(p - expected) < 4.5 * math.sqrt(p * (1 - p) / len(hits))


@pytest.mark.parametrize(("n", "k"), [(60, 3), (40, 4), (8, 5), (4, 6)])
def test_friedman_p_exact_of_full_agreement(n: int, k: int) -> None:
    """k! of (k!)^n arrangements agree fully, which also shows that small probabilities keep their accuracy."""
    result = friedman(np.tile(np.arange(k), (n, 1)))
    assert result.exact_method == "enumeration"
    assert result.p_exact == pytest.approx(math.factorial(k) ** (1 - n), rel=1e-9)


@pytest.mark.parametrize("zeros", ["pratt", "drop"])
@pytest.mark.parametrize("seed", range(6))
def test_signed_rank_by_counting_every_sign_flip(zeros: str, seed: int) -> None:
    x, y = likert(seed, (2, 11))
    x[: 4 * (seed % 2)] = y[: 4 * (seed % 2)]
    ranks = signed_ranks_by_hand(x - y, zeros)
    flips, plus = sign_flips(ranks), ranks[ranks > 0].sum()
    middle = flips.mean()
    result = signed_rank(x, y, zeros=zeros)
    assert result.w_plus == plus
    assert result.w_minus == -ranks[ranks < 0].sum()
    assert result.p_exact == pytest.approx(share(list(np.abs(flips - middle) >= abs(plus - middle) - 1e-9)), **CLOSE)
    assert result.z == pytest.approx((plus - middle) / flips.std(), **CLOSE)


@pytest.mark.parametrize(("zeros", "method"), [("pratt", "pratt"), ("drop", "wilcox")])
def test_signed_rank_in_scipy(zeros: str, method: str) -> None:
    x, y = likert(4, (2, 10))
    result = signed_rank(x, y, zeros=zeros)
    every = stats.wilcoxon(x, y, zero_method=method, method=stats.PermutationMethod(n_resamples=np.inf))
    normal = stats.wilcoxon(x, y, zero_method=method, method="asymptotic", correction=False)
    corrected = stats.wilcoxon(x, y, zero_method=method, method="asymptotic", correction=True)
    assert result.p_exact == pytest.approx(every.pvalue, **CLOSE)
    assert result.p_asymptotic == pytest.approx(normal.pvalue, **CLOSE)
    assert 2 * stats.norm.sf(abs(result.z_corrected)) == pytest.approx(corrected.pvalue, **CLOSE)


@pytest.mark.parametrize("n", [30, 50, 200])
def test_signed_rank_without_ties_in_scipy(n: int) -> None:
    """scipy's exact method is right without ties and zeros; its table and ours are counted differently."""
    d = np.random.default_rng(n).normal(0.3, 1, n)
    assert signed_rank(d, np.zeros(n)).p_exact == pytest.approx(stats.wilcoxon(d, method="exact").pvalue, rel=1e-8)


@pytest.mark.parametrize("n", [6, 9, 13])
def test_hodges_lehmann_and_its_order_statistics_by_counting(n: int) -> None:
    """The interval starts at the c-th Walsh average, c the largest with P(W+ < c) <= .025 over all sign flips."""
    x, y = likert(n, (2, n))
    walsh = sorted((a + b) / 2 for i, a in enumerate(x - y) for b in (x - y)[i:])
    flips = sign_flips(np.arange(1.0, n + 1))
    c = max(c for c in range(1, len(walsh)) if np.mean(flips < c) <= 0.025)
    result = signed_rank(x, y)
    interval = result.hodges_lehmann_interval
    assert result.hodges_lehmann == np.median(walsh)
    assert (interval.low, interval.high) == (walsh[c - 1], walsh[-c])
    assert interval.level == pytest.approx(1 - 2 * np.mean(flips < c), **CLOSE)


@pytest.mark.parametrize("seed", range(4))
def test_hodges_lehmann_interval_inverts_the_exact_test_without_ties(seed: int) -> None:
    d = np.random.default_rng(seed).normal(0.5, 1, 12)
    interval = signed_rank(d, np.zeros(12)).hodges_lehmann_interval
    for bound, inside in ((interval.low, 1e-6), (interval.high, -1e-6)):
        assert stats.wilcoxon(d - bound - inside, method="exact").pvalue > 0.05
        assert stats.wilcoxon(d - bound + inside, method="exact").pvalue <= 0.05
    assert 1 - interval.level == pytest.approx(stats.wilcoxon(d - interval.low + 1e-6, method="exact").pvalue, **CLOSE)


@pytest.mark.parametrize("zeros", ["pratt", "drop"])
def test_rank_biserial_interval_by_leaving_each_person_out(zeros: str) -> None:
    x, y = likert(8, (2, 18))
    x[:5] = y[:5]
    d = x - y if zeros == "pratt" else (x - y)[x != y]

    def effect(differences: np.ndarray) -> float:
        ranks = signed_ranks_by_hand(differences, zeros)
        return ranks.sum() / np.abs(ranks).sum()

    left_out = np.array([effect(np.delete(d, i)) for i in range(len(d))])
    error = math.sqrt((len(d) - 1) / len(d) * ((left_out - left_out.mean()) ** 2).sum())
    value = effect(d)
    ends = np.tanh(np.arctanh(value) + np.array([-1, 1]) * stats.norm.ppf(0.95) * error / (1 - value**2))
    result = signed_rank(x, y, zeros=zeros, level=0.9)
    assert result.rank_biserial == pytest.approx(value, **CLOSE)
    assert (result.rank_biserial_interval.low, result.rank_biserial_interval.high) == pytest.approx(
        tuple(ends), **CLOSE
    )


@pytest.mark.parametrize(("n_x", "n_y", "levels"), [(6, 6, 7), (4, 8, 3), (9, 3, 4), (1, 7, 5), (7, 5, 100)])
@pytest.mark.parametrize("seed", range(3))
def test_rank_sum_by_counting_every_split(n_x: int, n_y: int, levels: int, seed: int) -> None:
    x, y = likert(seed, (n_x,), levels), likert(seed + 50, (n_y,), levels)
    assert rank_sum(x, y).p_exact == pytest.approx(rank_sum_p_by_counting(x, y), **CLOSE)


def test_rank_sum_in_scipy() -> None:
    x, y = likert(1, (15,)), likert(2, (19,)) + 1
    normal = stats.mannwhitneyu(x, y, method="asymptotic", use_continuity=False)
    result = rank_sum(x, y)
    assert (result.u, result.p_asymptotic) == pytest.approx((normal.statistic, normal.pvalue), **CLOSE)
    assert result.rank_biserial == pytest.approx(2 * normal.statistic / (15 * 19) - 1, **CLOSE)
    assert result.hodges_lehmann == np.median(np.subtract.outer(x, y))
    untied = np.random.default_rng(1).normal(0, 1, (2, 20)) + np.array([[0], [0.6]])
    assert rank_sum(*untied).p_exact == pytest.approx(stats.mannwhitneyu(*untied, method="exact").pvalue, rel=1e-8)


@pytest.mark.parametrize(("n_x", "n_y"), [(9, 7), (7, 9)])
def test_rank_sum_interval_inverts_the_exact_test_without_ties(n_x: int, n_y: int) -> None:
    draws = np.random.default_rng(6)
    x, y = draws.normal(1, 1, n_x), draws.normal(0, 1, n_y)
    interval = rank_sum(x, y).hodges_lehmann_interval
    for bound, inside in ((interval.low, 1e-6), (interval.high, -1e-6)):
        assert stats.mannwhitneyu(x - bound - inside, y, method="exact").pvalue > 0.05
        assert stats.mannwhitneyu(x - bound + inside, y, method="exact").pvalue <= 0.05


def test_rank_sum_interval_of_rank_biserial_from_placements() -> None:
    """DeLong et al. 1988, the placements written out."""
    x, y = likert(1, (9,)), likert(2, (12,)) - 1
    at_x = [np.mean([(a > b) + (a == b) / 2 for b in y]) for a in x]
    at_y = [np.mean([(a > b) + (a == b) / 2 for a in x]) for b in y]
    error = 2 * math.sqrt(np.var(at_x, ddof=1) / 9 + np.var(at_y, ddof=1) / 12)
    value = 2 * np.mean(at_x) - 1
    ends = np.tanh(np.arctanh(value) + np.array([-1, 1]) * stats.norm.ppf(0.975) * error / (1 - value**2))
    interval = rank_sum(x, y).rank_biserial_interval
    assert (interval.low, interval.high) == pytest.approx(tuple(ends), **CLOSE)


@pytest.mark.parametrize("zeros", ["pratt", "drop"])
def test_equivalence_by_counting_sign_flips(zeros: str) -> None:
    x, y = likert(21, (2, 10), 4)
    result = equivalence(x, y, low=-1, high=1.5, zeros=zeros)
    low, high = signed_ranks_by_hand(x - y + 1, zeros), signed_ranks_by_hand(x - y - 1.5, zeros)
    assert result.p_low == pytest.approx(np.mean(sign_flips(low) >= low[low > 0].sum() - 1e-9), **CLOSE)
    assert result.p_high == pytest.approx(np.mean(sign_flips(high) <= high[high > 0].sum() + 1e-9), **CLOSE)
    assert result.p == max(result.p_low, result.p_high)
    assert (result.exact_method, result.n_pairs, result.reason) == ("enumeration", 10, "")


def test_equivalence_in_scipy() -> None:
    x, y = np.random.default_rng(2).normal(0, 0.6, (2, 25))
    result = equivalence(x, y, low=-0.5, high=0.5)
    assert result.p_low == pytest.approx(
        stats.wilcoxon(x - y + 0.5, alternative="greater", method="exact").pvalue, rel=1e-8
    )
    assert result.p_high == pytest.approx(
        stats.wilcoxon(x - y - 0.5, alternative="less", method="exact").pvalue, rel=1e-8
    )


@pytest.mark.parametrize(
    ("method", "name"),
    [("holm", "holm"), ("bonferroni", "bonferroni"), ("hochberg", "simes-hochberg"), ("benjamini-hochberg", "fdr_bh")],
)
def test_adjust_in_statsmodels(method: str, name: str) -> None:
    p = np.random.default_rng(9).uniform(0, 0.3, 15)
    assert adjust(p, method=method) == pytest.approx(multipletests(p, method=name)[1], **CLOSE)


def test_adjust_does_not_count_what_is_missing() -> None:
    result = adjust([0.02, math.nan, 0.01, None])
    assert result[[0, 2]] == pytest.approx([0.02, 0.02], **CLOSE)
    assert np.isnan(result[[1, 3]]).all()
    assert adjust([]).tolist() == []
    assert np.isnan(adjust([math.nan])).all()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_cochran_q_in_statsmodels_and_by_counting(seed: int) -> None:
    table = np.random.default_rng(seed).integers(0, 2, (6, 3))
    expected = cochrans_q(table)
    result = cochran_q(table)
    assert (result.q, result.p_asymptotic) == pytest.approx((expected.statistic, expected.pvalue), **CLOSE)
    observed = (table.sum(axis=0) ** 2).sum()
    counted = share([(rows.sum(axis=0) ** 2).sum() >= observed for rows in all_row_orders(table)])
    assert result.p_exact == pytest.approx(counted, **CLOSE)


def test_cochran_q_of_two_conditions_is_mcnemar() -> None:
    table = np.random.default_rng(12).integers(0, 2, (50, 2))
    q, m = cochran_q(table), mcnemar(*table.T)
    assert (q.q, q.p_exact) == pytest.approx((m.chi_square, m.p_exact), **CLOSE)


def test_cochran_q_enumerates_a_whole_study_and_says_where_it_stops() -> None:
    draws = np.random.default_rng(12)
    assert cochran_q(draws.integers(0, 2, (40, 5))).exact_method == "enumeration"
    large = cochran_q(draws.integers(0, 2, (200, 6)))
    assert math.isnan(large.p_exact)
    assert large.exact_method == "none"
    assert "enumerated" in large.reason
    assert large.q > 0


def test_mcnemar_in_statsmodels() -> None:
    x, y = np.random.default_rng(3).integers(0, 2, (2, 40))
    table = [[((x == i) & (y == j)).sum() for j in (1, 0)] for i in (1, 0)]
    result = mcnemar(x, y)
    assert (result.b, result.c) == (table[0][1], table[1][0])
    assert result.p_exact == pytest.approx(statsmodels_mcnemar(table, exact=True).pvalue, **CLOSE)
    assert result.p_asymptotic == pytest.approx(
        statsmodels_mcnemar(table, exact=False, correction=False).pvalue, **CLOSE
    )


@pytest.mark.parametrize(("n", "k", "levels"), [(5, 3, 7), (5, 3, 3), (3, 4, 4)])
@pytest.mark.parametrize("seed", range(3))
def test_page_trend_by_counting_every_arrangement(n: int, k: int, levels: int, seed: int) -> None:
    table = likert(seed, (n, k), levels)
    ranks = stats.rankdata(table, axis=1)
    weights = np.arange(1, k + 1)
    spread = sum(np.var([order @ weights for order in map(np.array, permutations(row))]) for row in ranks)
    result = page_trend(table)
    assert result.p_exact == pytest.approx(page_p_by_counting(table), **CLOSE)
    assert result.z == pytest.approx(((ranks @ weights).sum() - n * k * (k + 1) ** 2 / 4) / math.sqrt(spread), **CLOSE)


def test_page_trend_in_scipy() -> None:
    """Without ties scipy's exact table holds; with ties it does not."""
    table = np.random.default_rng(4).normal(0, 1, (9, 4)) + np.arange(4) * 0.4
    expected = stats.page_trend_test(table, method="exact")
    result = page_trend(table)
    assert (result.statistic, result.p_exact) == pytest.approx((expected.statistic, expected.pvalue), **CLOSE)


def test_page_trend_follows_the_order_asked_for() -> None:
    table = likert(3, (8, 4))
    assert page_trend(table, order=[2, 0, 3, 1]).p_exact == page_trend(table[:, [2, 0, 3, 1]]).p_exact
    assert page_trend(table, order=np.array([3, 2, 1, 0])).statistic != page_trend(table).statistic


@pytest.mark.parametrize("levels", [3, 7, 1000])
def test_skillings_mack_of_complete_data_is_friedman(levels: int) -> None:
    table = likert(5, (14, 4), levels)
    assert skillings_mack(table).statistic == pytest.approx(friedman(table, exact="never").chi_square, **CLOSE)


def test_skillings_mack_covariance_by_counting_arrangements() -> None:
    """The statistic from the covariance of the weighted rank sums over every arrangement of the answers given."""
    table = np.array([[1, 2, 2, np.nan], [3, 1, np.nan, 2], [np.nan, 1, 2, 2], [1, np.nan, np.nan, 4], [1, 1, 3, 5]])
    observed, covariance = np.zeros(4), np.zeros((4, 4))
    for row in table:
        seen = np.flatnonzero(~np.isnan(row))
        centered = math.sqrt(12 / (len(seen) + 1)) * (stats.rankdata(row[seen]) - (len(seen) + 1) / 2)
        observed[seen] += centered
        orders = np.zeros((math.factorial(len(seen)), 4))
        orders[:, seen] = list(permutations(centered))
        covariance += orders.T @ orders / len(orders)
    result = skillings_mack(table)
    assert result.statistic == pytest.approx(observed @ np.linalg.pinv(covariance) @ observed, **CLOSE)
    assert result.p_asymptotic == pytest.approx(stats.chi2.sf(result.statistic, 3), **CLOSE)


# Properties

ANSWERS = arrays(np.float64, st.tuples(st.integers(2, 9), st.integers(2, 4)), elements=st.integers(1, 7).map(float))
PAIRS = st.integers(1, 20).flatmap(lambda n: arrays(np.float64, (2, n), elements=st.integers(1, 7).map(float)))


def same(a: object, b: object) -> None:
    """Two results agree in every plain number, NaN with NaN."""
    for name in a.__dataclass_fields__:  # type: ignore[attr-defined]
        first, second = getattr(a, name), getattr(b, name)
        if isinstance(first, int | float):
            assert first == pytest.approx(second, rel=1e-9, abs=1e-9, nan_ok=True), name


@settings(max_examples=25, deadline=None)
@given(table=ANSWERS, seed=st.integers(0, 1000))
def test_the_order_of_people_and_conditions_changes_nothing(table: np.ndarray, seed: int) -> None:
    draws = np.random.default_rng(seed)
    people, conditions = draws.permutation(table.shape[0]), draws.permutation(table.shape[1])
    shuffled = table[people][:, conditions]
    same(friedman(table), friedman(shuffled))
    same(skillings_mack(table), skillings_mack(shuffled))
    same(cochran_q(table > 4), cochran_q(shuffled > 4))
    same(page_trend(table), page_trend(table[people]))


@settings(max_examples=25, deadline=None)
@given(table=ANSWERS, constant=st.sampled_from([-3.0, 0.1, 100.0]))
def test_a_constant_added_to_the_answers_changes_nothing(table: np.ndarray, constant: float) -> None:
    same(friedman(table), friedman(table + constant))
    same(page_trend(table), page_trend(table + constant))
    same(signed_rank(table[:, 0], table[:, 1]), signed_rank(table[:, 0] + constant, table[:, 1] + constant))
    same(rank_sum(table[:, 0], table[:, 1]), rank_sum(table[:, 0] + constant, table[:, 1] + constant))


@settings(max_examples=25, deadline=None)
@given(pair=PAIRS, zeros=st.sampled_from(["pratt", "drop"]))
def test_exchanging_x_and_y_turns_the_signs(pair: np.ndarray, zeros: str) -> None:
    x, y = pair
    there, back = signed_rank(x, y, zeros=zeros), signed_rank(y, x, zeros=zeros)
    assert (there.w_plus, there.p_exact, there.p_asymptotic) == (back.w_minus, back.p_exact, back.p_asymptotic)
    for name in ("z", "z_corrected", "rank_biserial", "hodges_lehmann"):
        assert getattr(there, name) == pytest.approx(-getattr(back, name), nan_ok=True), name
    for name in ("rank_biserial_interval", "hodges_lehmann_interval"):
        assert getattr(there, name).low == pytest.approx(-getattr(back, name).high, nan_ok=True), name
    assert there.smallest_attainable_p <= there.p_exact + 1e-15
    groups, turned = rank_sum(x, y), rank_sum(y, x)
    assert (groups.u, groups.p_exact) == pytest.approx((x.size * y.size - turned.u, turned.p_exact))
    assert groups.rank_biserial == pytest.approx(-turned.rank_biserial)


@settings(max_examples=25, deadline=None)
@given(
    items=st.sampled_from([3, 5, 6, 7]).flatmap(
        lambda size: arrays(
            np.float64, st.tuples(st.integers(3, 12), st.just(3), st.just(size)), elements=st.integers(1, 7).map(float)
        )
    )
)
def test_sums_and_float_means_of_the_same_items_agree(items: np.ndarray) -> None:
    sums, means, size = items.sum(axis=2), items.mean(axis=2), items.shape[2]
    same(friedman(sums), friedman(means))
    same(page_trend(sums), page_trend(means))
    for zeros in ("pratt", "drop"):
        of_sums, of_means = (signed_rank(scores[:, 0], scores[:, 1], zeros=zeros) for scores in (sums, means))
        assert (of_sums.p_exact, of_sums.p_asymptotic, of_sums.n_nonzero) == (
            of_means.p_exact,
            of_means.p_asymptotic,
            of_means.n_nonzero,
        )
        assert of_sums.hodges_lehmann == pytest.approx(of_means.hodges_lehmann * size, abs=1e-9)
        of_sums, of_means = (
            equivalence(*sums.T[:2], low=-size, high=size, zeros=zeros),
            equivalence(*means.T[:2], low=-1, high=1, zeros=zeros),
        )
        assert of_sums.p == of_means.p
    assert rank_sum(*sums.T[:2]).p_exact == rank_sum(*means.T[:2]).p_exact


@settings(max_examples=25, deadline=None)
@given(p=st.lists(st.floats(0, 1), min_size=1, max_size=12), method=st.sampled_from(comparison.ADJUSTMENTS))
def test_adjusted_p_keep_their_order_and_never_shrink(p: list[float], method: str) -> None:
    adjusted = adjust(p, method=method)
    assert (adjusted >= np.array(p) - 1e-15).all()
    assert (adjusted <= 1).all()
    assert (np.diff(adjusted[np.argsort(p, kind="stable")]) >= -1e-15).all()
    assert (adjusted <= adjust(p, method="bonferroni") + 1e-15).all()


# Exact, Monte Carlo, or neither


def test_beyond_enumeration_there_is_a_reason_without_rng() -> None:
    result = friedman(likert(1, (20, 6)))
    assert math.isnan(result.p_exact)
    assert math.isnan(result.p_exact_error)
    assert result.exact_method == "none"
    assert "rng" in result.reason
    assert result.p_asymptotic > 0


def test_beyond_enumeration_always_is_an_error(rng: np.random.Generator) -> None:
    with pytest.raises(ArgumentError, match="`exact`"):
        friedman(likert(1, (20, 6)), exact="always", rng=rng)
    with pytest.raises(ArgumentError, match="`exact`"):
        signed_rank(np.arange(1, 502), np.zeros(501), exact="always")
    with pytest.raises(ArgumentError, match="`exact`"):
        rank_sum(np.arange(61), np.arange(61), exact="always")


def test_monte_carlo_is_seeded_and_states_its_error() -> None:
    table = likert(1, (12, 5))
    one, two = (friedman(table, draws=2_000, rng=np.random.default_rng(7)) for _ in range(2))
    assert one.p_exact == two.p_exact
    assert one.exact_method == "monte-carlo"
    assert one.p_exact_error == pytest.approx(math.sqrt(one.p_exact * (1 - one.p_exact) / 2_000))
    assert one.reason == ""
    assert (one.p_exact * 2_001) == pytest.approx(round(one.p_exact * 2_001))


def test_monte_carlo_agrees_with_enumeration(monkeypatch: pytest.MonkeyPatch, rng: np.random.Generator) -> None:
    table = likert(3, (20, 3)) + np.array([0, 0, 1])
    exact = friedman(table)
    monkeypatch.setattr(comparison, "MOST_PARTICIPANTS", {})
    drawn = friedman(table, draws=20_000, rng=rng)
    assert (exact.exact_method, drawn.exact_method) == ("enumeration", "monte-carlo")
    assert abs(drawn.p_exact - exact.p_exact) < 4.5 * drawn.p_exact_error


@pytest.mark.parametrize(("n", "k"), [(70, 3), (9, 5), (12, 7), (9, 9)])
def test_monte_carlo_counts_the_orders_that_numpy_draws(n: int, k: int) -> None:
    """Every row put in the order that Generator.permuted gives it, and column sums added up one draw after the other."""
    table = np.random.default_rng(n).integers(1, 8, (n, k))
    ranks = stats.rankdata(table, axis=1)
    observed, draws = (ranks.sum(axis=0) ** 2).sum(), 500
    drawn = np.random.default_rng(7).permuted(np.broadcast_to(ranks, (draws, n, k)), axis=2)
    hits = sum((one.sum(axis=0) ** 2).sum() >= observed - 1e-9 for one in drawn)
    assert friedman(table, draws=draws, rng=np.random.default_rng(7)).p_exact == (1 + hits) / (1 + draws)


def test_shared_orders_change_nothing() -> None:
    """Tables of one size, of another, and one whose stream stands elsewhere; intervals come from behind the draws."""
    tables = [np.random.default_rng(seed).integers(1, 8, (n, 5)) for seed, n in enumerate((20, 20, 30, 20))]
    shared = RandomOrders()
    for seed, table in zip((7, 7, 7, 8), tables, strict=True):
        alone, together = (
            friedman(table, draws=300, resamples=50, rng=np.random.default_rng(seed), orders=orders)
            for orders in (None, shared)
        )
        assert alone.exact_method == "monte-carlo"
        assert together.p_exact == alone.p_exact
        assert together.kendall_w_interval == alone.kendall_w_interval


def test_monte_carlo_is_never_zero(rng: np.random.Generator) -> None:
    assert friedman(np.tile(np.arange(5), (20, 1)), draws=99, rng=rng).p_exact == 1 / 100


@pytest.mark.parametrize("exact", ["auto", "always", "never"])
def test_never_means_no_exact_p_and_no_reason(exact: str) -> None:
    x, y = np.random.default_rng(0).normal(0, 1, (2, 12))
    for result in (
        friedman(np.column_stack((x, y, -x))[:, :3], exact=exact),
        signed_rank(x, y, exact=exact),
        rank_sum(x, y, exact=exact),
    ):
        assert math.isnan(result.p_exact) == (exact == "never")
        assert result.exact_method == ("none" if exact == "never" else "enumeration")
        assert result.reason == ""


def test_large_samples_fall_back_to_the_normal_approximation() -> None:
    x, y = np.random.default_rng(0).normal(0.1, 1, (2, 600))
    result = signed_rank(x, y)
    assert (math.isnan(result.p_exact), result.exact_method) == (True, "none")
    assert "normal" in result.hodges_lehmann_interval.method
    assert result.hodges_lehmann_interval.level == pytest.approx(0.95, abs=1e-4)
    assert result.hodges_lehmann_interval.low < result.hodges_lehmann < result.hodges_lehmann_interval.high
    both = equivalence(x, y, low=-0.3, high=0.3)
    assert both.exact_method == "none"
    one_sided = stats.wilcoxon(x - y + 0.3, alternative="greater", method="asymptotic", correction=False)
    assert both.p_low == pytest.approx(one_sided.pvalue, **CLOSE)
    assert "normal" in rank_sum(x, y).hodges_lehmann_interval.method


# The interval of W


def test_interval_of_w_needs_resamples_and_rng(rng: np.random.Generator) -> None:
    table = likert(2, (12, 3))
    assert math.isnan(friedman(table).kendall_w_interval.low)
    assert friedman(table).reason == ""
    with pytest.raises(ArgumentError, match="`rng`"):
        friedman(table, resamples=100)
    with pytest.raises(ArgumentError, match="`resamples`"):
        friedman(table, resamples=-1)
    interval = friedman(table, resamples=200, rng=rng).kendall_w_interval
    assert 0 <= interval.low < interval.high <= 1
    assert "200 resamples" in interval.method


def test_interval_of_w_takes_chance_off_the_bootstrap_percentiles() -> None:
    table = likert(2, (10, 3)) + np.array([0, 1, 2])
    ranks, draws, n = stats.rankdata(table, axis=1) - 2, np.random.default_rng(1), 10
    rows = [draws.integers(0, n, n) for _ in range(300)]
    w = [(ranks[r].sum(axis=0) ** 2).sum() / (n * (ranks[r] ** 2).sum()) for r in rows]
    low, high = 1 + ((np.quantile(w, [0.025, 0.975]) - 1) * (n / (n - 1)) ** 2)
    interval = friedman(table, resamples=300, rng=np.random.default_rng(1)).kendall_w_interval
    assert (interval.low, interval.high) == pytest.approx((max(low, 0), high), **CLOSE)


def test_interval_of_w_never_ends_below_w(rng: np.random.Generator) -> None:
    """At a low level both corrected percentiles of these answers lie below W."""
    result = friedman(likert(2, (10, 3)), level=0.2, resamples=200, rng=rng)
    assert result.kendall_w_interval.low < result.kendall_w == result.kendall_w_interval.high


def test_interval_of_w_reaches_zero_where_there_is_no_effect() -> None:
    draws = np.random.default_rng(11)
    reached = [
        friedman(draws.integers(1, 8, (24, 4)), exact="never", resamples=200, rng=draws).kendall_w_interval.low == 0
        for _ in range(40)
    ]
    assert sum(reached) >= 36


# Degenerate cases by name


def test_all_ties() -> None:
    table = np.full((6, 3), 4.0)
    result = friedman(table)
    for name in ("chi_square", "p_asymptotic", "f", "p_f", "kendall_w"):
        assert math.isnan(getattr(result, name)), name
    assert result.p_exact == 1
    assert result.mean_ranks.tolist() == [2, 2, 2]
    assert "alike" in result.reason
    trend = page_trend(table)
    assert (math.isnan(trend.z), trend.p_exact, trend.reason != "") == (True, 1, True)
    assert math.isnan(skillings_mack(table).statistic)
    assert skillings_mack(table).reason
    groups = rank_sum(table[:, 0], table[:, 1])
    assert (groups.p_exact, groups.rank_biserial, groups.u) == (1, 0, 18)
    assert math.isnan(groups.z)
    assert groups.reason
    assert math.isnan(groups.rank_biserial_interval.low)
    ones = cochran_q(np.ones((5, 3)))
    assert (math.isnan(ones.q), ones.p_exact, ones.reason != "") == (True, 1, True)
    same_answers = mcnemar([1, 0, 1], [1, 0, 1])
    assert (same_answers.b, same_answers.c, same_answers.p_exact) == (0, 0, 1)
    assert math.isnan(same_answers.chi_square)
    assert same_answers.reason


def test_a_tied_participant_stays_in_n_and_leaves_chi_square() -> None:
    table = likert(6, (9, 3))
    with_tied = np.vstack((table, [3, 3, 3]))
    before, after = friedman(table), friedman(with_tied)
    assert (after.chi_square, after.p_exact) == pytest.approx((before.chi_square, before.p_exact), **CLOSE)
    assert after.n_used == before.n_used + 1
    assert after.kendall_w == pytest.approx(before.kendall_w * 9 / 10, **CLOSE)


def test_all_zero() -> None:
    for zeros in ("pratt", "drop"):
        result = signed_rank([3, 4, 5, 6, 7, 7], [3, 4, 5, 6, 7, 7], zeros=zeros)
        assert (result.p_exact, result.p_asymptotic, result.smallest_attainable_p) == (1, 1, 1)
        assert (result.w_plus, result.w_minus, result.n_nonzero, result.n_pairs) == (0, 0, 0, 6)
        assert (result.hodges_lehmann, result.hodges_lehmann_interval.low, result.hodges_lehmann_interval.high) == (
            0,
            0,
            0,
        )
        assert math.isnan(result.rank_biserial)
        assert "zero" in result.reason
    on_the_bound = equivalence([1, 2, 3], [0, 1, 2], low=1, high=2)
    assert (on_the_bound.p_low, on_the_bound.p) == (1, 1)


def test_float_noise_counts_as_zero() -> None:
    result = signed_rank([0.1 + 0.2, 5.55 - 5.50, 1.0, 2.0], [0.3, 5.50 - 5.45, 2.0, 4.0])
    assert result.n_nonzero == 2


def test_all_of_one_sign() -> None:
    result = signed_rank([5, 6, 7, 6, 5, 7], [1, 2, 3, 1, 1, 2])
    assert result.rank_biserial == 1
    assert math.isnan(result.rank_biserial_interval.low)
    assert math.isnan(result.rank_biserial_interval.high)
    assert "one sign" in result.reason
    assert result.p_exact == result.smallest_attainable_p == 2 / 2**6
    apart = rank_sum([5, 6, 7], [1, 2, 3])
    assert apart.rank_biserial == 1
    assert math.isnan(apart.rank_biserial_interval.low)


def test_full_agreement_has_no_f_and_no_interval(rng: np.random.Generator) -> None:
    result = friedman(np.tile([1, 2, 3], (8, 1)), resamples=50, rng=rng)
    assert (result.kendall_w, result.chi_square) == (1, 16)
    assert math.isnan(result.f)
    assert math.isnan(result.p_f)
    assert math.isnan(result.kendall_w_interval.low)
    assert "F is undefined" in result.reason
    assert "interval of W" in result.reason


def test_one_participant(rng: np.random.Generator) -> None:
    result = friedman([[1, 2, 3]], resamples=20, rng=rng)
    assert (result.chi_square, result.kendall_w, result.p_exact, result.n_used) == (2, 1, 1, 1)
    assert math.isnan(result.f)
    assert result.reason
    pair = signed_rank([3], [1])
    assert (pair.w_plus, pair.p_exact, pair.smallest_attainable_p, pair.hodges_lehmann) == (1, 1, 1, 2)
    assert math.isnan(pair.hodges_lehmann_interval.low)
    assert pair.reason
    assert page_trend([[1, 2, 3]]).p_exact == pytest.approx(1 / 6)
    assert equivalence([3], [3], low=-1, high=1).p == 0.5
    assert rank_sum([3], [1]).p_exact == 1
    assert cochran_q([[1, 0, 0]]).p_exact == 1
    assert skillings_mack([[1, 2, 3]]).reason == ""


def test_too_few_pairs_for_an_interval() -> None:
    five = signed_rank([5, 6, 7, 6, 1], [1, 2, 3, 1, 2])
    assert math.isnan(five.hodges_lehmann_interval.low)
    assert "5 pairs" in five.reason
    assert signed_rank([5, 6, 7, 6, 1], [1, 2, 3, 1, 2], level=0.9).hodges_lehmann_interval.level == pytest.approx(
        1 - 2 / 2**5
    )


@pytest.mark.parametrize("empty", [False, True])
def test_missing_all(empty: bool) -> None:
    table = np.empty((0, 3)) if empty else np.full((4, 3), np.nan)
    column = table[:, 0]
    results = [
        friedman(table),
        signed_rank(column, column),
        rank_sum(column, [1, 2]),
        rank_sum([1, 2], column),
        equivalence(column, column, low=-1, high=1),
        cochran_q(table),
        mcnemar(column, column),
        skillings_mack(table),
        page_trend(table),
    ]
    for result in results:
        assert result.reason, result
        for name in (
            "p_exact",
            "p_asymptotic",
            "p",
            "chi_square",
            "statistic",
            "kendall_w",
            "hodges_lehmann",
            "z",
            "q",
        ):
            assert math.isnan(getattr(result, name, math.nan)), name
        assert result.n_dropped == len(table)
    assert np.isnan(results[0].mean_ranks).all()


def test_missing_answers_are_dropped_and_counted() -> None:
    table = likert(9, (10, 3))
    holes = table.copy()
    holes[2, 1] = holes[7, 0] = np.nan
    kept = np.delete(table, [2, 7], axis=0)
    assert (friedman(holes).n_used, friedman(holes).n_dropped) == (8, 2)
    same_but_dropped = friedman(kept)
    assert friedman(holes).p_exact == same_but_dropped.p_exact
    assert (page_trend(holes).n_used, page_trend(holes).n_dropped) == (8, 2)
    pair = signed_rank(holes[:, 0], holes[:, 1])
    assert (pair.n_pairs, pair.n_dropped, pair.p_exact) == (8, 2, signed_rank(kept[:, 0], kept[:, 1]).p_exact)
    groups = rank_sum(holes[:, 0], holes[:, 1])
    assert (groups.n_x, groups.n_y, groups.n_dropped) == (9, 9, 2)
    assert signed_rank([1, None, 3], [2, 2, None]).n_dropped == 2
    binary = np.where(np.isnan(holes), np.nan, holes > 4)
    assert (cochran_q(binary).n_used, cochran_q(binary).n_dropped) == (8, 2)
    assert (mcnemar(binary[:, 0], binary[:, 1]).n_pairs, mcnemar(binary[:, 0], binary[:, 1]).n_dropped) == (8, 2)


def test_skillings_mack_needs_linked_conditions() -> None:
    nan = np.nan
    result = skillings_mack([[1, 2, nan, nan], [2, 1, nan, nan], [nan, nan, 1, 2], [nan, nan, 1, 3]])
    assert math.isnan(result.statistic)
    assert "linked" in result.reason


def test_two_conditions() -> None:
    """Friedman of two conditions is the sign test, and chi-square = (plus - minus)^2 / (plus + minus)."""
    table = np.column_stack((np.repeat([1, 3, 2], [9, 3, 2]), np.repeat(2, 14)))
    result = friedman(table)
    assert result.p_exact == pytest.approx(stats.binomtest(3, 12).pvalue, **CLOSE)
    assert result.chi_square == pytest.approx((9 - 3) ** 2 / 12, **CLOSE)
    assert skillings_mack(table).statistic == pytest.approx(3, **CLOSE)
    assert page_trend(table).p_exact == pytest.approx(stats.binomtest(9, 12, alternative="greater").pvalue, **CLOSE)


TABLE_FUNCTIONS = [friedman, cochran_q, skillings_mack, page_trend]
PAIR_FUNCTIONS = [signed_rank, rank_sum, mcnemar, lambda x, y: equivalence(x, y, low=-1, high=1)]


@pytest.mark.parametrize("function", TABLE_FUNCTIONS)
@pytest.mark.parametrize(
    "wrong",
    [[["a", "b"], ["c", "d"]], [[1, math.inf], [0, 1]], [1, 0, 1], [[[1, 0]]], [[1], [0]], [[1, 0], [1]]],
    ids=["text", "infinity", "one dimension", "three dimensions", "one condition", "ragged"],
)
def test_tables_that_are_refused(function: Callable, wrong: list) -> None:
    with pytest.raises(WorkbenchError, match=r"`(scores|binary)`"):
        function(wrong)


@pytest.mark.parametrize("function", PAIR_FUNCTIONS)
@pytest.mark.parametrize(
    "wrong", [["a", "b"], [1, math.inf], [[1, 0]], 1], ids=["text", "infinity", "two dimensions", "a number"]
)
def test_columns_that_are_refused(function: Callable, wrong: object) -> None:
    with pytest.raises(WorkbenchError, match="`x`"):
        function(wrong, [1, 0])
    with pytest.raises(WorkbenchError, match="`y`"):
        function([1, 0], wrong)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: signed_rank([1, 2], [1]), "`y`"),
        (lambda: mcnemar([1, 0], [1]), "`y`"),
        (lambda: signed_rank([1, 2], [1, 3], zeros="split"), "`zeros`.*'pratt', 'drop'"),
        (lambda: signed_rank([1, 2], [1, 3], exact="yes"), "`exact`.*'auto'"),
        (lambda: rank_sum([1, 2], [1, 3], exact="yes"), "`exact`"),
        (lambda: friedman([[1, 2]], exact="yes"), "`exact`"),
        (lambda: friedman([[1, 2]], draws=0), "`draws`"),
        (lambda: friedman([[1, 2]], level=1), "`level`"),
        (lambda: rank_sum([1, 2], [1, 3], level=95), "`level`"),
        (lambda: equivalence([1, 2], [1, 3], low=1, high=-1), "`low`"),
        (lambda: equivalence([1, 2], [1, 3], low=-1, high=math.nan), "`high`"),
        (lambda: equivalence([1, 2], [1, 3], low=-1, high=1, zeros="split"), "`zeros`"),
        (lambda: adjust([0.1, 1.2]), "`p_values`"),
        (lambda: adjust([-0.1]), "`p_values`"),
        (lambda: adjust([[0.1]]), "`p_values`"),
        (lambda: adjust([0.1], method="sidak"), "`method`.*'holm'"),
        (lambda: cochran_q([[1, 2], [0, 1]]), "`binary`"),
        (lambda: mcnemar([1, 2], [0, 1]), "`x`"),
        (lambda: mcnemar([1, 0], [0, 0.5]), "`y`"),
        (lambda: page_trend([[1, 2, 3]], order=[0, 1]), "`order`"),
        (lambda: page_trend([[1, 2, 3]], order=[1, 2, 3]), "`order`"),
        (lambda: page_trend([[1, 2, 3]], order=["a", "b", "c"]), "`order`"),
    ],
)
def test_arguments_that_are_refused_by_name(call: Callable, named: str) -> None:
    with pytest.raises(ArgumentError, match=named):
        call()


def test_the_examples_in_the_docstrings() -> None:
    outcome = doctest.testmod(comparison)
    assert (outcome.failed, outcome.attempted >= 9) == (0, True)
