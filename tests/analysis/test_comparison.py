"""Comparisons: what is tested over whom, in which family, and what the corrections make of it.

The tests themselves are checked in tests/stats. Here p values come from first principles: with m differences that are not
zero and have one sign, the exact signed-rank p is 2 / 2^m.
"""

from __future__ import annotations

from math import isnan, nan

import numpy as np
import pandas as pd
import pytest

from workbench.analysis import comparison
from workbench.analysis.comparison import Comparison, compare, describe, description
from workbench.measure import Measure
from workbench.study import Plan

THREE = ("still", "slosh", "ladle")


def measure(name: str, wide: list[list[float]], conditions=THREE, **keys) -> Measure:
    rows = [
        (f"A{number:02}", condition, "", value, nan, "" if not isnan(value) else "not collected")
        for number, row in enumerate(wide, start=1)
        for condition, value in zip(conditions, row, strict=True)
    ]
    columns = ["participant", "condition", "occasion", "value", "standard_error", "reason"]
    values = pd.DataFrame(rows, columns=columns)
    return Measure(name, name, "", "", "scale", "per_condition", values, values.iloc[:0], **keys)


def compared(*measures: Measure, conditions=THREE, n: int = 6, **plan) -> list[Comparison]:
    people = [f"A{number:02}" for number in range(1, n + 1)]
    return compare(measures, people, conditions, Plan.model_validate(plan))


def rising(n: int = 6) -> list[list[float]]:
    """Everyone higher in each next condition, by as much as nobody else: all three pairs have p = 2 / 2^n."""
    return [[1.0, 2.0 + number / 10, 4.0 + number / 3] for number in range(n)]


def pairs(one: Comparison) -> dict[tuple[str, str], comparison.Pair]:
    return {(pair.first, pair.second): pair for pair in one.pairs}


# descriptives


def test_a_description_by_hand():
    found = description("still", np.array([4.0, 1.0, nan, 3.0, 2.0]))
    assert (found.n, found.missing) == (4, 1)
    assert (found.median, found.lower_quartile, found.upper_quartile) == (2.5, 1.75, 3.25)
    assert (found.mean, found.minimum, found.maximum) == (2.5, 1.0, 4.0)
    assert found.sd == pytest.approx((5 / 3) ** 0.5)  # 2.25 + .25 + .25 + 2.25 = 5, over 3


def test_descriptions_of_one_value_and_of_none():
    assert isnan(description("still", np.array([3.0, nan])).sd)
    nothing = description("still", np.array([nan, nan]))
    assert (nothing.n, nothing.missing) == (0, 2)
    assert isnan(nothing.mean)


def test_every_condition_is_described_over_whoever_has_a_value():
    one = measure("real", [[1, 2, nan], [3, nan, nan]])
    assert [(each.condition, each.n, each.missing) for each in describe(one, ["A01", "A02"], THREE)] == [
        ("still", 2, 0),
        ("slosh", 1, 1),
        ("ladle", 0, 2),
    ]


# what is tested


def test_omnibus_and_pairs_over_six_complete_participants():
    (one,) = compared(measure("real", rising()))
    assert one.reason == ""
    # all six rank alike: Friedman's chi-square is n (k - 1) = 12; 6 of the 6^6 equally likely tables are as extreme
    assert one.omnibus.result.chi_square == pytest.approx(12.0)
    assert one.omnibus.test.p == pytest.approx(6 / 6**6)
    assert one.omnibus.test.exact
    assert list(pairs(one)) == [("still", "slosh"), ("still", "ladle"), ("slosh", "ladle")]
    for pair in one.pairs:
        assert pair.test.p == 2 / 2**6
        assert pair.result.hodges_lehmann < 0
        assert pair.result.n_dropped == 0


def test_measures_not_asked_per_condition_are_not_compared():
    assert compared(Measure("age", "Age", "", "", "scale", "once", pd.DataFrame(), pd.DataFrame())) == []


