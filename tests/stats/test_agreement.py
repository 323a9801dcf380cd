"""Agreement: published values, other libraries, properties, degenerate cases.

Second routes ran with scikit-learn 1.9.1, statsmodels 0.15.0, krippendorff 0.9.0 and nltk 3.10.4.
"""

from __future__ import annotations

import subprocess
import sys
from itertools import product

import krippendorff
import numpy as np
import pytest
from nltk.metrics import agreement as nltk_agreement
from nltk.metrics.distance import jaccard_distance, masi_distance
from numpy.testing import assert_allclose
from sklearn.metrics import cohen_kappa_score, jaccard_score
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as statsmodels_fleiss

from workbench.errors import ArgumentError, WorkbenchError
from workbench.stats.agreement import (
    brennan_prediger,
    cohen_kappa,
    fleiss_kappa,
    gwet_ac,
    krippendorff_alpha,
    percent_agreement,
    scott_pi,
    set_alpha,
    specific_agreement,
    unitizing_alpha,
)

TWO_RATER = (cohen_kappa, scott_pi)
MANY_RATER = (fleiss_kappa, brennan_prediger, gwet_ac)
EVERY = (*TWO_RATER, *MANY_RATER, krippendorff_alpha)
UNDEFINED_FOR_ONE_CATEGORY = (cohen_kappa, scott_pi, fleiss_kappa, krippendorff_alpha)
METRICS = ("nominal", "ordinal", "interval", "ratio")


def units_of(table):
    """The units behind a table of counts, first rater in rows."""
    return [(i, j) for i, row in enumerate(table) for j, often in enumerate(row) for _ in range(often)]


def noisy_ratings(rng, n_units=60, n_raters=2, n_codes=4, missing=0.0, agree=0.6):
    """Ratings 1 to n_codes that agree with a hidden code more often than by chance."""
    hidden = rng.integers(1, n_codes + 1, (n_units, 1))
    ratings = np.where(
        rng.random((n_units, n_raters)) < agree, hidden, rng.integers(1, n_codes + 1, (n_units, n_raters))
    )
    return np.where(rng.random(ratings.shape) < missing, np.nan, ratings)


def close(case, got, name, statistic=None):
    """Within the case's own tolerance of its expected value."""
    assert got == pytest.approx(case["expected"][name], rel=case["tolerance"], abs=case["tolerance"]), statistic or name


