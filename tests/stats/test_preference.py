"""Preference: published values, other libraries, properties, degenerate cases.

Second routes ran with scipy 1.17.1 and statsmodels 0.15.0.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.discrete.conditional_models import ConditionalLogit

from workbench.errors import ArgumentError
from workbench.stats.preference import bradley_terry, choice_test, kendall_w, plackett_luce


def close(case, got, name):
    """Within the case's own tolerance of its expected value."""
    assert got == pytest.approx(case["expected"][name], rel=case["tolerance"], abs=case["tolerance"]), name


def some_rankings(rng, n=30, abilities=(0.8, 0.3, 0.0, -0.6)):
    """Rankings from a Plackett-Luce model: order of exponential times with the abilities as log rates."""
    times = rng.exponential(size=(n, len(abilities))) / np.exp(abilities)
    return times.argsort(axis=1).argsort(axis=1) + 1


class TestChoiceTest:
    def test_two_orderings_of_outcomes(self, published):
        """Documentation of R EMT::multinomial.test: .0767 by probability, .0596 by chi-square."""
        case = published["gof_emt_3"]
        result = choice_test(case["inputs"]["observed"], probabilities=case["inputs"]["prob"])
        close(case, result.chi_square, "chi2")
        close(case, result.p_asymptotic, "p")
        close(case, result.p_exact, "exact_p_chi2")
        close(case, result.p_exact_probability, "exact_p_prob")
        assert (result.df, result.n, result.exact_method, result.p_exact_error) == (2, 8, "enumeration", 0)

    def test_equal_probabilities(self, published):
        """R stats::chisq.test documentation: A 20, B 15, C 25."""
        case = published["gof_r_doc"]
        for probabilities in (None, case["inputs"]["prob"]):
            result = choice_test(case["inputs"]["observed"], probabilities=probabilities)
            close(case, result.chi_square, "chi2")
            close(case, result.p_asymptotic, "p")
            close(case, result.p_exact, "exact_p_chi2")
            close(case, result.p_exact_probability, "exact_p_prob")

    def test_chi_square_with_scipy(self):
        counts, chances = [9, 4, 7, 4], [0.4, 0.3, 0.2, 0.1]
        expected = stats.chisquare(counts, np.array(chances) * 24)
        result = choice_test(counts, probabilities=chances)
        assert_allclose([result.chi_square, result.p_asymptotic], expected, atol=1e-12)

    @pytest.mark.parametrize(("first", "n", "chance"), [(3, 17, 0.5), (9, 12, 0.4), (0, 8, 0.3)])
    def test_two_objects_with_the_binomial_test_of_scipy(self, first, n, chance):
        result = choice_test([first, n - first], probabilities=[chance, 1 - chance])
        assert result.p_exact_probability == pytest.approx(stats.binomtest(first, n, chance).pvalue, abs=1e-12)

    @pytest.mark.parametrize("counts", [[5, 1, 2, 0], [3, 3, 1, 2], [0, 0, 6, 1]])
    def test_every_outcome_listed_with_the_multinomial_of_scipy(self, counts):
        chances, n = np.array([0.1, 0.2, 0.3, 0.4]), sum(counts)
        outcomes = np.array([row for row in product(range(n + 1), repeat=4) if sum(row) == n])
        probability = stats.multinomial(n, chances).pmf(outcomes)
        distance = ((outcomes - n * chances) ** 2 / (n * chances)).sum(axis=1)
        at = (outcomes == counts).all(axis=1)
        result = choice_test(counts, probabilities=chances)
        assert result.p_exact == pytest.approx(probability[distance >= distance[at] - 1e-9].sum(), abs=1e-12)
        assert result.p_exact_probability == pytest.approx(
            probability[probability <= probability[at] * (1 + 1e-9)].sum(), abs=1e-12
        )

    def test_order_of_objects_changes_nothing(self):
        assert choice_test([11, 3, 6, 4]).p_exact == pytest.approx(choice_test([4, 6, 3, 11]).p_exact, abs=1e-12)

    def test_expected_counts_give_p_1(self):
        result = choice_test([6, 6, 6, 6])
        assert (result.chi_square, result.p_asymptotic) == (0, 1)
        assert result.p_exact == pytest.approx(1, abs=1e-12)
        assert result.p_exact_probability == pytest.approx(1, abs=1e-12)

    def test_all_chose_the_same(self):
        result = choice_test([10, 0, 0])
        assert result.p_exact == pytest.approx(3 / 3**10, rel=1e-10)

    def test_more_outcomes_than_are_listed(self):
        result = choice_test([100] * 6)
        assert np.isnan(result.p_exact)
        assert np.isnan(result.p_exact_probability)
        assert result.exact_method == "none"
        assert np.isnan(result.p_exact_error)
        assert "outcomes" in result.reason
        assert result.p_asymptotic == 1

    def test_nobody_chose(self):
        result = choice_test([0, 0, 0])
        assert np.isnan(result.chi_square)
        assert np.isnan(result.p_exact)
        assert result.reason

    @pytest.mark.parametrize("counts", [[3], [1.5, 2], [-1, 2], [np.nan, 2], [[1, 2], [3, 4]], ["a", "b"]])
    def test_counts_are_whole_numbers(self, counts):
        with pytest.raises(ArgumentError, match="counts"):
            choice_test(counts)

    @pytest.mark.parametrize("probabilities", [[0.5, 0.4], [1.0, 0.0], [0.5, 0.3, 0.2], [1.2, -0.2], [np.nan, 1]])
    def test_probabilities_sum_to_1(self, probabilities):
        with pytest.raises(ArgumentError, match="probabilities"):
            choice_test([3, 4], probabilities=probabilities)


