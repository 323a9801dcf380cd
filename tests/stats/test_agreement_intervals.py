"""Intervals of percent and specific agreement, large tables of codes, and spans over several texts.

Second routes ran with krippendorff 0.9.0, nltk 3.10.4 and scikit-learn 1.9.1.
"""

from __future__ import annotations

from itertools import combinations, product

import krippendorff
import numpy as np
import pytest
from nltk.metrics.distance import jaccard_distance, masi_distance
from numpy.testing import assert_allclose
from sklearn.metrics import f1_score, jaccard_score

from workbench.errors import ArgumentError
from workbench.stats.agreement import (
    krippendorff_alpha,
    percent_agreement,
    set_alpha,
    specific_agreement,
    unitizing_alpha,
    unitizing_of_texts,
)

CLUSTERS = np.repeat([0, 1], [12, 18])


def binary(rng, n_units=30, n_raters=2, missing=0.0):
    ratings = (rng.random((n_units, 1)) < 0.3) ^ (rng.random((n_units, n_raters)) < 0.2)
    return np.where(rng.random(ratings.shape) < missing, np.nan, ratings.astype(float))


def copied(ratings):
    """The ratings of each draw of two clusters out of two."""
    first, second = ratings[CLUSTERS.astype(bool)], ratings[~CLUSTERS.astype(bool)]
    return [np.vstack(draw) for draw in product([first, second], repeat=2)]


@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_percent_agreement_of_two_clusters_is_that_of_copied_clusters(rng, missing):
    ratings = binary(rng, missing=missing)
    interval = percent_agreement(ratings, clusters=CLUSTERS, resamples=200, rng=rng).interval
    values = [percent_agreement(draw).value for draw in copied(ratings)]
    assert_allclose([interval.low, interval.high], [min(values), max(values)])


def test_specific_agreement_of_two_clusters_is_that_of_copied_clusters(rng):
    ratings = binary(rng)
    result = specific_agreement(ratings, clusters=CLUSTERS, resamples=200, rng=rng)
    values = [specific_agreement(draw) for draw in copied(ratings)]
    for interval, of in (
        (result.positive_interval, [one.positive for one in values]),
        (result.negative_interval, [one.negative for one in values]),
    ):
        assert_allclose([interval.low, interval.high], [min(of), max(of)])


def test_specific_agreement_of_two_raters_is_the_f_measure(rng):
    """2a / (2a + b + c) is scikit-learn's F1 of the one rater against the other."""
    ratings = binary(rng, n_units=200)
    result = specific_agreement(ratings)
    assert result.positive == pytest.approx(f1_score(ratings[:, 0], ratings[:, 1]))
    assert result.negative == pytest.approx(f1_score(1 - ratings[:, 0], 1 - ratings[:, 1]))


def test_more_raters_and_codes_than_a_whole_number_can_stand_for(rng):
    """30 raters and 10 codes do not fit into one 64-bit key, so the patterns are found in another way."""
    hidden = rng.integers(0, 10, (40, 1))
    ratings = np.where(rng.random((40, 30)) < 0.5, hidden, rng.integers(0, 10, (40, 30))).astype(float)
    ratings[rng.random(ratings.shape) < 0.3] = np.nan
    theirs = krippendorff.alpha(ratings.T, level_of_measurement="nominal")
    assert krippendorff_alpha(ratings).value == pytest.approx(theirs, abs=1e-10)
    few = ratings[:, :4]
    assert krippendorff_alpha(few).value == pytest.approx(
        krippendorff.alpha(few.T, level_of_measurement="nominal"), abs=1e-10
    )


def sets_of(rng, n_units, n_raters):
    codes = [frozenset(name for name in "abcde" if rng.random() < 0.3) for _ in range(n_units * n_raters)]
    return [
        [None if rng.random() < 0.1 else codes[unit * n_raters + rater] for rater in range(n_raters)]
        for unit in range(n_units)
    ]


def alpha_pair_by_pair(sets, distance):
    """1 - Do / De from every pair of ratings, one by one."""
    paired = [given for row in sets if len(given := [one for one in row if one is not None]) > 1]
    values = [one for row in paired for one in row]
    n = len(values)
    observed = sum(2 * distance(a, b) / (len(row) - 1) for row in paired for a, b in combinations(row, 2)) / n
    expected = sum(2 * distance(a, b) for a, b in combinations(values, 2)) / (n * (n - 1))
    return 1 - observed / expected


@pytest.mark.parametrize(("name", "of_nltk"), [("masi", masi_distance), ("jaccard", jaccard_distance)])
@pytest.mark.parametrize("clustered", [False, True])
def test_alpha_over_sets_pair_by_pair_with_the_distances_of_nltk(rng, name, of_nltk, clustered):
    sets = sets_of(rng, 30, 3)
    expected = alpha_pair_by_pair(sets, lambda a, b: 0.0 if a == b else of_nltk(a, b))
    drawn = {"clusters": CLUSTERS, "resamples": 20, "rng": rng} if clustered else {}
    assert set_alpha(sets, distance=name, **drawn).value == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("distance", ["masi", "jaccard"])
