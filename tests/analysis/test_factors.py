"""Factorial designs: which layouts count, the weights of each effect, and tests of contrasts worked by hand."""

from __future__ import annotations

from itertools import product
from math import nan

import numpy as np
import pandas as pd
import pytest

from workbench.analysis.comparison import Comparison, compare
from workbench.analysis.factors import effects, layout, layout_findings
from workbench.measure import Measure
from workbench.study import Condition, Plan


def conditions(cells: dict[str, dict[str, str]]) -> list[Condition]:
    return [Condition(id=name, label=name.upper(), factors=levels) for name, levels in cells.items()]


def crossed(**factors: str) -> list[Condition]:
    """Every combination of levels: crossed(sound="off on", sight="flat deep")."""
    levels = {name: words.split() for name, words in factors.items()}
    cells = [dict(zip(levels, cell, strict=True)) for cell in product(*levels.values())]
    return conditions({"_".join(cell.values()): cell for cell in cells})


TWO_BY_TWO = crossed(sound="off on", sight="flat deep")
FOUR = tuple(one.id for one in TWO_BY_TWO)


def compared(wide: list[list[float]], declared: list[Condition] = TWO_BY_TWO, **plan) -> Comparison:
    people = [f"A{number:02}" for number in range(1, len(wide) + 1)]
    ids = [one.id for one in declared]
    rows = [
        (who, one, "", value, nan, "")
        for who, row in zip(people, wide, strict=True)
        for one, value in zip(ids, row, strict=True)
    ]
    values = pd.DataFrame(rows, columns=["participant", "condition", "occasion", "value", "standard_error", "reason"])
    one = Measure("real", "real", "", "", "scale", "per_condition", values, values.iloc[:0])
    (found,) = compare([one], people, ids, Plan.model_validate(plan), factorial=layout(declared))
    return found


# layouts


def test_no_factors_no_layout():
    assert layout(conditions({"still": {}, "slosh": {}})) is None
    assert layout_findings(conditions({"still": {}, "slosh": {}})) == []


@pytest.mark.parametrize(
    ("cells", "reason"),
    [
        ({"a": {"sound": "off"}, "b": {"sound": "on"}}, "there is one factor (sound)"),
        (
            {"a": {"sound": "off", "sight": "flat"}, "b": {"sound": "on"}},
            "B has no level of sight",
        ),
        (
            {"a": {"sound": "off", "sight": "flat"}, "b": {"sound": "on", "sight": "flat"}},
            "sight has the same level in every condition",
        ),
        (
            {
                "a": {"sound": "off", "sight": "flat"},
                "b": {"sound": "on", "sight": "flat"},
                "c": {"sound": "off", "sight": "deep"},
            },
            "no condition has the levels on with deep",
        ),
        (
            {
                "a": {"sound": "off", "sight": "flat"},
                "b": {"sound": "off", "sight": "flat"},
                "c": {"sound": "on", "sight": "deep"},
            },
            "two conditions have the levels off with flat",
        ),
    ],
)
def test_a_layout_that_is_not_complete_is_refused_with_a_reason(cells, reason):
    declared = conditions(cells)
    found = layout(declared)
    assert reason in found.reason
    assert effects(found) == []
    (finding,) = layout_findings(declared)
    assert (finding.severity, finding.kind) == ("attention", "incomplete factorial")
    assert reason in finding.found


def test_a_baseline_stands_outside():
    found = layout([*TWO_BY_TWO, Condition(id="real", label="Real")])
    assert (found.reason, found.outside) == ("", ("real",))
    assert all("real" not in effect.weights for effect in effects(found))


# weights


def test_weights_of_a_two_by_two():
    main_sound, main_sight, crossing = effects(layout(TWO_BY_TWO))
    assert main_sound.weights == {"off_flat": 0.5, "off_deep": 0.5, "on_flat": -0.5, "on_deep": -0.5}
    assert main_sight.weights == {"off_flat": 0.5, "off_deep": -0.5, "on_flat": 0.5, "on_deep": -0.5}
    assert crossing.weights == {"off_flat": 1, "off_deep": -1, "on_flat": -1, "on_deep": 1}
    assert [one.kind for one in (main_sound, main_sight, crossing)] == ["main effect", "main effect", "interaction"]
    assert (main_sound.label, crossing.label) == ("off − on", "(off − on) at flat minus at deep")


def test_three_levels_give_all_pairs_of_levels():
    found = effects(layout(crossed(sound="off soft loud", sight="flat deep")))
    assert [one.label for one in found] == [
        "off − soft",
        "off − loud",
        "soft − loud",
        "flat − deep",
        "(off − soft) at flat minus at deep",
        "(off − loud) at flat minus at deep",
        "(soft − loud) at flat minus at deep",
    ]
    assert found[0].weights == {"off_flat": 0.5, "off_deep": 0.5, "soft_flat": -0.5, "soft_deep": -0.5}
    assert found[3].weights["loud_flat"] == pytest.approx(1 / 3)