def test_holm_inside_one_measure_where_the_plan_names_no_family():
    # slosh - still: six of one sign, 2/64. ladle - still and ladle - slosh by hand below.
    wide = [[1, 2, 1], [1, 3, 1], [1, 4, 1], [1, 5, 1], [1, 6, 2], [1, 7, 3]]
    (one,) = compared(measure("real", wide))
    p = {key: pair.test.p for key, pair in pairs(one).items()}
    # ladle - still: 0 0 0 0 1 2, two of one sign: 2/4; slosh - ladle: 1 2 3 4 4 4, all of one sign: 2/64
    assert p == {("still", "slosh"): 2 / 64, ("still", "ladle"): 0.5, ("slosh", "ladle"): 2 / 64}
    adjusted = {key: pair.test.adjusted for key, pair in pairs(one).items()}
    assert adjusted == {("still", "slosh"): 6 / 64, ("still", "ladle"): 0.5, ("slosh", "ladle"): 6 / 64}
    assert {pair.test.family for pair in one.pairs} == {"pairs of real"}
    assert not any(pair.test.planned for pair in one.pairs)
    assert one.omnibus.test.family == "omnibus of real"
    assert one.omnibus.test.adjusted == one.omnibus.test.p


def test_a_family_over_two_measures_is_corrected_together_and_others_apart():
    families = [{"id": "main", "tests": "pairs", "measures": ["real", "effort"]}]
    real, effort, comfort = compared(
        measure("real", rising()), measure("effort", rising()), measure("comfort", rising()), families=families
    )
    for one in (real, effort):
        assert {pair.test.family for pair in one.pairs} == {"main"}
        assert all(pair.test.planned for pair in one.pairs)
        assert {pair.test.adjusted for pair in one.pairs} == {6 * 2 / 64}  # six tests with the same p
        assert not one.omnibus.test.planned
    assert {pair.test.adjusted for pair in comfort.pairs} == {3 * 2 / 64}
    assert not any(pair.test.planned for pair in comfort.pairs)


@pytest.mark.parametrize(
    ("correction", "expected"),
    [("holm", 6 / 64), ("bonferroni", 6 / 64), ("hochberg", 2 / 64), ("benjamini-hochberg", 2 / 64), ("none", 2 / 64)],
)
def test_the_correction_of_a_family(correction, expected):
    families = [{"id": "main", "tests": "pairs", "measures": ["real"], "correction": correction}]
    (one,) = compared(measure("real", rising()), families=families)
    assert [pair.test.adjusted for pair in one.pairs] == pytest.approx([expected] * 3)
    assert {pair.test.correction for pair in one.pairs} == {correction}


def test_an_omnibus_family_corrects_omnibus_tests_alone():
    families = [{"id": "whole", "tests": "omnibus", "measures": ["real", "effort"]}]
    real, effort = compared(measure("real", rising()), measure("effort", rising()), families=families)
    for one in (real, effort):
        assert one.omnibus.test.adjusted == pytest.approx(2 * 6 / 6**6)
        assert one.omnibus.test.planned
        assert {pair.test.adjusted for pair in one.pairs} == {3 * 2 / 64}


def test_measures_that_are_primary_are_marked():
    real, effort = compared(measure("real", rising()), measure("effort", rising()), primary=["effort"])
    assert (real.primary, effort.primary) == (False, True)


# the smallest adjusted p


def test_attainable_under_holm_by_hand():
    """Two tests: 2 of 6 pairs differ in one (p .5 at best), all 6 in the other (.03125)."""
    families = [{"id": "main", "tests": "pairs", "measures": ["real", "effort"]}]
    two = ("still", "slosh")
    few = [[1, 1], [1, 1], [1, 1], [1, 1], [1, 2], [1, 3]]
    mixed = [[1, 2], [1, 3], [1, 4], [5, 4], [6, 4], [7, 4]]  # differences 1 2 3 -1 -2 -3: p is 1, at best 2/64
    effort, real = compared(measure("effort", few, two), measure("real", mixed, two), conditions=two, families=families)
    (few_test,), (mixed_test,) = [pair.test for pair in effort.pairs], [pair.test for pair in real.pairs]
    assert few_test.p == 0.5
    assert mixed_test.p == 1.0
    # effort: at best .5, the smaller of two (the other is 1): 2 x .5
    assert few_test.attainable == 1.0
    # real: at best 2/64, the smaller of two (the other stays .5): 2 x 2/64
    assert mixed_test.attainable == 4 / 64
    assert mixed_test.adjusted == 1.0


