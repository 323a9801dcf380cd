"""Preference: counts of ranks and first choices by hand."""

from __future__ import annotations

from math import isnan, nan

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