class TestPublished:
    def test_cohen_1968_plain_and_weighted(self, published):
        """Table of Cohen 1960 / 1968 (n = 200), as in the R psych documentation; errors of Fleiss, Cohen & Everitt 1969."""
        case = published["kappa_cohen_1968"]
        disagreement = np.array(case["inputs"]["disagreement_weights"], dtype=float)
        units = units_of(case["inputs"]["table"])
        plain = cohen_kappa(units)
        weighted = cohen_kappa(units, weights=1 - disagreement / disagreement.max())
        for got, name in [
            (plain.value, "kappa"),
            (plain.observed, "po"),
            (plain.expected, "pe"),
            (plain.standard_error, "se"),
            (plain.interval.low, "ci95_low"),
            (plain.interval.high, "ci95_high"),
            (weighted.value, "kappa_weighted"),
            (weighted.standard_error, "se_weighted"),
            (weighted.interval.low, "ci95_low_weighted"),
            (weighted.interval.high, "ci95_high_weighted"),
        ]:
            close(case, got, name)
        assert round(plain.value, 3) == case["published"]["kappa"]
        assert round(weighted.value, 3) == case["published"]["weighted_kappa"]

    def test_gwet_abstractors(self, published):
        """Gwet 2014, as in the R irrCAC 1.0 documentation (cont3x3abstractors), with his standard errors."""
        case = published["kappa_weights_gwet_abstractors"]
        units = units_of(case["inputs"]["table"])
        names = {
            cohen_kappa: ("kappa", "kappa_quadratic", "se_kappa_gwet"),
            scott_pi: ("scott_pi", "pi_quadratic", "se_pi_gwet"),
            gwet_ac: ("ac1", "ac2_quadratic", "se_ac1_gwet"),
            brennan_prediger: ("brennan_prediger", "bp_quadratic", "se_bp_gwet"),
        }
        for coefficient, (plain_name, quadratic_name, error_name) in names.items():
            plain = coefficient(units)
            close(case, plain.value, plain_name)
            close(case, plain.standard_error, error_name)
            quadratic = coefficient(units, weights="quadratic")
            close(case, quadratic.value, quadratic_name)
            close(case, quadratic.observed, "po_quadratic")
        close(case, cohen_kappa(units, weights="linear").value, "kappa_linear")
        close(case, percent_agreement(units).value, "po")
        close(case, krippendorff_alpha(units).value, "kripp_alpha")
        close(case, krippendorff_alpha(units, metric="interval").value, "alpha_quadratic")
        for code in (0, 1, 2):
            one_against_rest = np.array(units) == code
            close(case, cohen_kappa(one_against_rest).value, f"category_kappa.{code + 1}")
            close(case, specific_agreement(one_against_rest).positive, f"specific_agreement.{code + 1}")

    @pytest.mark.parametrize("table", ["balanced", "skewed"])
    def test_paradox_of_feinstein_and_cicchetti(self, published, table):
        """Feinstein & Cicchetti 1990, J Clin Epidemiol 43:543: the same agreement, very different kappas."""
        case = published["kappa_paradox_1"]
        # the first row and column of the printed tables are "yes"
        units = 1 - np.array(units_of(case["inputs"]["tables"][table]))
        close(case, percent_agreement(units).value, f"po.{table}")
        close(case, cohen_kappa(units).value, f"kappa.{table}")
        close(case, scott_pi(units).value, f"scott_pi.{table}")
        close(case, gwet_ac(units).value, f"ac1.{table}")
        close(case, brennan_prediger(units).value, f"pabak.{table}")
        specific = specific_agreement(units)
        close(case, specific.positive, f"positive_agreement.{table}")
        close(case, specific.negative, f"negative_agreement.{table}")

    def test_fleiss_1971(self, published):
        """Fleiss 1971, Psychol Bull 76:378: 30 patients, 6 raters, 5 diagnoses."""
        case = published["fleiss_1971"]
        counts = np.array(case["inputs"]["counts"])
        ratings = np.array([np.repeat(np.arange(5), row) for row in counts])
        fleiss = fleiss_kappa(ratings)
        close(case, fleiss.value, "kappa")
        close(case, fleiss.observed, "P_bar")
        close(case, fleiss.expected, "P_e")
        for code in range(5):
            close(case, fleiss_kappa(ratings == code).value, f"kappa_category.{code + 1}")

    def test_gwet_four_raters_with_missing(self, published):
        """Gwet 2014, as in the R irrCAC 1.0 documentation (cac.raw4raters): unit 12 has a single rating."""
        case = published["gwet_raw4raters_missing"]
        ratings = case["inputs"]["units_by_raters"]
        for coefficient, plain_name, quadratic_name in [
            (gwet_ac, "ac1", "ac2_quadratic"),
            (fleiss_kappa, "fleiss_kappa", "fleiss_quadratic"),
            (brennan_prediger, "brennan_prediger", "bp_quadratic"),
        ]:
            plain = coefficient(ratings)
            close(case, plain.value, plain_name)
            close(case, plain.observed, "pa")
            assert (plain.n_units, plain.n_single_rated, plain.n_unrated) == (11, 1, 0)
            quadratic = coefficient(ratings, weights="quadratic")
            close(case, quadratic.value, quadratic_name)
            close(case, quadratic.observed, "pa_quadratic")
        close(case, gwet_ac(ratings).standard_error, "se_ac1")
        close(case, fleiss_kappa(ratings).standard_error, "se_fleiss")
        close(case, percent_agreement(ratings).value, "pa")
        close(case, krippendorff_alpha(ratings).value, "kripp_alpha")
        close(case, krippendorff_alpha(ratings, metric="interval").value, "alpha_quadratic")

    @pytest.mark.parametrize("metric", METRICS)
    def test_krippendorff_four_observers(self, published, metric):
        """Krippendorff 2011, Computing Krippendorff's Alpha-Reliability, sections C to E."""
        case = published["kripp_2011_four_observers"]
        alpha = krippendorff_alpha(list(zip(*case["inputs"]["raters_by_units"], strict=True)), metric=metric)
        close(case, alpha.value, metric)
        assert alpha.n_pairable == case["expected"]["n_pairable"]
        assert round(alpha.value, 3) == case["published"][metric]

    def test_krippendorff_binary(self, published):
        """Krippendorff 2011, section A; the published figure is from memory."""
        case = published["kripp_2011_binary"]
        alpha = krippendorff_alpha(np.array(case["inputs"]["raters_by_units"]).T)
        close(case, alpha.value, "nominal")
        assert alpha.n_pairable == case["expected"]["n_pairable"]

    @pytest.mark.parametrize("distance", ["masi", "jaccard"])
    def test_distances_of_pairs(self, published, distance):
        """Passonneau 2006, LREC: the observed disagreement of one unit is the distance of its two sets."""
        case = published["masi_pairs"]
        for pair, expected in zip(case["inputs"]["pairs"], case["expected"][distance], strict=True):
            alpha = set_alpha([pair, [["other"], ["other"]]], distance=distance)
            assert alpha.observed_disagreement * 2 == pytest.approx(expected, abs=case["tolerance"])

    @pytest.mark.parametrize("distance", ["masi", "jaccard"])
    def test_set_alpha_of_two_coders(self, published, distance):
        """Constructed data; the value is nltk 3.10.4's AnnotationTask.alpha."""
        case = published["masi_alpha_two_coders"]
        sets = list(zip(case["inputs"]["coder1"], case["inputs"]["coder2"], strict=True))
        close(case, set_alpha(sets, distance=distance).value, f"alpha_{distance}")

    def test_unitizing_alpha(self, published):
        """Krippendorff 2004, Content Analysis, 2nd ed., p. 254; printed figures seen in secondary sources only."""
        case = published["ualpha_krippendorff_2004"]
        inputs = case["inputs"]
        spans = [(rater, begin, begin + length, code) for rater, begin, length, code in inputs["units"]]
        result = unitizing_alpha(spans, length=inputs["length"], start=inputs["begin"])
        for code in ("c", "k"):
            close(case, result.observed_by_code[code], f"Do.{code}")
            close(case, result.expected_by_code[code], f"De.{code}")
            close(case, result.by_code[code], f"alpha.{code}")
        close(case, result.value, "alpha_u")
        assert result.observed_disagreement == pytest.approx(sum(result.observed_by_code.values()))
        assert result.n_spans == 9
        assert result.reason == ""


