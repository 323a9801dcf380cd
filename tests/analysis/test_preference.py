"""Preference: counts of ranks and first choices by hand."""

from __future__ import annotations

from math import isnan, log, nan

import numpy as np
import pandas as pd
import pytest

from workbench.analysis.preference import Preference, preference

THREE = ("still", "slosh", "ladle")


def ranked(*rows: list[float], kind: str = "ranking", conditions=THREE) -> Preference:
    people = [f"A{number:02}" for number in range(1, len(rows) + 1)]
    return preference(pd.DataFrame(list(rows), index=people, columns=list(conditions), dtype=float), kind)


def test_ranks_first_choices_and_agreement_by_hand():
    found = ranked([1, 2, 3], [1, 3, 2], [2, 1, 3], [nan, nan, nan], [1, nan, 2])
    still, slosh, ladle = found.conditions
    assert (found.n_used, found.n_dropped) == (3, 2)
    assert (still.counts, slosh.counts, ladle.counts) == ((2, 1, 0), (1, 1, 1), (0, 1, 2))
    assert [one.mean_rank for one in found.conditions] == pytest.approx([4 / 3, 2, 8 / 3])
    assert [one.first_choices for one in found.conditions] == [2, 1, 0]
    # rank sums 4, 6, 8: S = 8, W = 12 S / (n^2 (k^3 - k)) = 96 / (9 x 24)
    assert found.agreement.w == pytest.approx(96 / 216)
    # 2, 1, 0 against 1, 1, 1
    assert found.first.chi_square == pytest.approx(2.0)
    # of the 27 equally likely outcomes, 6 have one choice each, so 21 are as uneven or more
    assert found.first.p_exact == pytest.approx(21 / 27)


def test_shared_ranks_are_midranks_and_no_first_choice():
    found = ranked([1, 1, 3], [1, 2, 2])
    still, slosh, ladle = found.conditions
    assert [one.shared for one in found.conditions] == [1, 2, 1]
    assert [one.mean_rank for one in found.conditions] == [(1.5 + 1) / 2, (1.5 + 2.5) / 2, (3 + 2.5) / 2]
    assert [one.first_choices for one in found.conditions] == [1, 0, 0]
    assert (still.counts, slosh.counts, ladle.counts) == ((1, 0, 0), (0, 0, 0), (0, 0, 1))


def test_ranks_that_skip_a_number_count_by_their_order():
    assert [one.mean_rank for one in ranked([1, 3, 3]).conditions] == [1, 2.5, 2.5]


def test_a_choice_has_first_choices_alone():
    found = ranked([nan, 1, nan], [nan, 1, nan], [1, nan, nan], [nan] * 3, kind="choice")
    assert (found.n_used, found.n_dropped) == (3, 1)
    assert [one.first_choices for one in found.conditions] == [1, 2, 0]
    assert {one.counts for one in found.conditions} == {()}
    assert found.agreement is None
    assert found.first.chi_square == pytest.approx(2.0)


@pytest.mark.parametrize("kind", ["ranking", "choice"])
def test_nobody_answered(kind):
    found = ranked([nan] * 3, [nan] * 3, kind=kind)
    assert (found.n_used, found.n_dropped) == (0, 2)
    assert (found.first, found.agreement) == (None, None)
    assert all(isnan(one.mean_rank) for one in found.conditions)


def test_one_participant_and_one_condition():
    alone = ranked([1, 2, 3])
    assert alone.agreement is None
    assert alone.first is not None
    single = ranked([1], [1], conditions=("still",))
    assert (single.first, single.agreement) == (None, None)
    assert single.conditions[0].first_choices == 2


def test_all_ranks_shared_leave_no_first_choice_to_test():
    found = ranked([2, 2, 2], [1, 1, 1])
    assert found.first is None
    assert {one.mean_rank for one in found.conditions} == {2.0}


# pairs and worth


def test_pairs_by_hand():
    """Still above slosh for all six: 2 / 2^6. Still and ladle: five against one: 2 x 7 / 64. Slosh and ladle: three each."""
    found = ranked([1, 2, 3], [1, 2, 3], [1, 2, 3], [1, 3, 2], [1, 3, 2], [2, 3, 1])
    assert [(one.first, one.second, one.result.b, one.result.c) for one in found.pairs] == [
        ("still", "slosh", 6, 0),
        ("still", "ladle", 5, 1),
        ("slosh", "ladle", 3, 3),
    ]
    assert [one.test.p for one in found.pairs] == pytest.approx([2 / 64, 14 / 64, 1.0])
    assert [one.test.adjusted for one in found.pairs] == pytest.approx([6 / 64, 28 / 64, 1.0])
    assert {(one.test.family, one.test.planned) for one in found.pairs} == {("pairs of ranks", False)}


def test_equal_ranks_say_nothing_about_a_pair():
    first, *_ = ranked([1, 1, 3], [1, 2, 3], [2, 1, 3], [1, 2, 3]).pairs
    assert (first.result.b, first.result.c, first.ties, first.result.n_pairs) == (2, 1, 1, 4)
    alike, *_ = ranked([2, 2, 2], [1, 1, 1]).pairs
    assert (alike.test.p, alike.ties) == (1.0, 2)


def test_worth_of_two_conditions_by_hand():
    """With two conditions the chance of rank 1 is the share of first ranks: 3 of 4, log odds log 3."""
    found = ranked([1, 2], [1, 2], [1, 2], [2, 1], conditions=("still", "slosh")).worth
    assert found.shares == pytest.approx([0.75, 0.25])
    assert found.fit.abilities == pytest.approx([log(3) / 2, -log(3) / 2])
    assert isnan(found.fit.intervals[0].low)


def test_people_with_shared_ranks_are_left_out_of_worth_and_counted():
    rows = [[1, 2, 3], [2, 3, 1], [3, 1, 2], [1, 2, 3]]
    found, without = ranked(*rows, [1, 1, 3]).worth, ranked(*rows).worth
    assert (found.n_shared, found.fit.n_used, without.n_shared) == (1, 4, 0)
    assert found.fit.abilities == pytest.approx(without.fit.abilities)
    assert found.shares.sum() == pytest.approx(1)
    assert ranked([1, 1, 3], [2, 2, 2]).worth.fit.reason == "Nobody ranked all objects."


def test_worth_is_undefined_where_one_condition_always_wins():
    found = ranked([1, 2, 3], [1, 3, 2]).worth
    assert all(isnan(share) for share in found.shares)
    assert found.fit.reason


def test_intervals_of_worth_come_from_resampling_with_the_generator_given():
    people = pd.DataFrame(
        [[1, 2, 3], [2, 3, 1], [3, 1, 2], [1, 2, 3], [1, 3, 2], [3, 2, 1]] * 3, columns=list(THREE), dtype=float
    )
    one, again = (
        preference(people, "ranking", resamples=200, rng=np.random.default_rng(5)).worth.fit for _ in range(2)
    )
    assert [interval.low for interval in one.intervals] == [interval.low for interval in again.intervals]
    for ability, interval in zip(one.abilities, one.intervals, strict=True):
        assert interval.low < ability < interval.high


def test_choices_and_single_conditions_have_no_pairs_and_no_worth():
    chosen = ranked([nan, 1, nan], kind="choice")
    assert (chosen.pairs, chosen.worth) == ((), None)
    single = ranked([1], [1], conditions=("still",))
    assert (single.pairs, single.worth) == ((), None)
    nobody = ranked([nan] * 3)
    assert (nobody.pairs, nobody.worth) == ((), None)