def test_attainable_is_no_smaller_than_the_tests_before_it():
    families = [{"id": "main", "tests": "pairs", "measures": ["real", "effort"]}]
    two = ("still", "slosh")
    strong = [[1, 2 + number] for number in range(6)]
    weak = [[1, 1], [1, 2], [1, 3], [1, 4], [1, 5], [1, 6]]  # five of one sign: 2/32
    real, effort = compared(
        measure("real", strong, two), measure("effort", weak, two), conditions=two, families=families
    )
    assert real.pairs[0].test.attainable == 4 / 64  # first step of two
    assert effort.pairs[0].test.attainable == max(4 / 64, 2 / 32)  # second step, not below the first


def test_attainable_is_the_smallest_adjusted_p_over_all_signs_of_one_comparison():
    """A search over every pattern of signs of one pair, the other comparisons left as they are."""
    two = ("still", "slosh")
    families = [{"id": "main", "tests": "pairs", "measures": ["real", "effort", "comfort"]}]
    others = [
        measure("effort", [[1, 2], [1, 3], [1, 4], [1, 5], [2, 1], [3, 3]], two),
        measure("comfort", [[1, 2], [1, 3], [1, 4], [1, 5], [1, 6], [1, 7]], two),
    ]
    sizes = np.array([1, 2, 2, 0, 3, 5])
    reached = []
    for signs in range(2**6):
        signed = sizes * [1 if signs >> place & 1 else -1 for place in range(6)]
        mine = measure("real", [[10.0, 10.0 + one] for one in signed], two)
        (found, *_) = compared(mine, *others, conditions=two, families=families)
        reached.append(found.pairs[0].test)
    assert {test.attainable for test in reached} == {min(test.adjusted for test in reached)}


def test_without_correction_attainable_is_the_smallest_p():
    families = [{"id": "main", "tests": "pairs", "measures": ["real"], "correction": "none"}]
    (one,) = compared(measure("real", rising()), families=families)
    assert {pair.test.attainable for pair in one.pairs} == {2 / 64}
    assert isnan(one.omnibus.test.attainable)


# gating


def flat(n: int = 6) -> list[list[float]]:
    return [[1.0 + (number % 3 == place) for place in range(3)] for number in range(n)]


def test_pairs_wait_for_an_omnibus_test_below_the_level():
    (shown,) = compared(measure("real", rising()))
    (hidden,) = compared(measure("real", flat()))
    assert not any(pair.gated for pair in shown.pairs)
    assert hidden.omnibus.test.p > 0.05
    assert all(pair.gated for pair in hidden.pairs)


def test_the_gate_looks_at_the_adjusted_p():
    families = [{"id": "whole", "tests": "omnibus", "measures": ["real", *"abcdefgh"]}]
    wide = rising(3)  # 6 of 6^3 tables: p is 1/36, times nine measures
    found = compared(*[measure(name, wide) for name in ("real", *"abcdefgh")], n=3, families=families)
    assert found[0].omnibus.test.p == pytest.approx(1 / 36)
    assert found[0].omnibus.test.adjusted == pytest.approx(9 / 36)
    assert all(pair.gated for pair in found[0].pairs)


def test_a_plan_without_the_gate_and_a_study_of_two_conditions_are_not_gated():
    (one,) = compared(measure("real", flat()), omnibus_gates_pairs=False)
    assert not any(pair.gated for pair in one.pairs)
    two = ("still", "slosh")
    (other,) = compared(measure("real", [[1, 2], [2, 1], [1, 1]], two), conditions=two, n=3)
    assert not other.pairs[0].gated


def test_pairs_are_gated_where_the_omnibus_test_was_not_possible():
    wide = [[1, 2, nan], [1, 3, nan], [1, 4, nan], [1, 5, nan], [1, 6, nan], [1, 7, nan]]
    (one,) = compared(measure("real", wide), cases="available")
    assert one.omnibus is None
    assert one.pairs[0].test.p == 2 / 64
    assert one.pairs[0].gated


# missing values, zeros, degenerate data