class TestOtherLibraries:
    @pytest.mark.parametrize("weights", [None, "linear", "quadratic"])
    def test_kappa_with_scikit_learn(self, rng, weights):
        for _ in range(5):
            ratings = noisy_ratings(rng, n_units=25, n_codes=5)
            expected = cohen_kappa_score(ratings[:, 0], ratings[:, 1], weights=weights, labels=[1, 2, 3, 4, 5])
            assert cohen_kappa(ratings, weights=weights, categories=[1, 2, 3, 4, 5]).value == pytest.approx(
                expected, abs=1e-10
            )

    @pytest.mark.parametrize("weights", [None, "linear", "quadratic"])
    def test_kappa_error_with_statsmodels(self, rng, weights):
        ratings = noisy_ratings(rng, n_units=80).astype(int)
        table = np.zeros((4, 4))
        np.add.at(table, (ratings[:, 0] - 1, ratings[:, 1] - 1), 1)
        expected = cohens_kappa(table, wt=weights)
        got = cohen_kappa(ratings, weights=weights)
        assert_allclose([got.value, got.standard_error], [expected.kappa, expected.std_kappa], atol=1e-10)
        assert_allclose([got.interval.low, got.interval.high], [expected.kappa_low, expected.kappa_upp], atol=1e-10)

    def test_fleiss_with_statsmodels(self, rng):
        ratings = noisy_ratings(rng, n_raters=5).astype(int)
        counts = np.stack([(ratings == code).sum(axis=1) for code in (1, 2, 3, 4)], axis=1)
        assert fleiss_kappa(ratings).value == pytest.approx(statsmodels_fleiss(counts), abs=1e-10)
        assert brennan_prediger(ratings, categories=[1, 2, 3, 4]).value == pytest.approx(
            statsmodels_fleiss(counts, method="randolph"), abs=1e-10
        )

    @pytest.mark.parametrize("metric", METRICS)
    def test_alpha_with_krippendorff(self, rng, metric):
        for n_raters in (2, 3, 6):
            ratings = noisy_ratings(rng, n_raters=n_raters, n_codes=5, missing=0.3)
            expected = krippendorff.alpha(reliability_data=ratings.T, level_of_measurement=metric)
            assert krippendorff_alpha(ratings, metric=metric).value == pytest.approx(expected, abs=1e-10)

    def test_interval_alpha_of_many_distinct_values_with_krippendorff(self, rng):
        values = rng.normal(50, 10, (40, 1)) + rng.normal(0, 5, (40, 3))
        expected = krippendorff.alpha(reliability_data=values.T, level_of_measurement="interval")
        assert krippendorff_alpha(values, metric="interval").value == pytest.approx(expected, abs=1e-10)

    @pytest.mark.parametrize(("distance", "function"), [("masi", masi_distance), ("jaccard", jaccard_distance)])
    def test_set_alpha_with_nltk(self, rng, distance, function):
        sets = [
            [frozenset(np.flatnonzero(rng.random(4) < 0.5).tolist()) or frozenset({9}) for _ in range(3)]
            for _ in range(20)
        ]
        data = [(rater, unit, sets[unit][rater]) for unit in range(20) for rater in range(3)]
        expected = nltk_agreement.AnnotationTask(data=data, distance=function).alpha()
        assert set_alpha(sets, distance=distance).value == pytest.approx(expected, abs=1e-10)

    def test_jaccard_with_scikit_learn(self):
        a, b = {"x", "y", "z"}, {"y", "z", "w", "v"}
        labels = ["v", "w", "x", "y", "z"]
        similarity = jaccard_score([label in a for label in labels], [label in b for label in labels])
        alpha = set_alpha([[a, b], [set(), set()]], distance="jaccard")
        assert alpha.observed_disagreement * 2 == pytest.approx(1 - similarity)