class TestKendallW:
    def test_without_ties(self, published):
        """Siegel 1956, chapter 9 (three executives); from memory."""
        case = published["kendall_w_siegel"]
        result = kendall_w(case["inputs"]["judges_by_objects"])
        close(case, result.w, "W")
        close(case, result.chi_square, "chi2")
        close(case, result.p_asymptotic, "p")
        assert result.df == case["expected"]["df"]

    def test_with_ties(self, published):
        """Siegel 1956, chapter 9, tied example; the printed .828 is from memory."""
        case = published["kendall_w_ties_siegel"]
        result = kendall_w(case["inputs"]["judges_by_objects"])
        close(case, result.w, "W")
        close(case, result.chi_square, "chi2")
        close(case, result.p_asymptotic, "p")
        assert round(result.w, 3) == case["published"]["W_corrected"]

    @pytest.mark.parametrize("name", ["fried_rounding_times", "fried_demsar", "fried_quade_exact"])
    def test_from_ratings(self, published, name):
        """Hollander & Wolfe 1973, Demsar 2006 (one row all tied) and Quade 1979: W = chi-square / (n (k - 1))."""
        case = published[name]
        result = kendall_w(case["inputs"]["blocks_by_treatments"])
        if name == "fried_demsar":
            # the printed table differs from the paper's own ranks in one row
            close(case, result.chi_square, "chi2_printed_table")
            result = kendall_w(case["inputs"]["published_ranks"])
        close(case, result.w, "kendall_w")
        close(case, result.chi_square, "chi2")
        close(case, result.p_asymptotic, "p")

    def test_chi_square_with_scipy(self, rng):
        ratings = rng.integers(1, 8, (24, 4))
        result = kendall_w(ratings)
        assert_allclose([result.chi_square, result.p_asymptotic], stats.friedmanchisquare(*ratings.T), atol=1e-10)

    def test_mean_spearman(self, rng):
        """W = (1 + (m - 1) mean rho) / m without ties: Kendall 1948 (from memory)."""
        rankings = np.array([rng.permutation(6) for _ in range(5)])
        rho = stats.spearmanr(rankings.T).statistic
        mean_rho = rho[np.triu_indices(5, 1)].mean()
        assert kendall_w(rankings).w == pytest.approx((1 + 4 * mean_rho) / 5, abs=1e-12)

    def test_order_and_increasing_transformations_change_nothing(self, rng):
        ratings = rng.integers(1, 8, (12, 4)).astype(float)
        w = kendall_w(ratings).w
        assert kendall_w(ratings[rng.permutation(12)][:, rng.permutation(4)]).w == pytest.approx(w, abs=1e-12)
        assert kendall_w(np.exp(ratings)).w == pytest.approx(w, abs=1e-12)
        assert kendall_w(-ratings).w == pytest.approx(w, abs=1e-12)

    def test_float_means_tie_as_their_sums_do(self, rng):
        """0.1 + 0.2 differs from 0.3 by rounding alone."""
        sums = rng.integers(3, 10, (12, 4))
        assert kendall_w(sums * 0.1).w == pytest.approx(kendall_w(sums).w, abs=1e-12)
        assert kendall_w([[0.1 + 0.2, 0.3, 0.5], [1, 2, 3]]).w == kendall_w([[3, 3, 5], [1, 2, 3]]).w

    def test_full_concordance(self):
        assert kendall_w([[1, 2, 3], [10, 20, 30]]).w == 1
        assert kendall_w([[1, 1, 3], [1, 1, 3]]).w == 1

    def test_mean_ranks_put_the_lowest_first(self):
        assert_allclose(kendall_w([[1, 2, 3], [1, 3, 3]]).mean_ranks, [1, 2.25, 2.75])

    def test_missing_rows_are_dropped_and_counted(self):
        result = kendall_w([[1, 2, 3], [2, None, 1], [1, 3, 2]])
        assert (result.n_used, result.n_dropped) == (2, 1)
        assert result.w == kendall_w([[1, 2, 3], [1, 3, 2]]).w

    @pytest.mark.parametrize("rankings", [[[2, 2, 2], [5, 5, 5]], [[1, 2, 3]], [[1, np.nan], [2, np.nan]]])
    def test_all_tied_or_one_rater_or_none(self, rankings):
        result = kendall_w(rankings)
        assert np.isnan(result.w)
        assert np.isnan(result.p_asymptotic)
        assert result.reason

    @pytest.mark.parametrize("rankings", [[[1], [2]], [1, 2, 3], [["a", "b"]]])
    def test_shape(self, rankings):
        with pytest.raises(ArgumentError, match="rankings"):
            kendall_w(rankings)