def test_complete_and_available_cases():
    wide = rising(7)
    wide[0][2] = nan
    (complete,) = compared(measure("real", wide), n=7)
    (available,) = compared(measure("real", wide), n=7, cases="available")
    assert {key: pair.result.n_pairs for key, pair in pairs(complete).items()} == {
        ("still", "slosh"): 6,
        ("still", "ladle"): 6,
        ("slosh", "ladle"): 6,
    }
    assert {key: (pair.result.n_pairs, pair.result.n_dropped) for key, pair in pairs(available).items()} == {
        ("still", "slosh"): (7, 0),
        ("still", "ladle"): (6, 1),
        ("slosh", "ladle"): (6, 1),
    }
    for one in (complete, available):
        assert (one.omnibus.result.n_used, one.omnibus.result.n_dropped) == (6, 1)
    assert {pair.result.n_dropped for pair in complete.pairs} == {1}


def test_the_zero_rule_of_the_plan_is_followed():
    two = ("still", "slosh")
    wide = [[1, 1], [1, 1], [1, 2], [3, 1], [1, 4], [1, 5]]  # differences 0 0 1 -2 3 4
    (pratt,) = compared(measure("real", wide, two), conditions=two)
    (drop,) = compared(measure("real", wide, two), conditions=two, zeros="drop")
    # of first minus second. Pratt: ranks 3 to 6 of six; drop: ranks 1 to 4
    assert (pratt.pairs[0].result.w_plus, pratt.pairs[0].result.w_minus) == (4, 3 + 5 + 6)
    assert (drop.pairs[0].result.w_plus, drop.pairs[0].result.w_minus) == (2, 1 + 3 + 4)


def test_identical_answers_everywhere():
    (one,) = compared(measure("real", [[4, 4, 4]] * 6))
    assert one.omnibus.test.p == 1.0
    assert isnan(one.omnibus.result.chi_square)
    assert one.omnibus.result.reason
    assert [(pair.test.p, pair.test.adjusted, pair.test.attainable) for pair in one.pairs] == [(1.0, 1.0, 1.0)] * 3
    assert all(pair.gated for pair in one.pairs)


@pytest.mark.parametrize("complete", [0, 1])
def test_too_few_complete_participants(complete):
    wide = [[1, 2, 3]] * complete + [[1, 2, nan]] * (6 - complete)
    (one,) = compared(measure("real", wide))
    assert one.omnibus is None
    assert one.pairs == ()
    have = {0: "0 participants have", 1: "1 participant has"}[complete]
    assert one.reason == f"{have} a value in every condition, so nothing is tested"


def test_available_pairs_are_tested_where_nobody_is_complete_and_the_others_are_named():
    (one,) = compared(measure("real", [[1, 2, nan], [1, 3, nan]]), n=2, cases="available")
    assert list(pairs(one)) == [("still", "slosh")]
    assert one.reason == (
        "0 participants have a value in every condition, so there is no omnibus test; "
        "not tested, with fewer than two participants: still against ladle, slosh against ladle"
    )


def test_two_conditions_have_a_pair_and_no_omnibus_test():
    two = ("still", "slosh")
    (one,) = compared(measure("real", [[1, 2]] * 6, two), conditions=two)
    assert one.omnibus is None
    assert one.reason == "fewer than three conditions, so there is no omnibus test"
    assert one.pairs[0].test.adjusted == 2 / 64


def test_one_condition_is_described_and_not_tested():
    (one,) = compared(measure("real", [[1]] * 6, ("still",)), conditions=("still",))
    assert (one.omnibus, one.pairs, one.contrasts) == (None, (), ())
    assert one.descriptions[0].n == 6
    assert one.reason.startswith("fewer than three conditions")


def test_no_values_at_all():
    (one,) = compared(measure("real", [[nan] * 3] * 6))
    assert one.reason == "0 participants have a value in every condition, so nothing is tested"
    assert {each.n for each in one.descriptions} == {0}


def test_a_test_without_p_is_not_shown():
    (one,) = compared(measure("real", rising()))
    assert one.shown(comparison.Test("f", True, "holm", 0.05, True, adjusted=0.05))
    assert not one.shown(comparison.Test("f", True, "holm", 0.0501, True, adjusted=0.0501))
    assert not one.shown(comparison.Test("f", True, "holm", nan, True))


