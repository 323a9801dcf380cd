"""The interval of a mean; the bootstrap is tested with the statistics that use it."""

from __future__ import annotations

from math import isnan

import numpy as np
import pytest
import scipy.stats

from workbench.stats.intervals import mean_interval


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