def test_alpha_over_sets_of_two_clusters_is_that_of_copied_clusters(rng, distance):
    sets = np.empty((30, 3), dtype=object)
    for unit, row in enumerate(sets_of(rng, 30, 3)):
        sets[unit, :] = row
    interval = set_alpha(sets, distance=distance, clusters=CLUSTERS, resamples=200, rng=rng).interval
    values = [set_alpha(draw, distance=distance).value for draw in copied(sets)]
    assert_allclose([interval.low, interval.high], [min(values), max(values)], atol=1e-12)


class TestSpansOfTexts:
    FIRST = ([("x", 0, 5, "a"), ("y", 1, 6, "a"), ("x", 10, 20, "b"), ("y", 12, 20, "b")], 30)
    SECOND = ([("x", 3, 9, "a"), ("y", 20, 24, "a"), ("x", 30, 41, "b")], 50)

    def test_published_example_as_one_text(self, published):
        """Krippendorff 2004, Content Analysis, 2nd ed., p. 254, as in the reference cases."""
        case = published["ualpha_krippendorff_2004"]
        start, length = case["inputs"]["begin"], case["inputs"]["length"]
        spans = [
            (rater, begin - start, begin - start + long, code) for rater, begin, long, code in case["inputs"]["units"]
        ]
        result = unitizing_of_texts([(spans, length)], raters=case["inputs"]["observers"])
        assert result.value == pytest.approx(case["expected"]["alpha_u"], abs=case["tolerance"])
        assert result.by_code["c"] == pytest.approx(case["expected"]["alpha.c"], abs=case["tolerance"])

    @pytest.mark.parametrize("text", [FIRST, SECOND])
    def test_one_text_is_one_continuum(self, text):
        spans, length = text
        alone = unitizing_alpha(spans, length=length, raters=["x", "y"])
        result = unitizing_of_texts([text], raters=["x", "y"])
        assert result.value == pytest.approx(alone.value)
        assert result.by_code == pytest.approx(alone.by_code)

    def test_two_texts_step_by_step(self):
        """Code a: Do adds up, and every span may fall into the gaps of either text, which end where their text ends."""
        texts = [([span for span in spans if span[3] == "a"], length) for spans, length in (self.FIRST, self.SECOND)]
        result = unitizing_of_texts(texts, raters=["x", "y"])
        observed = 2 * ((1**2 + 1**2) + (6**2 + 4**2)) / (2 * 80**2)
        spans = [5, 5, 6, 4]
        gaps = [25, 1, 24, 3, 41, 20, 26]
        of_spans = (4 - 1) / 3 * sum(2 * s**3 - 3 * s**2 + s for s in spans)
        of_gaps = sum(s**2 * max(g - s + 1, 0) for s in spans for g in gaps)
        expected = 2 / 80 * (of_spans + of_gaps) / (160 * 159 - sum(s * (s - 1) for s in spans))
        assert result.value == pytest.approx(1 - observed / expected)

    def test_overlap_is_jaccards_of_the_places(self):
        result = unitizing_of_texts([self.FIRST, self.SECOND], raters=["x", "y"])
        for code in "ab":
            places = np.zeros((2, 80), dtype=int)
            for begin_at, (spans, _) in ((0, self.FIRST), (30, self.SECOND)):
                for rater, begin, end, named in spans:
                    if named == code:
                        places["xy".index(rater), begin_at + begin : begin_at + end] = 1
            assert result.overlap[code] == pytest.approx(jaccard_score(places[0], places[1]))

    def test_two_texts_are_resampled_as_copies(self, rng):
        result = unitizing_of_texts([self.FIRST, self.SECOND], raters=["x", "y"], resamples=200, rng=rng)
        values = [
            unitizing_of_texts([a, b], raters=["x", "y"], codes=["a", "b"]).value
            for a, b in product([self.FIRST, self.SECOND], repeat=2)
        ]
        assert_allclose([result.interval.low, result.interval.high], [min(values), max(values)])

    def test_texts_of_one_participant_stay_together(self, rng):
        result = unitizing_of_texts(
            [self.FIRST, self.SECOND], raters=["x", "y"], clusters=["A", "A"], resamples=20, rng=rng
        )
        assert np.isfinite(result.value)
        assert not result.interval.defined

    def test_code_that_nobody_marked(self):
        result = unitizing_of_texts([self.FIRST], raters=["x", "y"], codes=["a", "b", "rare"])
        assert np.isnan(result.by_code["rare"])
        assert np.isnan(result.overlap["rare"])
        assert "rare" in result.reason

    @pytest.mark.parametrize(("texts", "more", "message"), [
        ([], {}, "texts"),
        ([FIRST], {"raters": ["x"]}, "raters"),
        ([FIRST], {"clusters": ["A", "B"]}, "clusters"),
        ([FIRST], {"resamples": 5}, "rng"),
    ])  # fmt: skip
    def test_arguments(self, texts, more, message):
        with pytest.raises(ArgumentError, match=message):
            unitizing_of_texts(texts, **{"raters": ["x", "y"], **more})