class TestBradleyTerry:
    def test_citations(self, published):
        """Stigler 1994, Stat Sci 9:94; Agresti 2002, section 10.6.1; published figures from memory."""
        case = published["bt_citations"]
        names = case["inputs"]["objects"]
        table = np.array(case["inputs"]["cited_by_citing"], dtype=float)
        result = bradley_terry(table, reference=names.index(case["inputs"]["reference"]))
        for number, name in enumerate(names):
            close(case, result.abilities[number], f"ability.{name}")
            if name != case["inputs"]["reference"]:
                close(case, result.standard_errors[number], f"se.{name}")
        first, second = np.triu_indices(4, 1)
        wins, losses = table[first, second], table[second, first]
        saturated = (wins * np.log(wins / (wins + losses)) + losses * np.log(losses / (wins + losses))).sum()
        close(case, 2 * (saturated - result.log_likelihood), "deviance")
        assert result.standard_errors[0] == 0
        assert result.n_comparisons == (wins + losses).sum()

    def test_with_the_binomial_model_of_statsmodels(self, rng):
        wins = rng.integers(1, 12, (5, 5))
        first, second = np.triu_indices(5, 1)
        design = np.eye(5)[first] - np.eye(5)[second]
        outcomes = np.column_stack([wins[first, second], wins[second, first]])
        expected = sm.GLM(outcomes, design[:, 1:], family=sm.families.Binomial()).fit(tol=1e-12)
        result = bradley_terry(wins, reference=0)
        assert_allclose(result.abilities[1:], expected.params, atol=1e-8)
        assert_allclose(result.standard_errors[1:], expected.bse, atol=1e-8)
        interval = result.intervals[2]
        assert_allclose([interval.low, interval.high], expected.conf_int()[1], atol=1e-8)

    def test_two_objects_are_a_log_odds(self):
        result = bradley_terry([[0, 7], [3, 0]], reference=1)
        assert result.abilities[0] == pytest.approx(np.log(7 / 3), abs=1e-10)
        assert result.standard_errors[0] == pytest.approx(np.sqrt(1 / 7 + 1 / 3), abs=1e-10)

    def test_without_reference_abilities_sum_to_0_and_differ_the_same(self, rng):
        wins = rng.integers(1, 9, (4, 4))
        free, fixed = bradley_terry(wins), bradley_terry(wins, reference=2)
        assert free.abilities.sum() == pytest.approx(0, abs=1e-10)
        assert_allclose(free.abilities - free.abilities[2], fixed.abilities, atol=1e-10)
        assert fixed.abilities[2] == 0

    def test_order_of_objects_changes_nothing(self, rng):
        wins = rng.integers(1, 9, (4, 4))
        order = rng.permutation(4)
        before, after = bradley_terry(wins), bradley_terry(wins[np.ix_(order, order)])
        assert_allclose(after.abilities, before.abilities[order], atol=1e-10)
        assert_allclose(after.standard_errors, before.standard_errors[order], atol=1e-10)

    def test_turned_table_turns_signs(self, rng):
        wins = rng.integers(1, 9, (4, 4))
        assert_allclose(bradley_terry(wins.T).abilities, -bradley_terry(wins).abilities, atol=1e-10)

    def test_expected_wins_are_the_wins(self, rng):
        """The likelihood equations of Bradley & Terry 1952."""
        wins = rng.integers(0, 9, (5, 5)) + np.eye(5, k=1, dtype=int) + np.eye(5, k=-1, dtype=int)
        np.fill_diagonal(wins, 0)
        abilities = bradley_terry(wins).abilities
        chance = 1 / (1 + np.exp(abilities - abilities[:, None]))
        assert_allclose(((wins + wins.T) * chance).sum(axis=1), wins.sum(axis=1), atol=1e-7)

    def test_incomplete_pairs(self):
        """A chain of pairs: each difference is the log odds of its own pair."""
        result = bradley_terry([[0, 3, 0], [1, 0, 4], [0, 5, 0]], reference=0)
        assert_allclose(result.abilities, [0, -np.log(3), -np.log(3) - np.log(4 / 5)], atol=1e-9)

    def test_strong_preference_still_converges(self):
        result = bradley_terry([[0, 100_000, 0], [1, 0, 100_000], [0, 1, 0]], reference=2)
        assert_allclose(result.abilities, [2 * np.log(1e5), np.log(1e5), 0], rtol=1e-6)

    def test_lopsided_counts_in_which_plain_newton_steps_run_away(self):
        wins = np.array([[0, 0, 1e3, 0, 1e5, 0], [10, 0, 0, 0, 0, 0], [0, 1e6, 0, 1e6, 1, 0],
                         [1e5, 0, 1, 0, 100, 1], [0, 0, 0, 0, 0, 1e6], [0, 1e3, 100, 0, 10, 0]])  # fmt: skip
        abilities = bradley_terry(wins).abilities
        chance = 1 / (1 + np.exp(abilities - abilities[:, None]))
        assert_allclose(((wins + wins.T) * chance).sum(axis=1), wins.sum(axis=1), atol=1e-6)

    def test_a_few_wins_against_many_keep_their_errors(self):
        """Three objects, one win closing the ring; the errors of statsmodels 0.15.0, with the first at 0."""
        wins = np.array([[0, 0, 1], [100, 0, 0], [10_000, 10_000, 0]])
        first, second = np.triu_indices(3, 1)
        design = (np.eye(3)[first] - np.eye(3)[second])[:, 1:]
        outcomes = np.column_stack([wins[first, second], wins[second, first]])
        expected = sm.GLM(outcomes, design, family=sm.families.Binomial()).fit(tol=1e-14, maxiter=200)
        result = bradley_terry(wins, reference=0)
        assert_allclose(result.abilities[1:], expected.params, rtol=1e-7)
        assert_allclose(result.standard_errors[1:], expected.bse, rtol=1e-6)

    def test_the_diagonal_is_not_looked_at(self):
        assert_allclose(bradley_terry([[np.nan, 3], [2, 5]]).abilities, bradley_terry([[0, 3], [2, 0]]).abilities)

    def test_input_is_left_as_it_was(self):
        wins = np.array([[9.0, 3.0], [2.0, 9.0]])
        bradley_terry(wins)
        assert_allclose(wins, [[9, 3], [2, 9]])

    def test_an_object_that_never_lost_is_separated(self):
        result = bradley_terry([[0, 3, 2], [0, 0, 1], [0, 2, 0]])
        assert np.isnan(result.abilities).all()
        assert np.isnan(result.standard_errors).all()
        assert not result.intervals[0].defined
        assert "separation" in result.reason
        assert "index 0 were never beaten by those at 1, 2" in result.reason

    def test_objects_that_were_not_compared(self):
        result = bradley_terry([[0, 3, 0, 0], [1, 0, 0, 0], [0, 0, 0, 2], [0, 0, 1, 0]])
        assert np.isnan(result.abilities).all()
        assert "index 0, 1 were never compared with those at 2, 3" in result.reason

    def test_no_comparison_at_all(self):
        assert "never compared" in bradley_terry(np.zeros((3, 3))).reason

    @pytest.mark.parametrize("wins", [[[0, 1, 2], [1, 0, 2]], [[0, -1], [1, 0]], [[0, np.nan], [1, 0]], [[0]], [1, 2]])
    def test_wins_are_a_square_table_of_counts(self, wins):
        with pytest.raises(ArgumentError, match="wins"):
            bradley_terry(wins)

    @pytest.mark.parametrize("reference", [2, -1, True, "a"])
    def test_reference_is_an_index(self, reference):
        with pytest.raises(ArgumentError, match="reference"):
            bradley_terry([[0, 1], [1, 0]], reference=reference)


