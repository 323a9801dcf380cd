"""Agreement between raters: which codings meet in which table, on a set small enough to follow by hand."""

from __future__ import annotations

from math import isnan

import numpy as np
import pandas as pd
import pytest
from study_folders import study_in

from workbench.analysis.agreement import RoundAgreement, agreement
from workbench.coding.codings import CODING_COLUMNS

ROUNDS = [
    {"id": "pilot", "kind": "pilot"},
    {"id": "rely", "kind": "reliability"},
    {"id": "main", "kind": "main"},
    {"id": "agreed", "kind": "consensus"},
]
# unit: what R1 and R2 gave it, None where they did not rate it
BY_HAND = {
    ("A01", "u1"): ("H", "H"),
    ("A01", "u2"): ("H", ""),
    ("A02", "u1"): ("", ""),
    ("A02", "u2"): ("S", "H"),
    ("A02", "u3"): ("HS", "H"),
    ("A03", "u1"): ("H", None),
}


def coded(units=BY_HAND, raters=("R1", "R2"), round="rely", version="1") -> pd.DataFrame:
    rows = [
        (who, f"T-{who}", unit, "", "", rater, round, version, code, "", "")
        for (who, unit), given in units.items()
        for rater, codes in zip(raters, given, strict=True)
        if codes is not None
        for code in (codes or [""])
    ]
    return pd.DataFrame(rows, columns=CODING_COLUMNS).astype("str")


def agreed(
    folder, rows: pd.DataFrame, *, mode="coding reliability", raters=("R1", "R2"), resamples=0
) -> list[RoundAgreement]:
    study = study_in(folder, interviews={"mode": mode, "raters": list(raters), "rounds": ROUNDS})
    return agreement(study, rows, resamples=resamples)


def test_one_round_by_hand(tmp_path):
    (found,) = agreed(tmp_path, coded())
    assert (found.round.id, found.raters, found.codebook_version) == ("rely", ("R1", "R2"), "1")
    assert (found.n_units, found.n_double, found.participants) == (6, 5, 2)
    assert found.few_clusters
    heavy, sway = found.codes
    # H over the five units both saw: R1 1 1 0 0 1, R2 1 0 0 1 1
    assert (heavy.code, heavy.n_units, heavy.n_single) == ("H", 5, 1)
    assert heavy.percent.value == pytest.approx(3 / 5)
    # chance: 3/5 x 3/5 + 2/5 x 2/5 = 13/25, so kappa = (15/25 - 13/25) / (12/25)
    assert heavy.kappa.value == pytest.approx(2 / 12)
    # agreement on applied: 2 x 2 / (3 + 3); on not applied: 2 x 1 / (2 + 2)
    assert (heavy.specific.positive, heavy.specific.negative) == pytest.approx((4 / 6, 2 / 4))
    # AC1 takes the prevalence from all six units: (1 + 1/2 + 0 + 1/2 + 1 + 1) / 6 = 2/3, chance 2 x 2/3 x 1/3 = 4/9
    assert heavy.ac1.value == pytest.approx((3 / 5 - 4 / 9) / (5 / 9))
    # alpha: of ten values 6 are 1 and 4 are 0; expected disagreement 2 x 6 x 4 / (10 x 9), observed 2/5
    assert heavy.alpha.value == pytest.approx(1 - (2 / 5) / (48 / 90))
    # R1 applied H to 4 of the 6 units it rated, R2 to 3 of 5
    assert heavy.prevalence == pytest.approx({"R1": 4 / 6, "R2": 3 / 5})
    assert sway.code == "S"
    assert sway.kappa.value == pytest.approx(0.0)  # R2 never applied it


def test_the_overall_alpha_is_over_sets_of_codes(tmp_path):
    (found,) = agreed(tmp_path, coded({("A01", "u1"): ("H", "H"), ("A01", "u2"): ("HS", "H"), ("A02", "u1"): ("", "")}))
    # MASI: {H,S} and {H} share one of two, the one in the other: 1 - 1/2 x 2/3 = 2/3; equal sets 0
    observed = (0 + 2 / 3 + 0) / 3
    # six values: H H HS H {} {}; pairs of different values: H-HS 3 x 2/3, H-{} 6 x 1, HS-{} 2 x 1, of 15
    expected = (3 * 2 / 3 + 6 + 2) / 15
    assert found.overall.value == pytest.approx(1 - observed / expected)


def test_the_same_unit_name_in_two_transcripts_is_two_units(tmp_path):
    (found,) = agreed(tmp_path, coded({("A01", "u1"): ("H", "H"), ("A02", "u1"): ("", "")}))
    assert found.n_units == 2
    assert found.codes[0].percent.value == 1.0
    assert found.codes[0].kappa.value == 1.0


def test_units_that_only_one_rater_saw_are_counted_and_left_out(tmp_path):
    (found,) = agreed(
        tmp_path, coded({("A01", "u1"): ("H", "H"), ("A01", "u2"): ("H", None), ("A02", "u1"): (None, "")})
    )
    assert (found.codes[0].n_units, found.codes[0].n_single) == (1, 2)
    assert (found.n_units, found.n_double) == (3, 1)
    assert isnan(found.codes[0].kappa.value)
    assert found.codes[0].kappa.reason


