"""Sizes of reliability samples: by large-sample variance, by brute force, and by clusters drawn one by one.

Second routes ran with statsmodels 0.15.0 and pingouin 0.7.0.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy.stats import norm
from statsmodels.stats.inter_rater import cohens_kappa

from workbench.errors import ArgumentError
from workbench.stats.agreement import cohen_kappa
from workbench.stats.agreement_planning import (
    intracluster_correlation,
    kappa_half_width,
    targeted_units_for_kappa,
    units_for_kappa,
)


def cells(prevalence, kappa):
    p, q = prevalence, 1 - prevalence
    return np.array([[p * p + kappa * p * q, p * q * (1 - kappa)], [p * q * (1 - kappa), q * q + kappa * p * q]])


def kappas(counts):
    """Kappa of each (both, first, second, none)."""
    both, first, second, none = np.moveaxis(np.asarray(counts, dtype=float), -1, 0)
    n = both + first + second + none
    chance = ((both + first) * (both + second) + (second + none) * (first + none)) / n**2
    return ((both + none) / n - chance) / (1 - chance)


@pytest.mark.parametrize(("prevalence", "units"), [(0.5, 139), (0.3, 167), (0.1, 401), (0.05, 768)])
def test_units_for_kappa_of_80_within_10(rng, prevalence, units):
    """The numbers are those of the large-sample variance (statsmodels' standard error); simulation lies within 6 % of them."""
    big = 1_000_000
    error = cohens_kappa(np.round(cells(prevalence, 0.8) * big)).std_kappa * np.sqrt(big)
    assert np.ceil((norm.ppf(0.975) * error / 0.1) ** 2) == pytest.approx(units, abs=1)
    found = units_for_kappa(0.1, prevalence=prevalence, kappa=0.8, rng=rng)
    assert found.n_units == pytest.approx(units, rel=0.06)
    assert found.half_width == pytest.approx(0.1, rel=0.04)


def test_half_width_is_that_of_samples_drawn_unit_by_unit(rng):
    """Looser than 1e-8: both sides are simulated."""
    flat = cells(0.2, 0.6).ravel()
    drawn = rng.choice(4, p=flat, size=(4000, 150))
    counts = np.stack([(drawn == cell).sum(axis=1) for cell in range(4)], axis=1)
    low, high = np.quantile(kappas(counts), [0.025, 0.975])
    found = kappa_half_width(150, prevalence=0.2, kappa=0.6, rng=rng)
    assert found.half_width == pytest.approx((high - low) / 2, rel=0.06)
    assert found.undefined == 0


def test_design_effect_is_that_of_participants_who_differ(rng):
    """Clusters of 12 units whose cells come from a Dirichlet distribution with intracluster correlation .1."""
    likeness, size, clusters = 0.1, 12, 20
    flat = cells(0.3, 0.7).ravel()
    own = rng.dirichlet(flat * (1 / likeness - 1), size=(4000, clusters))
    counts = rng.multinomial(size, own).sum(axis=1)
    low, high = np.quantile(kappas(counts), [0.025, 0.975])
    effect = 1 + (size - 1) * likeness
    found = kappa_half_width(size * clusters, prevalence=0.3, kappa=0.7, design_effect=effect, rng=rng)
    assert found.half_width == pytest.approx((high - low) / 2, rel=0.08)
    alone = kappa_half_width(size * clusters, prevalence=0.3, kappa=0.7, rng=rng)
    assert alone.half_width < 0.85 * found.half_width


def test_design_effect_multiplies_the_units(rng):
    one = units_for_kappa(0.1, prevalence=0.2, kappa=0.8, rng=rng)
    two = units_for_kappa(0.1, prevalence=0.2, kappa=0.8, design_effect=2.0, rng=rng)
    assert two.n_units == pytest.approx(2 * one.n_units, rel=0.06)


def test_rarer_codes_and_narrower_intervals_need_more(rng):
    def needed(half_width, prevalence):
        return units_for_kappa(half_width, prevalence=prevalence, kappa=0.8, rng=rng).n_units

    assert needed(0.1, 0.3) < needed(0.1, 0.1) < needed(0.1, 0.02)
    assert needed(0.2, 0.1) < needed(0.1, 0.1) < needed(0.05, 0.1)


def test_prevalence_and_its_complement_need_the_same(rng):
    one, other = (units_for_kappa(0.1, prevalence=share, kappa=0.7, rng=rng).n_units for share in (0.1, 0.9))
    assert one == pytest.approx(other, rel=0.06)


def test_aimed_units_reach_the_width_that_was_asked_for(rng):
    """Brute force: the second rater's ratings drawn in both kinds of unit, kappa from shares weighted back."""
    p, kappa, n = 0.08, 0.75, 100
    found = targeted_units_for_kappa(0.12, prevalence=p, kappa=kappa, n_units=n, rng=rng)
    (both, first), (second, none) = cells(p, kappa)
    applied, others = round(n * p + found.n_units / 2), round(n * (1 - p) + found.n_units / 2)
    a = rng.binomial(applied, both / (both + first), 20_000) / applied
    b = rng.binomial(others, second / (second + none), 20_000) / others
    shares = np.stack([p * a, p * (1 - a), (1 - p) * b, (1 - p) * (1 - b)], axis=1)
    low, high = np.quantile(kappas(shares), [0.025, 0.975])
    assert (high - low) / 2 == pytest.approx(0.12, rel=0.08)
    random = units_for_kappa(0.12, prevalence=p, kappa=kappa, rng=rng).n_units - n
    assert 0 < found.n_units < random


def test_no_aimed_units_where_those_drawn_do(rng):
    assert targeted_units_for_kappa(0.2, prevalence=0.5, kappa=0.8, n_units=500, rng=rng).n_units == 0


@pytest.mark.parametrize("prevalence", [0.0, 1.0])
def test_a_code_for_none_or_all_units_has_no_size(rng, prevalence):
    for found in (
        units_for_kappa(0.1, prevalence=prevalence, kappa=0.8, rng=rng),
        targeted_units_for_kappa(0.1, prevalence=prevalence, kappa=0.8, n_units=10, rng=rng),
    ):
        assert np.isnan(found.n_units)
        assert found.reason
    width = kappa_half_width(50, prevalence=prevalence, kappa=0.8, rng=rng)
    assert np.isnan(width.half_width)
    assert "undefined" in width.reason


def test_a_hopeless_wish_says_so(rng):
    found = units_for_kappa(0.001, prevalence=0.001, kappa=0.8, rng=rng)
    assert np.isnan(found.n_units)
    assert "1,000,000" in found.reason


def test_intracluster_correlation_is_icc1_of_equal_clusters(rng):
    values = rng.normal(size=(8, 1, 1)) + rng.normal(size=(8, 5, 1))
    frame = pd.DataFrame(
        {"cluster": np.repeat(np.arange(8), 5), "rater": np.tile(np.arange(5), 8), "value": values.ravel()}
    )
    theirs = pingouin.intraclass_corr(frame, targets="cluster", raters="rater", ratings="value").iloc[0]["ICC"]
    ours = intracluster_correlation(values.reshape(40, 1), clusters=np.repeat(np.arange(8), 5))
    assert ours == pytest.approx(theirs, abs=1e-8)
    assert intracluster_correlation(1000 + 7 * values.reshape(40, 1), clusters=np.repeat(np.arange(8), 5)) == (
        pytest.approx(ours)
    )


def test_intracluster_correlation_near_zero_without_clusters(rng):
    values = rng.normal(size=(600, 20))
    assert abs(intracluster_correlation(values, clusters=np.repeat(np.arange(60), 10))) < 0.03


@pytest.mark.parametrize("clusters", [["a"] * 4, ["a", "b", "c", "d"]])
def test_intracluster_correlation_needs_clusters_of_several(clusters):
    assert np.isnan(intracluster_correlation([[1.0], [2.0], [3.0], [5.0]], clusters=clusters))
    assert np.isnan(intracluster_correlation([[1.0]] * 4, clusters=["a", "a", "b", "b"]))


def share_covered(rng, participants):
    """How often the interval from resampled participants holds the true kappa, over 250 studies; 12 units each."""
    pairs, kappa, likeness = np.array([[1, 1], [1, 0], [0, 1], [0, 0]]), 0.7, 0.1
    clusters = np.repeat(np.arange(participants), 12)
    held = 0
    for _ in range(250):
        own = rng.dirichlet(cells(0.25, kappa).ravel() * (1 / likeness - 1), size=participants)
        drawn = np.concatenate([rng.choice(4, p=one, size=12) for one in own])
        found = cohen_kappa(pairs[drawn], categories=[0, 1], clusters=clusters, resamples=200, rng=rng)
        held += found.bootstrap_interval.low <= kappa <= found.bootstrap_interval.high
    return held / 250


def test_with_few_participants_resampled_intervals_are_too_narrow(rng):
    assert share_covered(rng, 4) < 0.87
    assert 0.88 < share_covered(rng, 24) < 0.98


@pytest.mark.parametrize(("wrong", "message"), [
    ({"prevalence": 1.2}, "prevalence"),
    ({"kappa": 1.1}, "kappa"),
    ({"prevalence": 0.1, "kappa": -0.5}, "kappa"),
    ({"design_effect": 0.0}, "design_effect"),
    ({"level": 1.0}, "level"),
    ({"half_width": 0.0}, "half_width"),
    ({"half_width": 1.0}, "half_width"),
])  # fmt: skip
def test_arguments(rng, wrong, message):
    given = {"half_width": 0.1, "prevalence": 0.2, "kappa": 0.8} | wrong
    with pytest.raises(ArgumentError, match=message):
        units_for_kappa(given.pop("half_width"), **given, rng=rng)