class TestProperties:
    @pytest.mark.parametrize("coefficient", EVERY)
    def test_order_of_raters_and_units_changes_nothing(self, rng, coefficient):
        ratings = noisy_ratings(rng, missing=0.2)
        clusters = np.repeat(np.arange(12), 5)
        order = rng.permutation(len(ratings))
        settings = {"resamples": 50, "clusters": clusters}
        before = coefficient(ratings, rng=np.random.default_rng(1), **settings)
        settings["clusters"] = clusters[order]
        after = coefficient(ratings[order][:, ::-1], rng=np.random.default_rng(1), **settings)
        assert after.value == pytest.approx(before.value, abs=1e-12)
        bootstrap = "interval" if coefficient is krippendorff_alpha else "bootstrap_interval"
        assert getattr(after, bootstrap).low == pytest.approx(getattr(before, bootstrap).low, abs=1e-12)
        if coefficient is not krippendorff_alpha:
            assert after.standard_error == pytest.approx(before.standard_error, abs=1e-12)

    @pytest.mark.parametrize("coefficient", EVERY)
    def test_names_of_codes_change_nothing(self, rng, coefficient):
        ratings = noisy_ratings(rng, missing=0.1)
        names = {1.0: "pot", 2.0: "ladle", 3.0: "soup", 4.0: "stove"}
        named = [[names.get(code) for code in row] for row in ratings.tolist()]
        assert coefficient(named).value == pytest.approx(coefficient(ratings).value, abs=1e-12)

    @pytest.mark.parametrize("coefficient", [cohen_kappa, scott_pi, fleiss_kappa])
    def test_full_weight_between_two_codes_is_merging_them(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        weights = np.eye(4)
        weights[0, 1] = weights[1, 0] = 1
        merged = coefficient(np.where(ratings == 1, 2, ratings))
        weighted = coefficient(ratings, weights=weights)
        assert weighted.value == pytest.approx(merged.value, abs=1e-12)
        assert weighted.standard_error == pytest.approx(merged.standard_error, abs=1e-12)

    @pytest.mark.parametrize("coefficient", [cohen_kappa, scott_pi, krippendorff_alpha])
    def test_unused_categories_change_nothing(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        assert coefficient(ratings, categories=[0, 1, 2, 3, 4, 5]).value == pytest.approx(
            coefficient(ratings).value, abs=1e-12
        )

    @pytest.mark.parametrize("coefficient", [brennan_prediger, gwet_ac])
    def test_unused_categories_count_where_chance_depends_on_their_number(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        assert coefficient(ratings, categories=range(10)).value > coefficient(ratings).value

    def test_weights_keep_the_distance_over_an_unused_code(self):
        ratings = [(1, 1), (2, 4), (4, 4), (1, 2), (2, 2), (4, 1), (4, 4)]
        declared = cohen_kappa(ratings, weights="linear", categories=[1, 2, 3, 4])
        assert cohen_kappa(ratings, weights="linear").value == pytest.approx(declared.value)
        assert declared.value == pytest.approx(
            cohen_kappa_score(*zip(*ratings, strict=True), weights="linear", labels=[1, 2, 3, 4])
        )

    @pytest.mark.parametrize("coefficient", TWO_RATER)
    def test_weights_on_strings_follow_categories(self, rng, coefficient):
        ratings = noisy_ratings(rng, n_codes=3)
        names = {1.0: "low", 2.0: "middle", 3.0: "high"}
        named = [[names[code] for code in row] for row in ratings.tolist()]
        got = coefficient(named, weights="quadratic", categories=["low", "middle", "high"])
        assert got.value == pytest.approx(coefficient(ratings, weights="quadratic").value, abs=1e-12)

    def test_scott_is_fleiss_for_two_raters(self, rng):
        ratings = noisy_ratings(rng, missing=0.2)
        assert scott_pi(ratings).value == pytest.approx(fleiss_kappa(ratings).value, abs=1e-12)
        assert scott_pi(ratings).standard_error == pytest.approx(fleiss_kappa(ratings).standard_error, abs=1e-12)

    @pytest.mark.parametrize("coefficient", MANY_RATER)
    def test_rater_without_ratings_changes_nothing(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        with_empty = np.column_stack([ratings, np.full(len(ratings), np.nan)])
        assert coefficient(with_empty).value == pytest.approx(coefficient(ratings).value, abs=1e-12)
        assert coefficient(with_empty).standard_error == pytest.approx(coefficient(ratings).standard_error, abs=1e-12)

    def test_alpha_is_pi_with_small_sample_correction(self, rng):
        """1 - (1 - 1/(2n)) (1 - pi) for two raters and no missing rating: Krippendorff 2004 (from memory)."""
        ratings = noisy_ratings(rng)
        pi = scott_pi(ratings).value
        assert krippendorff_alpha(ratings).value == pytest.approx(
            1 - (1 - 1 / (2 * len(ratings))) * (1 - pi), abs=1e-12
        )

    def test_quadratic_pi_and_interval_alpha_agree_in_the_same_way(self, rng):
        ratings = noisy_ratings(rng)
        pi = scott_pi(ratings, weights="quadratic").value
        alpha = krippendorff_alpha(ratings, metric="interval").value
        assert alpha == pytest.approx(1 - (1 - 1 / (2 * len(ratings))) * (1 - pi), abs=1e-12)

    @pytest.mark.parametrize("coefficient", TWO_RATER)
    def test_each_unit_twice_shrinks_the_error_by_root_two(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        once, twice = coefficient(ratings), coefficient(np.vstack([ratings, ratings]))
        assert twice.value == pytest.approx(once.value, abs=1e-12)
        assert twice.standard_error == pytest.approx(once.standard_error / np.sqrt(2), abs=1e-12)

    @pytest.mark.parametrize("coefficient", EVERY)
    def test_unrated_units_change_nothing(self, rng, coefficient):
        ratings = noisy_ratings(rng)
        padded = coefficient(np.vstack([ratings, np.full((7, 2), np.nan)]))
        assert padded.value == pytest.approx(coefficient(ratings).value, abs=1e-12)
        assert (padded.n_units, padded.n_unrated) == (60, 7)

    def test_kappa_and_alpha_leave_out_units_with_one_rating(self, rng):
        ratings = noisy_ratings(rng)
        padded = np.vstack([ratings, [[1, np.nan], [np.nan, 3]]])
        for coefficient in (cohen_kappa, krippendorff_alpha):
            got = coefficient(padded)
            assert got.value == pytest.approx(coefficient(ratings).value, abs=1e-12)
            assert (got.n_units, got.n_single_rated) == (60, 2)

    def test_units_with_one_rating_move_chance_agreement_of_pi_and_ac1(self):
        pairs = [["a", "a"], ["a", "b"], ["b", "b"], ["a", "a"]]
        singles = [*pairs, ["b", None], [None, "b"]]
        prevalence = (2 + 1 / 2 + 0) / 6
        assert scott_pi(singles).expected == pytest.approx(prevalence**2 + (1 - prevalence) ** 2)
        assert gwet_ac(singles).expected == pytest.approx(2 * prevalence * (1 - prevalence))
        assert scott_pi(singles).observed == scott_pi(pairs).observed == 0.75

    def test_set_alpha_of_single_codes_is_nominal_alpha(self, rng):
        ratings = noisy_ratings(rng, n_raters=3, missing=0.2)
        sets = [[None if np.isnan(code) else {code} for code in row] for row in ratings]
        for distance in ("masi", "jaccard"):
            assert set_alpha(sets, distance=distance).value == pytest.approx(
                krippendorff_alpha(ratings).value, abs=1e-12
            )

    def test_sums_and_float_means_are_the_same_codes(self):
        """0.1 + 0.2 and 0.3 tie, so a rating cannot differ by rounding."""
        assert percent_agreement([[0.1 + 0.2, 0.3], [0.5, 0.7]]).value == 0.5
        assert cohen_kappa([[0.1 + 0.2, 0.3], [0.5, 0.5]], categories=[0.3, 0.5]).value == 1

    def test_large_whole_numbers_stay_different_codes(self):
        assert percent_agreement([[10**9, 10**9 + 1], [3, 3]]).value == 0.5

    @pytest.mark.parametrize("metric", METRICS)
    def test_unit_of_measurement_changes_nothing(self, rng, metric):
        ratings = noisy_ratings(rng, n_raters=3, missing=0.2)
        small = krippendorff_alpha(ratings * 0.01, metric=metric)
        assert small.value == pytest.approx(krippendorff_alpha(ratings, metric=metric).value, abs=1e-12)

    def test_specific_agreement_swaps_with_the_categories(self, rng):
        ratings = noisy_ratings(rng, n_raters=3, n_codes=2, missing=0.2) - 1
        one, other = specific_agreement(ratings), specific_agreement(ratings, categories=(1, 0))
        assert (one.positive, one.negative) == (other.negative, other.positive)

    def test_specific_agreement_is_the_chance_that_another_rater_concurs(self):
        # three raters: positive ratings 2 + 1, of whose companions (1 of 2) each twice, and 0 of 2, are positive
        specific = specific_agreement([[1, 1, 0], [0, 0, 1], [0, 0, 0]])
        assert specific.positive == pytest.approx((0.5 + 0.5 + 0) / 3)
        assert specific.negative == pytest.approx((0 + 0.5 + 0.5 + 3) / 6)


class TestBootstrap:
    @pytest.mark.parametrize("coefficient", EVERY)
    @pytest.mark.parametrize("missing", [0.0, 0.2])
    def test_two_clusters_give_the_values_of_copied_clusters(self, rng, coefficient, missing):
        """Two clusters can be drawn in three ways; the quartile shares put the smallest and largest at the ends."""
        ratings = noisy_ratings(rng, n_units=30, missing=missing)
        clusters = np.array(["t1"] * 12 + ["t2"] * 18)
        settings = {} if coefficient is krippendorff_alpha else {"categories": [1, 2, 3, 4]}
        copies = [
            coefficient(np.vstack([ratings[clusters == a], ratings[clusters == b]]), **settings).value
            for a, b in product(["t1", "t2"], repeat=2)
        ]
        result = coefficient(ratings, clusters=clusters, resamples=200, rng=rng, **settings)
        interval = result.interval if coefficient is krippendorff_alpha else result.bootstrap_interval
        assert_allclose([interval.low, interval.high], [min(copies), max(copies)], atol=1e-12)
        assert "clusters" in interval.method

    @pytest.mark.parametrize("metric", METRICS)
    def test_two_clusters_with_every_metric(self, rng, metric):
        ratings = noisy_ratings(rng, n_units=30, n_raters=3, missing=0.2)
        clusters = np.repeat([1, 2], [12, 18])
        copies = [
            krippendorff_alpha(np.vstack([ratings[clusters == a], ratings[clusters == b]]), metric=metric).value
            for a, b in product([1, 2], repeat=2)
        ]
        interval = krippendorff_alpha(ratings, metric=metric, clusters=clusters, resamples=200, rng=rng).interval
        assert_allclose([interval.low, interval.high], [min(copies), max(copies)], atol=1e-12)

    @pytest.mark.parametrize("coefficient", [*TWO_RATER, *MANY_RATER])
    def test_width_is_near_the_normal_interval_in_a_large_sample(self, rng, coefficient):
        """Looser than 1e-8: 1500 resamples of 400 units, and two different approximations."""
        result = coefficient(noisy_ratings(rng, n_units=400), resamples=1500, rng=rng)
        normal = result.interval.high - result.interval.low
        bootstrap = result.bootstrap_interval.high - result.bootstrap_interval.low
        assert bootstrap == pytest.approx(normal, rel=0.12)
        assert result.bootstrap_interval.low < result.value < result.bootstrap_interval.high

    def test_width_agrees_with_copying_units(self, rng):
        """The plain bootstrap, by copying units and calling scikit-learn; looser because both are random."""
        ratings = noisy_ratings(rng, n_units=60)
        copied = []
        for _ in range(400):
            rows = rng.integers(0, 60, 60)
            copied.append(cohen_kappa_score(ratings[rows, 0], ratings[rows, 1]))
        interval = cohen_kappa(ratings, resamples=4000, rng=rng).bootstrap_interval
        assert_allclose([interval.low, interval.high], np.quantile(copied, [0.025, 0.975]), atol=0.04)

    def test_units_of_one_cluster_are_drawn_together(self, rng):
        """Ten copies of every unit in its cluster widen the cluster interval to that of the ten units."""
        few = noisy_ratings(rng, n_units=30)
        many, clusters = np.repeat(few, 10, axis=0), np.repeat(np.arange(30), 10)
        by_cluster = cohen_kappa(
            many, clusters=clusters, resamples=2000, rng=np.random.default_rng(5)
        ).bootstrap_interval
        by_unit = cohen_kappa(few, resamples=2000, rng=np.random.default_rng(6)).bootstrap_interval
        ignoring = cohen_kappa(many, resamples=2000, rng=np.random.default_rng(7)).bootstrap_interval
        assert by_cluster.high - by_cluster.low == pytest.approx(by_unit.high - by_unit.low, rel=0.1)
        assert ignoring.high - ignoring.low < 0.5 * (by_cluster.high - by_cluster.low)

    @pytest.mark.parametrize("coefficient", EVERY)
    def test_none_asked_for(self, rng, coefficient):
        result = coefficient(noisy_ratings(rng))
        interval = result.interval if coefficient is krippendorff_alpha else result.bootstrap_interval
        assert not interval.defined
        assert result.reason == ""

    @pytest.mark.parametrize("coefficient", EVERY)
    def test_one_cluster_has_no_interval(self, rng, coefficient):
        result = coefficient(noisy_ratings(rng), clusters=["T1"] * 60, resamples=20, rng=rng)
        interval = result.interval if coefficient is krippendorff_alpha else result.bootstrap_interval
        assert np.isfinite(result.value)
        assert not interval.defined
        assert "two clusters" in result.reason

    def test_without_rng_is_an_error(self, rng):
        with pytest.raises(ArgumentError, match="rng"):
            cohen_kappa(noisy_ratings(rng), resamples=10)

    @pytest.mark.parametrize("clusters", [[1, 2], [1] * 59 + [None], [1.0] * 59 + [np.nan]])
    def test_clusters_that_do_not_fit(self, rng, clusters):
        with pytest.raises(ArgumentError, match="clusters"):
            cohen_kappa(noisy_ratings(rng), clusters=clusters)


class TestDegenerate:
    @pytest.mark.parametrize("coefficient", UNDEFINED_FOR_ONE_CATEGORY)
    @pytest.mark.parametrize("categories", [None, ["x", "y"]])
    def test_one_category_used_by_all_is_undefined(self, coefficient, categories):
        result = coefficient([["x", "x"]] * 6, categories=categories)
        assert np.isnan(result.value)
        assert not result.interval.defined
        assert result.reason

    @pytest.mark.parametrize("coefficient", [gwet_ac, brennan_prediger])
    def test_one_category_used_by_all_is_one_and_shows_nothing(self, rng, coefficient):
        result = coefficient([["x", "x"]] * 6, categories=["x", "y"], resamples=20, rng=rng)
        assert result.value == 1
        assert "shows nothing" in result.reason
        assert not result.interval.defined
        assert not result.bootstrap_interval.defined

    @pytest.mark.parametrize("coefficient", [gwet_ac, brennan_prediger])
    def test_one_category_known_is_undefined(self, coefficient):
        result = coefficient([["x", "x"]] * 6)
        assert np.isnan(result.value)
        assert "categories" in result.reason

    def test_one_set_used_by_all_is_undefined(self):
        result = set_alpha([[set(), set()]] * 4)
        assert np.isnan(result.value)
        assert result.reason

    @pytest.mark.parametrize("coefficient", [*EVERY, percent_agreement])
    @pytest.mark.parametrize("ratings", [[["x", None], [None, "y"]], [[None, None]] * 3, np.empty((0, 2))])
    def test_no_overlap(self, coefficient, ratings):
        result = coefficient(ratings)
        assert np.isnan(result.value)
        assert result.n_units == 0
        assert result.reason

    def test_no_overlap_of_sets(self):
        result = set_alpha([[{"a"}, None], [None, {"b"}]])
        assert np.isnan(result.value)
        assert (result.n_units, result.n_pairable, result.n_single_rated) == (0, 0, 2)

    @pytest.mark.parametrize("coefficient", EVERY)
    def test_one_unit(self, rng, coefficient):
        result = coefficient([["x", "y"]], resamples=20, rng=rng)
        assert np.isfinite(result.value)
        assert not result.interval.defined
        assert result.reason

    @pytest.mark.parametrize("coefficient", [*TWO_RATER, *MANY_RATER])
    def test_perfect_agreement_says_that_its_interval_shows_nothing(self, coefficient):
        result = coefficient([["x", "x"], ["y", "y"], ["x", "x"]])
        assert (result.value, result.standard_error) == (1, 0)
        assert "says nothing" in result.interval.method
        assert result.reason == ""

    def test_weights_that_make_chance_agreement_certain(self):
        result = cohen_kappa([[1, 2], [2, 1]], weights=[[1, 1], [1, 1]])
        assert np.isnan(result.value)
        assert "chance is 1" in result.reason

    def test_no_rater_agrees_with_the_other(self):
        result = cohen_kappa([["x", "y"]] * 4 + [["y", "x"]] * 4)
        assert result.value == -1
        assert result.standard_error == 0

    def test_rare_code_that_a_resample_may_lack(self, rng):
        ratings = [["no", "no"]] * 30 + [["yes", "yes"]]
        interval = cohen_kappa(ratings, resamples=200, rng=rng).bootstrap_interval
        assert "undefined" in interval.method

    def test_specific_agreement_without_a_positive(self):
        result = specific_agreement([[0, 0], [0, 0], [1, None]])
        assert np.isnan(result.positive)
        assert result.negative == 1
        assert (result.n_units, result.n_single_rated) == (2, 1)
        assert "1" in result.reason

    def test_ratio_metric_with_zeros(self):
        result = krippendorff_alpha([[0, 0], [0, 0], [1, 2]], metric="ratio")
        assert result.observed_disagreement == pytest.approx(2 * (1 / 3) ** 2 / 6)


class TestArguments:
    @pytest.mark.parametrize("coefficient", TWO_RATER)
    def test_exactly_two_raters(self, coefficient):
        with pytest.raises(ArgumentError, match="3 raters"):
            coefficient([[1, 2, 1]])

    @pytest.mark.parametrize(
        "ratings", [[[1], [2]], [1, 2, 3], ["ab", "cd"], [], [[1, 2], [1]], np.zeros(4), np.zeros((2, 2, 2))]
    )
    @pytest.mark.parametrize("coefficient", [*EVERY, percent_agreement])
    def test_shape(self, coefficient, ratings):
        with pytest.raises(WorkbenchError, match="ratings"):
            coefficient(ratings)

    @pytest.mark.parametrize("code", [np.inf, {"a"}, ["a"], ("a", "b"), object()])
    def test_codes_are_numbers_or_strings(self, code):
        with pytest.raises(ArgumentError, match="ratings"):
            percent_agreement([[code, 1], [1, 1]])

    def test_missing_turned_into_text_is_refused(self):
        with pytest.raises(ArgumentError, match="nan"):
            percent_agreement(np.array([["a", np.nan], ["a", "b"]]))

    def test_code_outside_categories(self):
        with pytest.raises(ArgumentError, match="'soup'"):
            cohen_kappa([["pot", "soup"]], categories=["pot", "ladle"])

    @pytest.mark.parametrize("categories", [[1, 1, 2], [1, True, 2], [1, None, 2]])
    def test_categories_are_different_codes(self, categories):
        with pytest.raises(ArgumentError, match="categories"):
            cohen_kappa([[1, 2]], categories=categories)

    @pytest.mark.parametrize("weights", ["linear", np.eye(2)])
    def test_weights_on_strings_need_categories(self, weights):
        with pytest.raises(ArgumentError, match="categories"):
            cohen_kappa([["low", "high"]], weights=weights)

    @pytest.mark.parametrize(
        "weights",
        [
            "cubic",
            np.eye(3),
            [[0, 1], [1, 0]],
            [[1, 2], [2, 1]],
            [[1, 0.5], [0, 1]],
            [[1, np.nan], [np.nan, 1]],
            [1, 1],
        ],
    )
    def test_weights_are_agreement_weights(self, weights):
        with pytest.raises(ArgumentError, match="weights"):
            cohen_kappa([[1, 2], [2, 2]], weights=weights)

    def test_ordinal_strings_need_categories(self):
        ratings = [["low", "high"], ["mid", "mid"], ["high", "high"], ["low", "mid"]]
        with pytest.raises(ArgumentError, match="categories"):
            krippendorff_alpha(ratings, metric="ordinal")
        numbers = [[{"low": 1, "mid": 2, "high": 3}[code] for code in row] for row in ratings]
        got = krippendorff_alpha(ratings, metric="ordinal", categories=["low", "mid", "high"])
        assert got.value == pytest.approx(krippendorff_alpha(numbers, metric="ordinal").value)

    @pytest.mark.parametrize("metric", ["interval", "ratio"])
    def test_metrics_of_numbers_refuse_strings(self, metric):
        with pytest.raises(ArgumentError, match="numbers"):
            krippendorff_alpha([["1", "2"]], metric=metric)

    def test_ratio_refuses_negative_numbers(self):
        with pytest.raises(ArgumentError, match="ratio"):
            krippendorff_alpha([[-1, 2]], metric="ratio")

    @pytest.mark.parametrize(("argument", "call"), [
        ("metric", lambda: krippendorff_alpha([[1, 2]], metric="cardinal")),
        ("distance", lambda: set_alpha([[{1}, {2}]], distance="dice")),
        ("level", lambda: cohen_kappa([[1, 2]], level=95)),
        ("label_sets", lambda: set_alpha([["ab", {"a"}]])),
        ("categories", lambda: specific_agreement([[1, 0]], categories=(0, 1, 2))),
    ])  # fmt: skip
    def test_unknown_choice_is_named(self, argument, call):
        with pytest.raises(ArgumentError, match=argument):
            call()

    def test_two_or_more_ways_to_write_ratings(self):
        pandas = pytest.importorskip("pandas")
        frame = pandas.DataFrame({"R1": ["a", "b", None], "R2": ["a", "a", "b"]})
        as_lists = percent_agreement([["a", "a"], ["b", "a"], [None, "b"]])
        as_frame = percent_agreement(frame)
        assert (as_frame.value, as_frame.n_units, as_frame.n_single_rated) == (as_lists.value, 2, 1)

    def test_true_and_false_are_one_and_zero(self):
        assert specific_agreement([[True, 1], [False, 0.0]]).positive == 1


class TestUnitizing:
    SPANS = (("R1", 3, 9, "a"), ("R1", 12, 20, "b"), ("R2", 4, 9, "a"), ("R2", 11, 14, "b"), ("R3", 25, 28, "a"))

    def test_observed_disagreement_step_by_step(self):
        """The definition, pair by pair, written out: squared distances of ends, or squared length in a gap."""
        result = unitizing_alpha(self.SPANS, length=30)
        of_a = 1**2 + 0**2 + (6**2 + 3**2) + (5**2 + 3**2)
        of_b = 1**2 + 6**2 + 8**2 + 3**2
        assert result.observed_by_code == pytest.approx({"a": 2 * of_a / (6 * 900), "b": 2 * of_b / (6 * 900)})

    def test_expected_disagreement_step_by_step(self):
        """Code b by the printed formula: two spans of 8 and 3, gaps 12 and 10, 11 and 16, 30."""
        of_spans = (2 - 1) / 3 * (2 * 512 - 3 * 64 + 8) + (2 - 1) / 3 * (2 * 27 - 3 * 9 + 3)
        of_gaps = 64 * (5 + 3 + 4 + 9 + 23) + 9 * (10 + 8 + 9 + 14 + 28)
        expected = 2 / 30 * (of_spans + of_gaps) / (90 * 89 - 8 * 7 - 3 * 2)
        assert unitizing_alpha(self.SPANS, length=30).expected_by_code["b"] == pytest.approx(expected)

    def test_order_of_spans_and_start_change_nothing(self):
        moved = [(rater, begin + 100, end + 100, code) for rater, begin, end, code in reversed(self.SPANS)]
        assert unitizing_alpha(moved, length=30, start=100).value == pytest.approx(
            unitizing_alpha(self.SPANS, length=30).value
        )

    def test_mirrored_continuum_changes_nothing(self):
        mirrored = [(rater, 30 - end, 30 - begin, code) for rater, begin, end, code in self.SPANS]
        assert unitizing_alpha(mirrored, length=30).value == pytest.approx(unitizing_alpha(self.SPANS, length=30).value)

    def test_same_spans_agree_fully(self):
        same = [
            (rater, begin, end, code) for rater in "xyz" for begin, end, code in [(0, 4, "a"), (4, 9, "a"), (2, 7, "b")]
        ]
        result = unitizing_alpha(same, length=50)
        assert (result.value, result.by_code) == (1, {"a": 1, "b": 1})

    def test_closer_ends_agree_better(self):
        values = [
            unitizing_alpha([("x", 10, 20, "a"), ("y", 10 + by, 20 + by, "a")], length=100).value
            for by in range(0, 10, 3)
        ]
        assert values == sorted(values, reverse=True)

    def test_rater_who_marked_nothing_counts(self):
        spans = [("x", 10, 20, "a")]
        result = unitizing_alpha(spans, length=100, raters=["x", "y"])
        assert result.observed_disagreement == pytest.approx(2 * 100 / (2 * 100**2))
        assert result.value < 0.1

    def test_code_that_nobody_marked_is_undefined(self):
        result = unitizing_alpha([("x", 1, 5, "a"), ("y", 1, 5, "a")], length=10, codes=["a", "rare"])
        assert result.value == 1
        assert np.isnan(result.by_code["rare"])
        assert "rare" in result.reason

    def test_no_span_at_all(self):
        result = unitizing_alpha([], length=10, raters=["x", "y"])
        assert np.isnan(result.value)
        assert result.reason

    @pytest.mark.parametrize(("spans", "message"), [
        ([("x", 1, 5, "a"), ("x", 4, 8, "a"), ("y", 1, 5, "a")], "overlap"),
        ([("x", 1, 12, "a"), ("y", 1, 5, "a")], "12"),
        ([("x", -1, 2, "a"), ("y", 1, 5, "a")], "-1"),
        ([("x", 5, 5, "a"), ("y", 1, 5, "a")], "5"),
        ([("x", 1.5, 5, "a"), ("y", 1, 5, "a")], "1.5"),
        ([("x", 1, 5, "a")], "raters"),
    ])  # fmt: skip
    def test_spans_that_do_not_fit(self, spans, message):
        with pytest.raises(ArgumentError, match=message):
            unitizing_alpha(spans, length=10)

    @pytest.mark.parametrize("settings", [{"raters": ["x", "z"]}, {"codes": ["b"]}])
    def test_names_that_were_not_announced(self, settings):
        with pytest.raises(ArgumentError, match="spans"):
            unitizing_alpha([("x", 1, 5, "a"), ("y", 1, 5, "a")], length=10, **settings)


def test_import_loads_no_heavy_library():
    code = "import sys, workbench.stats.agreement, workbench.stats.preference; sys.exit('pandas' in sys.modules or 'nltk' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
