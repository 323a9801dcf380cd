"""The intervals of a mean and of a median; the bootstrap is tested with the statistics that use it."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
import scipy.stats

from workbench.errors import WorkbenchError
from workbench.stats.intervals import mean_interval, median_interval, resampled_counts


def test_mean_interval_by_hand():
    """Mean 2, SD sqrt 2 of two values, t(1) at .975 is tan(.475 pi)."""
    found = mean_interval(np.array([1.0, 3.0]), 0.95)
    assert (found.low, found.high) == pytest.approx((2 - np.tan(0.475 * np.pi), 2 + np.tan(0.475 * np.pi)))


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_mean_interval_of_scipy(rng, level):
    """scipy.stats.t.interval, scipy 1.15 or later."""
    values = rng.normal(3, 2, 17)
    expected = scipy.stats.t.interval(level, 16, values.mean(), scipy.stats.sem(values))
    found = mean_interval(values, level)
    assert (found.low, found.high) == pytest.approx(expected)
    assert found.level == level


def test_one_value_has_no_interval_and_equal_values_have_a_point():
    assert isnan(mean_interval(np.array([3.0]), 0.95).low)
    assert isnan(mean_interval(np.array([]), 0.95).low)
    point = mean_interval(np.array([3.0, 3.0, 3.0]), 0.95)
    assert (point.low, point.high) == (3.0, 3.0)


@pytest.mark.parametrize(("n", "low", "high", "level"), [(10, 2, 9, 0.979), (20, 6, 15, 0.959), (25, 8, 18, 0.957)])
def test_median_interval_of_printed_tables(n, low, high, level):
    """Ranks of order statistics at 95 %, as tables of the sign test print them (Conover 1999); from memory."""
    found = median_interval(np.arange(1.0, n + 1))
    assert (found.low, found.high) == (low, high)
    assert found.level == pytest.approx(level, abs=5e-4)


@pytest.mark.parametrize("n", [6, 7, 14, 23, 40, 101])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_median_interval_of_scipy(rng, n, level):
    """scipy.stats.quantile_test, scipy 1.15 or later."""
    values = rng.normal(3, 2, n)
    expected = scipy.stats.quantile_test(values, q=0, p=0.5).confidence_interval(level)
    found = median_interval(values, level=level)
    assert (found.low, found.high) == pytest.approx(tuple(expected), nan_ok=True)
    assert isnan(found.low) or found.level >= level


def test_median_interval_knows_order_alone(rng):
    """Order of the values and a rising function change nothing but the scale."""
    values = rng.normal(0, 1, 24)
    found, shuffled, grown = (median_interval(one) for one in (values, rng.permutation(values), np.exp(values)))
    assert found == shuffled
    assert (grown.low, grown.high) == pytest.approx((np.exp(found.low), np.exp(found.high)))
    assert found.low <= np.median(values) <= found.high


def test_few_values_have_no_interval_of_a_median_and_missing_ones_are_left_out():
    assert not median_interval(np.array([1.0, 2.0, 3.0, 4.0, 5.0])).defined
    assert not median_interval(np.array([])).defined
    with_gaps = median_interval(np.array([1.0, np.nan, 2.0, 3.0, 4.0, 5.0, 6.0, np.nan]))
    assert (with_gaps.low, with_gaps.high, with_gaps.level) == (1.0, 6.0, 1 - 2 / 2**6)
    assert median_interval(np.full(9, 7.0)).low == 7.0
    with pytest.raises(WorkbenchError, match="level"):
        median_interval(np.arange(9.0), level=1.0)


def test_resamples_in_blocks_are_those_drawn_one_by_one():
    blocks = list(resampled_counts(7, 230, np.random.default_rng(3)))
    one_by_one = np.random.default_rng(3)
    expected = [np.bincount(one_by_one.integers(0, 7, 7), minlength=7) for _ in range(230)]
    assert [len(block) for block in blocks] == [100, 100, 30]
    assert (np.concatenate(blocks) == expected).all()


def test_blocks_of_many_rows_are_smaller_and_draw_the_same():
    blocks = list(resampled_counts(20_000, 23, np.random.default_rng(3)))
    one_by_one = np.random.default_rng(3)
    expected = [np.bincount(one_by_one.integers(0, 20_000, 20_000), minlength=20_000) for _ in range(23)]
    assert [len(block) for block in blocks] == [10, 10, 3]
    assert (np.concatenate(blocks) == expected).all()
