"""Saturation: a case worked by hand, another route by counting sets, and properties. The method is Guest, Namey & Chen 2020."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.analysis.saturation import saturation
from workbench.errors import ArgumentError

# Interviews 1 to 4 hold 10 codes; then come 1, 0, 0 and 1 new ones.
HAND = {
    "I1": set("abcd"),
    "I2": set("cdef"),
    "I3": set("gh"),
    "I4": set("ij"),
    "I5": set("ak"),
    "I6": set("b"),
    "I7": set("c"),
    "I8": set("l"),
}


def reached(codes, base, run, threshold):
    (one,) = saturation(codes, bases=[base], runs=[run], thresholds=[threshold]).reached
    return one


def test_worked_by_hand():
    assert saturation(HAND).listed.tolist() == [4, 6, 8, 10, 11, 11, 11, 12]
    assert reached(HAND, 4, 2, 0.05).at == 5  # run 5-6: 1/10; run 6-7: 0/10
    assert reached(HAND, 4, 2, 0.10).at == 4  # 1/10 is at the threshold
    assert reached(HAND, 4, 2, 0.0).at == 5
    assert math.isnan(reached(HAND, 4, 3, 0.0).at)  # 5-7: 1, 6-8: 1
    assert reached(HAND, 4, 3, 0.10).at == 4


def by_sets(codes, base, run, threshold):
    """The same by sets, interview by interview."""
    found = list(codes.values())
    basis = len(set().union(*found[:base]))
    for after in range(base, len(found) - run + 1):
        new = set().union(*found[after : after + run]) - set().union(*found[:after])
        if len(new) <= threshold * basis:
            return float(after)
    return math.nan


@given(
    st.lists(st.sets(st.sampled_from("abcdefgh")), min_size=6, max_size=12),
    st.integers(1, 4),
    st.integers(1, 2),
    st.sampled_from([0.0, 0.25]),
)
def test_by_sets(found, base, run, threshold):
    codes = {str(place): one for place, one in enumerate(found)}
    one = reached(codes, base, run, threshold)
    if not set().union(*found[:base]):
        assert math.isnan(one.at)
        assert "no code" in one.reason
    else:
        assert one.at == pytest.approx(by_sets(codes, base, run, threshold), nan_ok=True)


def test_resampled_orders_start_and_end_where_they_must(rng):
    found = saturation(HAND, orders=400, rng=rng)
    assert found.low[-1] == found.mean[-1] == found.high[-1] == found.n_codes == 12
    sizes = [len(one) for one in HAND.values()]
    assert found.mean[0] == pytest.approx(np.mean(sizes), abs=0.25)  # each interview comes first equally often
    assert (np.diff(found.mean) >= 0).all()
    assert all(0 <= one.share <= 1 for one in found.reached if not one.reason)
    assert {one.reason for one in found.reached} == {"", "8 interviews, 9 needed"}


def test_every_code_in_every_interview_is_reached_at_once_in_all_orders(rng):
    codes = {str(place): {"a", "b"} for place in range(9)}
    for one in saturation(codes, orders=50, rng=rng).reached:
        assert (one.at, one.share, one.median) == (one.base, 1.0, one.base)


def test_too_few_interviews_and_none():
    one = reached({"a": {"x"}, "b": {"y"}}, 4, 2, 0.0)
    assert math.isnan(one.at)
    assert one.reason == "2 interviews, 6 needed"
    assert saturation({}).n_interviews == 0


def test_resampling_needs_a_generator():
    with pytest.raises(ArgumentError, match="rng"):
        saturation(HAND, orders=10)