def test_three_factors_average_over_the_third():
    declared = crossed(sound="off on", sight="flat deep", touch="none some")
    found = {one.factors: one for one in effects(layout(declared))}
    assert len(found) == 6  # three main effects, three two-way interactions, no three-way one
    assert set(found["sound", "sight"].weights.values()) == {0.5, -0.5}
    assert set(found["touch",].weights.values()) == {0.25, -0.25}


@pytest.mark.parametrize("factors", [{"a": "p q", "b": "r s t"}, {"a": "p q r", "b": "s t u", "c": "v w"}])
def test_contrasts_find_what_was_put_into_the_cells(factors):
    """Cells made of main effects alone: each main effect is the difference of its levels, each interaction is zero."""
    declared = crossed(**factors)
    worth = {level: number**2 / 7 for number, level in enumerate(" ".join(factors.values()).split())}
    cell = {one.id: sum(worth[level] for level in one.factors.values()) for one in declared}
    for effect in effects(layout(declared)):
        total = sum(weight * cell[name] for name, weight in effect.weights.items())
        if effect.kind == "interaction":
            assert total == pytest.approx(0)
        else:
            first, second = effect.label.split(" − ")
            assert total == pytest.approx(worth[first] - worth[second])


# tests


def test_a_two_by_two_by_hand():
    # off_flat off_deep on_flat on_deep; sound (off - on): means of two minus means of two
    wide = [[5, 6, 3, 4], [4, 6, 4, 3], [6, 6, 2, 5], [5, 4, 4, 4], [7, 5, 3, 2], [4, 4, 3, 5]]
    sound, _, crossing = compared(wide).factors
    # sound: 2, 1.5, 2.5, .5, 3.5, 0; interaction (5-3)-(6-4) = 0, 0-3 = -3, 4-1 = 3, 1-0 = 1, 4-3 = 1, 1+1 = 2
    assert (sound.result.w_plus, sound.result.w_minus, sound.result.n_nonzero) == (2 + 3 + 4 + 5 + 6, 0, 5)
    assert sound.test.p == 2 / 2**5
    assert sound.result.hodges_lehmann == 1.75  # the 11th of 21 Walsh averages
    # sizes 0 3 3 1 1 2: Pratt ranks 1 (the zero), 2.5 2.5 for the ones, 4, 5.5 5.5; the minus is a three
    assert (crossing.result.w_plus, crossing.result.w_minus) == (2.5 + 2.5 + 4 + 5.5, 5.5)


def test_factors_are_exploratory_with_holm_over_all_effects_of_a_measure():
    wide = [[5 + n / 10, 5 + n / 9, 1, 1 + n / 8] for n in range(1, 7)]
    found = compared(wide).factors
    assert {one.test.family for one in found} == {"factors of real"}
    assert not any(one.test.planned for one in found)
    assert found[0].test.p == 2 / 64
    assert found[0].test.adjusted == 6 / 64


def test_factors_in_a_family_are_planned_and_corrected_there():
    wide = [[5 + n / 10, 5 + n / 9, 1, 1 + n / 8] for n in range(1, 7)]
    families = [{"id": "crossing", "tests": "factors", "measures": ["real"], "correction": "none"}]
    found = compared(wide, families=families).factors
    assert {(one.test.family, one.test.planned) for one in found} == {("crossing", True)}
    assert found[0].test.adjusted == 2 / 64


def test_pairs_keep_their_own_family():
    wide = [[5 + n / 10, 5 + n / 9, 1, 1 + n / 8] for n in range(1, 7)]
    one = compared(wide)
    assert {pair.test.family for pair in one.pairs} == {"pairs of real"}


def test_missing_values_follow_the_cases_of_the_plan():
    declared = [*TWO_BY_TWO, Condition(id="real", label="Real")]
    wide = [[5, 6, 3, 4, nan], [4, 6, 4, 3, 1], [6, 6, 2, 5, 1], [5, 4, nan, 4, 1]]
    complete, available = compared(wide, declared), compared(wide, declared, cases="available")
    assert {(one.result.n_pairs, one.result.n_dropped) for one in complete.factors} == {(2, 2)}
    assert {(one.result.n_pairs, one.result.n_dropped) for one in available.factors} == {(3, 1)}


def test_too_few_participants_are_named():
    one = compared([[5, 6, 3, nan]] * 4, cases="available")
    assert one.factors == ()
    assert "sound: off − on" in one.reason
    assert "sound x sight: (off − on) at flat minus at deep" in one.reason


def test_renaming_people_and_turning_levels_round_change_no_p():
    rng = np.random.default_rng(3)
    wide = rng.integers(1, 8, (9, 4)).astype(float)
    forth = compared(wide.tolist()).factors
    back = compared(wide[::-1].tolist()).factors
    turned = compared((8 - wide).tolist()).factors
    for one, other, reversed_ in zip(forth, back, turned, strict=True):
        assert one.test.p == other.test.p == reversed_.test.p
        assert one.result.hodges_lehmann == pytest.approx(-reversed_.result.hodges_lehmann)