class TestPlackettLuce:
    def test_with_the_conditional_logit_of_statsmodels(self, rng):
        """Every rank is a choice from the objects left: one group per choice."""
        rankings = some_rankings(rng)
        chosen, designs, groups = [], [], []
        for group, (row, rank) in enumerate(product(rankings, (1, 2, 3))):
            for number in np.flatnonzero(row >= rank):
                chosen.append(int(row[number] == rank))
                designs.append(np.eye(4)[number][1:])
                groups.append(group)
        model = ConditionalLogit(np.array(chosen), np.array(designs), groups=np.array(groups))
        expected = model.fit(disp=False, method="newton")
        result = plackett_luce(rankings)
        assert_allclose(result.abilities[1:] - result.abilities[0], expected.params, atol=1e-8)
        assert result.log_likelihood == pytest.approx(expected.llf, abs=1e-8)
        assert_allclose(result.standard_errors, self.sum_zero_errors(expected.cov_params()), atol=1e-8)

    @staticmethod
    def sum_zero_errors(covariance):
        """Standard errors with sum 0 from a covariance in which the first ability is fixed at 0."""
        full = np.zeros((4, 4))
        full[1:, 1:] = covariance
        centre = np.eye(4) - 1 / 4
        return np.sqrt(np.diag(centre @ full @ centre))

    def test_with_minorization(self, rng):
        """The MM iteration of Hunter 2004, written out: worth = wins over the summed inverse worth of the sets met."""
        rankings = some_rankings(rng)
        worth = np.ones(4)
        for _ in range(80):
            inverse = np.zeros(4)
            for row in rankings:
                for rank in (1, 2, 3):
                    offered = row >= rank
                    inverse[offered] += 1 / worth[offered].sum()
            worth = (rankings < 4).sum(axis=0) / inverse
            worth /= np.exp(np.log(worth).mean())
        assert_allclose(plackett_luce(rankings).abilities, np.log(worth), atol=1e-8)

    def test_two_objects_are_bradley_terry(self):
        rankings = [[1, 2]] * 7 + [[2, 1]] * 3
        result, pairs = plackett_luce(rankings), bradley_terry([[0, 7], [3, 0]])
        assert_allclose(result.abilities, pairs.abilities, atol=1e-10)
        assert_allclose(result.standard_errors, pairs.standard_errors, atol=1e-10)

    def test_equally_often_every_ranking_gives_equal_abilities(self):
        rankings = [[1, 2, 3], [1, 3, 2], [2, 1, 3], [2, 3, 1], [3, 1, 2], [3, 2, 1]]
        assert_allclose(plackett_luce(rankings).abilities, 0, atol=1e-10)

    def test_order_changes_nothing(self, rng):
        rankings = some_rankings(rng)
        order = rng.permutation(4)
        before = plackett_luce(rankings)
        after = plackett_luce(rankings[rng.permutation(30)][:, order])
        assert_allclose(after.abilities, before.abilities[order], atol=1e-10)
        assert_allclose(after.standard_errors, before.standard_errors[order], atol=1e-10)

    def test_planted_abilities_are_found(self, rng):
        """Within four standard errors of the abilities that made 3000 rankings."""
        planted = np.array([0.8, 0.3, 0.0, -0.6])
        result = plackett_luce(some_rankings(rng, n=3000))
        assert (np.abs(result.abilities - (planted - planted.mean())) < 4 * result.standard_errors).all()

    def test_best_rank_gives_the_highest_ability(self):
        result = plackett_luce([[1, 2, 3], [1, 3, 2], [1, 2, 3], [3, 1, 2]])
        assert result.abilities.argsort().tolist() == [2, 1, 0]

    def test_bootstrap_is_near_the_normal_intervals_in_a_large_sample(self, rng):
        """Looser than 1e-8: 600 resamples of 300 participants, and two different approximations."""
        result = plackett_luce(some_rankings(rng, n=300), resamples=600, rng=rng)
        for interval, normal in zip(result.intervals, result.normal_intervals, strict=True):
            assert interval.high - interval.low == pytest.approx(normal.high - normal.low, rel=0.15)
            assert "participants" in interval.method

    def test_bootstrap_draws_are_fits_of_copied_rankings(self, rng):
        """Two rankings in six copies each: a resample holds c of the first, so draws are the fits of c and 12 - c."""
        first, second = [1, 2, 3], [3, 2, 1]
        result = plackett_luce([first] * 6 + [second] * 6, resamples=4000, rng=rng)
        draws = np.repeat([plackett_luce([first] * c + [second] * (12 - c)).abilities[0] for c in range(1, 12)],
                          [round(1e6 * stats.binom(12, 0.5).pmf(c)) for c in range(1, 12)])  # fmt: skip
        assert result.intervals[0].low == pytest.approx(np.quantile(draws, 0.025), abs=1e-8)
        assert result.intervals[0].high == pytest.approx(np.quantile(draws, 0.975), abs=1e-8)

    def test_separated_resamples_are_left_out_and_counted(self, rng):
        result = plackett_luce([[1, 2]] * 5 + [[2, 1]], resamples=200, rng=rng)
        assert result.intervals[0].defined
        assert "undefined" in result.intervals[0].method

    def test_without_resamples_intervals_are_nan(self, rng):
        result = plackett_luce(some_rankings(rng))
        assert not any(interval.defined for interval in result.intervals)
        assert all(interval.defined for interval in result.normal_intervals)
        assert result.reason == ""

    def test_missing_ranks_are_dropped_and_counted(self, rng):
        rankings = some_rankings(rng).astype(float)
        result = plackett_luce(np.vstack([rankings, [1, np.nan, 2, np.nan]]))
        assert (result.n_used, result.n_dropped) == (30, 1)
        assert_allclose(result.abilities, plackett_luce(rankings).abilities)

    @pytest.mark.parametrize("rankings", [[[1, 2, 3]], [[1, 2, 3], [1, 3, 2]]])
    def test_one_participant_or_always_first_is_separated(self, rng, rankings):
        result = plackett_luce(rankings, resamples=20, rng=rng)
        assert np.isnan(result.abilities).all()
        assert not any(interval.defined for interval in (*result.intervals, *result.normal_intervals))
        assert "index 0 were never beaten" in result.reason

    def test_nobody_ranked_all(self):
        result = plackett_luce([[1, np.nan], [np.nan, 1]])
        assert np.isnan(result.abilities).all()
        assert (result.n_used, result.n_dropped) == (0, 2)
        assert result.reason

    @pytest.mark.parametrize(("rankings", "message"), [
        ([[1, 1, 3], [1, 2, 3]], "tied ranks"),
        ([[1, 2, 4], [1, 2, 3]], "1 .best. to 3"),
        ([[0, 1, 2], [1, 2, 3]], "1 .best. to 3"),
        ([[1], [1]], "object"),
        ([1, 2], "dimension"),
    ])  # fmt: skip
    def test_rankings_are_full_and_without_ties(self, rankings, message):
        with pytest.raises(ArgumentError, match=message):
            plackett_luce(rankings)

    def test_without_rng_is_an_error(self, rng):
        with pytest.raises(ArgumentError, match="rng"):
            plackett_luce(some_rankings(rng), resamples=10)