def test_rounds_are_told_apart_and_consensus_is_no_rating(tmp_path):
    again = {("A01", "u9"): ("S", "H")}
    rows = pd.concat(
        [
            coded(round="pilot", version="1"),
            coded(again, round="main", version="2"),
            coded({("A01", "u9"): ("H",)}, raters=("consensus",), round="main", version="2"),
            coded(again, round="agreed", version="2"),
        ],
        ignore_index=True,
    )
    pilot, main = agreed(tmp_path, rows)
    assert (pilot.round.kind, pilot.codebook_version) == ("pilot", "1")
    assert (main.round.kind, main.codebook_version, main.n_units) == ("main", "2", 1)
    assert main.codes[0].percent.value == 0.0


def test_rounds_without_a_unit_in_common_say_so(tmp_path):
    apart = {("A01", "u1"): ("H", None), ("A02", "u1"): (None, "H")}
    (found,) = agreed(tmp_path / "a", coded(apart))
    assert (found.n_units, found.n_double, found.codes, found.reported) == (2, 0, (), False)
    assert found.reason == "No unit was coded by two of R1, R2."
    (alone,) = agreed(tmp_path / "b", coded({("A01", "u1"): ("H", None)}))
    assert "Only R1 coded here" in alone.reason
    assert isnan(alone.overall.value)
    assert isnan(alone.same_sets.value)


def test_units_of_a_pilot_round_are_refused_later(tmp_path):
    rows = pd.concat(
        [coded(round="pilot", version="1"), coded({("A01", "u1"): ("H", "H"), ("A09", "u1"): ("H", "")}, version="2")],
        ignore_index=True,
    )
    pilot, rely = agreed(tmp_path / "a", rows)
    assert (pilot.n_units, pilot.n_refused, pilot.reported) == (6, 0, False)
    assert (rely.n_units, rely.n_double, rely.n_refused) == (1, 1, 1)
    assert rely.codes[0].percent.value == 0.0
    only = pd.concat([coded(round="pilot"), coded({("A01", "u1"): ("H", "H")}, version="2")], ignore_index=True)
    assert "stood in a pilot round" in agreed(tmp_path / "b", only)[1].reason


def test_a_reflexive_study_shows_no_coefficient(tmp_path):
    assert agreed(tmp_path / "a", coded(), mode="reflexive") == []
    assert len(agreed(tmp_path / "b", coded(), mode="codebook")) == 1


def test_a_study_without_interviews_has_no_agreement(tmp_path):
    assert agreement(study_in(tmp_path), coded()) == []


def test_three_raters_have_fleiss_kappa(tmp_path):
    units = {("A01", "u1"): ("H", "H", "H"), ("A01", "u2"): ("H", "", ""), ("A02", "u1"): ("", "", "")}
    (found,) = agreed(tmp_path, coded(units, raters=("R1", "R2", "R3")), raters=("R1", "R2", "R3"))
    # agreement per unit 1, 1/3, 1; H is 4 of 9 values: chance 16/81 + 25/81
    assert found.codes[0].kappa.value == pytest.approx((7 / 9 - 41 / 81) / (40 / 81))
    assert found.codes[0].kappa.observed == pytest.approx(7 / 9)


def test_a_unit_coded_again_under_a_newer_version_counts_under_that(tmp_path):
    rows = pd.concat([coded(version="9"), coded({("A01", "u2"): ("H", "H")}, version="10")], ignore_index=True)
    (found,) = agreed(tmp_path, rows)
    # now R2 applied H to u2 of A01 as well: four of five agree
    assert found.codes[0].percent.value == pytest.approx(4 / 5)
    assert found.codebook_version == "9 and 10"


def test_participants_are_resampled_and_the_seed_of_the_plan_decides(tmp_path):
    rng = np.random.default_rng(5)
    units = {
        (f"A{who:02}", f"u{unit}"): ("H" if one < 0.5 else "", "H" if one < 0.4 or one > 0.9 else "")
        for who in range(1, 7)
        for unit in range(1, 5)
        for one in [rng.random()]
    }
    first, again = (agreed(tmp_path / name, coded(units), resamples=50)[0] for name in "ab")
    interval = first.codes[0].kappa.bootstrap_interval
    assert interval.low < first.codes[0].kappa.value < interval.high
    assert (interval.low, interval.high) == (
        again.codes[0].kappa.bootstrap_interval.low,
        again.codes[0].kappa.bootstrap_interval.high,
    )
    assert first.participants == 6
    # with every unit in a cluster of its own the interval is another one
    alone = {(f"B{number:02}", unit): given for number, ((_, unit), given) in enumerate(units.items())}
    apart = agreed(tmp_path / "c", coded(alone), resamples=50)[0].codes[0].kappa
    assert apart.value == first.codes[0].kappa.value
    assert (apart.bootstrap_interval.low, apart.bootstrap_interval.high) != (interval.low, interval.high)


def test_one_participant_has_no_interval_from_resampling(tmp_path):
    (found,) = agreed(tmp_path, coded({("A01", "u1"): ("H", "H"), ("A01", "u2"): ("", "H")}), resamples=20)
    assert found.participants == 1
    assert not found.codes[0].kappa.bootstrap_interval.defined