# contrasts


def contrast(name: str, **weights: float) -> dict:
    return {"id": name, "label": name, "measures": ["real"], "weights": weights}


def test_a_contrast_weighs_conditions_by_hand():
    wide = [[1, 2, 4], [2, 3, 5], [1, 1, 3], [4, 4, 5], [2, 5, 6], [3, 3, 1]]
    (one,) = compared(measure("real", wide), contrasts=[contrast("ladle_against_rest", ladle=2, still=-1, slosh=-1)])
    (found,) = one.contrasts
    # 2 x ladle - still - slosh: 5 5 4 2 5 -4; of their sizes 2 is first, 4 4 share 2.5, 5 5 5 share 5
    assert (found.result.w_plus, found.result.w_minus) == (1 + 2.5 + 3 * 5, 2.5)
    assert found.test.family == "contrasts of real"


def test_contrasts_are_planned_and_corrected_in_their_family_and_not_gated():
    contrasts = [contrast("up", slosh=1, still=-1), contrast("down", still=1, ladle=-1)]
    families = [{"id": "planned", "tests": "contrasts", "measures": ["real"]}]
    (one,) = compared(measure("real", rising()), contrasts=contrasts, families=families)
    assert [(each.test.family, each.test.planned, each.test.adjusted) for each in one.contrasts] == [
        ("planned", True, 4 / 64)
    ] * 2
    assert [each.test.attainable for each in one.contrasts] == [4 / 64] * 2
    assert [each.result.hodges_lehmann > 0 for each in one.contrasts] == [True, False]
    assert {pair.test.adjusted for pair in one.pairs} == {6 / 64}


def test_contrasts_follow_the_cases_of_the_plan():
    wide = rising(6)
    wide[0][2] = nan
    contrasts = [contrast("up", slosh=1, still=-1, ladle=0)]
    (complete,) = compared(measure("real", wide), contrasts=contrasts)
    (available,) = compared(measure("real", wide), contrasts=contrasts, cases="available")
    assert (complete.contrasts[0].result.n_pairs, complete.contrasts[0].result.n_dropped) == (5, 1)
    assert (available.contrasts[0].result.n_pairs, available.contrasts[0].result.n_dropped) == (6, 0)


def test_a_contrast_that_cannot_be_tested_is_named():
    wide = [[1, 2, nan]] * 6
    (one,) = compared(measure("real", wide), contrasts=[contrast("up", ladle=1, still=-1)], cases="available")
    assert one.contrasts == ()
    assert one.reason.endswith("still against ladle, slosh against ladle, up")


def test_rounding_of_means_is_no_difference_in_a_contrast():
    # thirds: 3 x 13/3 - 13/3 - 2 x 13/3 is not 0 in floating point when it is added up in one go
    wide = np.array([[number / 3] * 3 for number in (8, 10, 13, 14, 16, 17)])
    assert all(row @ [3, -1, -2] for row in wide)
    (one,) = compared(measure("real", wide.tolist()), contrasts=[contrast("rest", still=3, slosh=-1, ladle=-2)])
    assert one.contrasts[0].result.n_nonzero == 0
    assert one.contrasts[0].test.p == 1.0


def test_results_do_not_depend_on_the_order_of_measures_and_participants():
    wide = flat()
    wide[0] = [1, 5, 3]
    real, effort = measure("real", wide), measure("effort", rising())
    families = [{"id": "main", "tests": "pairs", "measures": ["real", "effort"]}]
    forth = {one.measure.id: one for one in compared(real, effort, families=families)}
    back = {one.measure.id: one for one in compared(effort, measure("real", wide[::-1]), families=families)}
    for name in forth:
        assert [pair.test.adjusted for pair in forth[name].pairs] == [pair.test.adjusted for pair in back[name].pairs]
        assert forth[name].omnibus.test.p == back[name].omnibus.test.p


# equivalence


def bounded(wide: list[list[float]], low: float = -1, high: float = 1, **plan) -> Comparison:
    (one,) = compared(measure("real", wide), n=len(wide), equivalence={"real": {"low": low, "high": high}}, **plan)
    return one


