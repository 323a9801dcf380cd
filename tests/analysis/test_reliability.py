"""Reliability of scales: which answers go into which figure. The figures themselves are checked in tests/stats."""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest

from workbench.analysis.reliability import has_reliability, reliabilities, scale_reliability
from workbench.measure import Measure
from workbench.stats.reliability import cronbach_alpha, within_between_alpha

PEOPLE = ("A01", "A02", "A03", "A04")
CONDITIONS = ("still", "slosh")
STILL = [[1, 2, 1], [2, 2, 3], [3, 4, 3], [5, 4, 5]]
SLOSH = [[6, 2, 5], [3, 3, 2], [4, 6, 5], [2, 1, 1]]


def scale(answers: dict[str, list[list[float]]], asked="per_condition", items=("i1", "i2", "i3"), **keys) -> Measure:
    column = "occasion" if asked == "before_after" else "condition"
    rows = [
        {"participant": who, "condition": "", "occasion": "", "item": item, "value": value} | {column: place}
        for place, table in answers.items()
        for who, row in zip(PEOPLE, table, strict=True)
        for item, value in zip(items, row, strict=True)
    ]
    return Measure("real", "Real", "", "", "scale", asked, pd.DataFrame(), pd.DataFrame(rows), items=items, **keys)


def test_each_condition_stands_alone_and_none_is_pooled():
    found = scale_reliability(scale({"slosh": SLOSH, "still": STILL}), PEOPLE, CONDITIONS)
    assert [one.setting for one in found.settings] == ["still", "slosh"]
    # still by hand: item means 11/4, 3, 3; squared deviations 35/4, 4, 8, over 3; sums 4 7 10 14, mean 35/4,
    # squared deviations 219/4, over 3
    items, total = (35 / 4 + 4 + 8) / 3, 219 / 4 / 3
    assert found.settings[0].alpha.raw == pytest.approx(3 / 2 * (1 - items / total))
    pooled = cronbach_alpha(STILL + SLOSH).raw
    assert all(one.alpha.raw != pytest.approx(pooled) for one in found.settings)
    assert {one.alpha.n_used for one in found.settings} == {4}


def test_participants_with_a_missing_answer_are_dropped_and_counted_in_their_setting():
    answers = {"still": STILL, "slosh": [[nan, nan, nan], [3, nan, 2], *SLOSH[2:]]}
    still, slosh = scale_reliability(scale(answers), PEOPLE, CONDITIONS).settings
    assert (still.alpha.n_used, still.alpha.n_dropped) == (4, 0)
    # one did not answer at all and so was not there; one left out an item
    assert (slosh.alpha.n_used, slosh.alpha.n_dropped) == (2, 1)


@pytest.mark.parametrize("rows", [[], SLOSH[:1], [[1, nan, 2], *SLOSH[:1]]])
def test_a_setting_with_too_few_participants_stays_with_a_reason(rows):
    answers = {"still": STILL, "slosh": (rows + [[nan] * 3] * 4)[:4]}
    found = scale_reliability(scale(answers), PEOPLE, CONDITIONS)
    still, slosh = found.settings
    assert not still.alpha.reason
    assert isnan(slosh.alpha.raw)
    assert isnan(slosh.omega.value)
    assert isnan(slosh.error.value)
    assert "at least 2 are needed" in slosh.alpha.reason
    assert slosh.alpha.n_used == sum(not np.isnan(row).any() for row in rows)


def test_a_condition_that_nobody_answered_has_no_rows_and_stays_too():
    found = scale_reliability(scale({"still": STILL}), PEOPLE, CONDITIONS)
    assert [one.setting for one in found.settings] == ["still", "slosh"]
    assert found.settings[1].alpha.reason
    assert found.levels.reason
    assert isnan(found.levels.within.value)


def test_two_items_have_spearman_brown_and_no_omega():
    two = {"still": [row[:2] for row in STILL], "slosh": [row[:2] for row in SLOSH]}
    found = scale_reliability(scale(two, items=("i1", "i2")), PEOPLE, CONDITIONS)
    r = np.corrcoef(np.array(two["still"]).T)[0, 1]
    assert found.settings[0].spearman_brown.value == pytest.approx(2 * r / (1 + r))
    assert isnan(found.settings[0].omega.value)
    assert found.settings[0].omega.reason
    three = scale_reliability(scale({"still": STILL, "slosh": SLOSH}), PEOPLE, CONDITIONS)
    assert three.settings[0].spearman_brown is None


def test_within_and_between_keep_participants_who_did_not_do_everything():
    answers = {"still": STILL, "slosh": [[nan] * 3, [3, nan, 2], *SLOSH[2:]]}
    levels = scale_reliability(scale(answers), PEOPLE, CONDITIONS).levels
    rows = np.array(STILL + SLOSH[2:], dtype=float)
    by_hand = within_between_alpha(rows, participant=[0, 1, 2, 3, 2, 3], condition=[0, 0, 0, 0, 1, 1])
    assert levels.within.value == pytest.approx(by_hand.within.value)
    assert levels.between.value == pytest.approx(by_hand.between.value, nan_ok=True)
    assert (levels.n_used, levels.n_dropped, levels.n_participants) == (6, 1, 4)


def test_before_and_after_are_settings_and_once_is_one_without_levels():
    twice = scale_reliability(scale({"before": STILL, "after": SLOSH}, "before_after"), PEOPLE, CONDITIONS)
    assert [one.setting for one in twice.settings] == ["before", "after"]
    assert twice.levels is not None
    once = scale_reliability(scale({"": STILL}, "once"), PEOPLE, CONDITIONS)
    assert [(one.setting, one.alpha.n_used) for one in once.settings] == [("", 4)]
    assert once.levels is None


def test_the_level_reaches_every_interval():
    found = scale_reliability(scale({"still": STILL, "slosh": SLOSH}), PEOPLE, CONDITIONS, level=0.8)
    assert {one.alpha.interval.level for one in found.settings} == {0.8}
    assert found.levels.within.interval.level == 0.8


def test_scales_of_two_items_or_more_have_reliability():
    one_item = scale({"still": [[1], [2], [3], [4]]}, items=("i1",))
    trials = Measure("error", "Error", "", "", "trials", "per_condition", pd.DataFrame(), pd.DataFrame())
    three = scale({"still": STILL, "slosh": SLOSH})
    assert [has_reliability(one) for one in (one_item, trials, three)] == [False, False, True]
    assert [one.measure for one in reliabilities([one_item, trials, three], PEOPLE, CONDITIONS)] == [three]