def nearly_alike(n: int) -> list[list[float]]:
    """Differences far inside the bounds of one point, in both directions."""
    return [
        [4.0, 4.0 + (-1) ** number * number / 100, 4.0 - (-1) ** number * number / 90] for number in range(1, n + 1)
    ]


def test_equivalence_within_bounds_by_hand():
    """All eight differences lie inside the bounds, so every one-sided p is 1 / 2^8; Holm over three pairs."""
    found = bounded(nearly_alike(8)).equivalences
    assert [(one.first, one.second) for one in found] == [("still", "slosh"), ("still", "ladle"), ("slosh", "ladle")]
    for one in found:
        assert (one.result.p_low, one.result.p_high, one.test.p) == (1 / 256, 1 / 256, 1 / 256)
        assert one.test.adjusted == 3 / 256
        assert (one.test.family, one.test.planned, one.test.exact) == ("equivalence of real", True, True)
        assert (one.bounds.low, one.bounds.high) == (-1, 1)
        assert -1 < one.interval.low <= one.shift <= one.interval.high < 1


def test_the_larger_one_sided_p_counts():
    # still - slosh: -2 for all: at or below the lower bound. p_low 1, p_high 1 / 2^6
    (one, *_) = bounded([[1, 3, 1]] * 6).equivalences
    assert (one.result.p_low, one.result.p_high, one.test.p) == (1.0, 1 / 64, 1.0)


def test_the_interval_is_at_one_minus_twice_the_level():
    """Six pairs: all 2^6 signs, so the widest order statistics reach 1 - 2 / 64, the next 1 - 4 / 64, then 1 - 6 / 64."""
    narrow, wide = (bounded(rising(), level=level).equivalences[0].interval for level in (0.05, 0.02))
    assert narrow.level == pytest.approx(1 - 6 / 64)
    assert wide.level == pytest.approx(1 - 2 / 64)
    assert isnan(bounded(rising(), level=0.6).equivalences[0].interval.low)


def test_bounds_shifted_with_the_answers_change_nothing():
    wide = np.array(nearly_alike(9))
    one = bounded(wide.tolist()).equivalences[0]
    moved = bounded((wide + np.array([3, 0, 0])).tolist(), 2, 4).equivalences[0]
    assert moved.test.p == one.test.p
    assert moved.shift == pytest.approx(one.shift + 3)


def test_equivalence_in_a_family_over_measures():
    families = [{"id": "alike", "tests": "equivalence", "measures": ["real", "effort"], "correction": "bonferroni"}]
    bounds = {name: {"low": -1, "high": 1} for name in ("real", "effort")}
    found = compared(
        measure("real", nearly_alike(8)),
        measure("effort", nearly_alike(8)),
        n=8,
        families=families,
        equivalence=bounds,
    )
    for one in found:
        assert {(pair.test.family, pair.test.adjusted) for pair in one.equivalences} == {("alike", 6 / 256)}
        assert {pair.test.family for pair in one.pairs} == {f"pairs of {one.measure.id}"}


def test_measures_without_bounds_and_pairs_without_people_have_no_equivalence():
    (one,) = compared(measure("real", rising()))
    assert one.equivalences == ()
    half = bounded([[1, 2, nan]] * 6, cases="available")
    assert [(pair.first, pair.second, pair.result.n_dropped) for pair in half.equivalences] == [("still", "slosh", 0)]
    assert bounded([[1, nan, nan]] * 6).equivalences == ()


# which tests are exact


def test_quick_comparisons_are_asymptotic_where_that_was_asked():
    (full,), (paired,), (none,) = (
        compare([measure("real", rising())], [f"A{n:02}" for n in range(1, 7)], THREE, Plan(), exact=exact)
        for exact in ("all", "paired", "none")
    )
    assert (full.omnibus.test.exact, paired.omnibus.test.exact, none.omnibus.test.exact) == (True, False, False)
    assert paired.omnibus.test.p == full.omnibus.result.p_asymptotic
    assert [pair.test.p for pair in paired.pairs] == [pair.test.p for pair in full.pairs]
    assert [pair.test.p for pair in none.pairs] == [pair.result.p_asymptotic for pair in full.pairs]
