"""Scoring against sheets worked by hand: the arithmetic stands beside each expected value."""

from __future__ import annotations

from math import isnan

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.measure import Measure
from workbench.responses.questionnaires import read_responses
from workbench.scoring import answers_needed, scale_measures

NUMERIC = {"kind": "numeric", "low": 0, "high": 100}


def scored(folder, made, *rows: str, header: str = "", **sections) -> Measure:
    """The one measure of an instrument asked once after each condition."""
    items = header or " ".join(item["id"] for item in made["items"])
    study = study_in(
        folder,
        instruments=[made],
        files={"form.csv": sheet(f"participant condition {items}", *rows)},
        questionnaires=[questionnaire("form", [made["id"]])],
        **sections,
    )
    (measure,) = scale_measures(study, read_responses(study))
    return measure


def value_of(measure: Measure, participant: str = "A01", condition: str = "still") -> tuple[float, str]:
    rows = measure.values
    (row,) = rows[(rows["participant"] == participant) & (rows["condition"] == condition)].itertuples()
    return row.value, row.reason


# published keys


def test_system_usability_scale_as_brooke_scores_it(published, tmp_path):
    case = published["sus_brooke"]
    items = [f"q{number}" for number in range(1, 11)]
    sus = instrument(
        "sus",
        items,
        reverse=items[1::2],
        response={"kind": "likert", "low": 1, "high": 5},
        score="sum",
        add=-10,
        multiply=2.5,
    )
    measure = scored(tmp_path, sus, "A01 still " + " ".join(map(str, case["inputs"]["responses"])))
    assert value_of(measure) == (case["expected"]["score"], "")
    assert (measure.low, measure.high) == (0.0, 100.0)
    contributions = measure.rows.set_index("item")["value"].loc[items] - 1
    assert contributions.tolist() == case["expected"]["contributions"]


def test_simulator_sickness_key_with_shared_items(published, tmp_path):
    case = published["ssq_key_weights"]
    items = [f"s{number}" for number in range(1, 17)]
    key = {name: [f"s{number}" for number in numbers] for name, numbers in case["inputs"]["key"].items()}
    weights = case["inputs"]["weights"]
    scales = [
        {"id": name, "label": name, "items": key[name], "score": "sum", "multiply": weights[name]} for name in key
    ]
    loads = {item: sum(item in key[name] for name in key) for item in items}
    loads = {item: load for item, load in loads.items() if load}
    total = {"id": "Total", "label": "Total", "items": list(loads), "score": "weighted", "weights": loads}
    low, high = case["inputs"]["item_range"]
    made = instrument(
        "ssq",
        items,
        response={"kind": "likert", "low": low, "high": high},
        scales=[*scales, total | {"multiply": weights["Total"]}],
    )
    study = study_in(
        tmp_path,
        instruments=[made],
        files={
            "form.csv": sheet(
                "participant " + " ".join(items), "A01 " + " ".join(map(str, case["inputs"]["responses"]))
            )
        },
        questionnaires=[questionnaire("form", ["ssq"], asked="once")],
    )
    for measure in scale_measures(study, read_responses(study)):
        value, reason = value_of(measure, condition="")
        assert value == pytest.approx(case["expected"][measure.id], rel=case["tolerance"])
        assert reason == ""
        assert measure.high == pytest.approx(case["expected"][f"max_{measure.id}"], rel=case["tolerance"])


def test_task_load_index_raw_and_weighted(published, tmp_path):
    case = published["tlx_weighted"]
    items = case["inputs"]["order"]
    weights = dict(zip(items, case["inputs"]["weights"], strict=True))
    scales = [
        {"id": "raw", "label": "Raw", "items": items},
        {
            "id": "weighted",
            "label": "Weighted",
            "items": items,
            "score": "weighted",
            "weights": weights,
            "multiply": 1 / case["expected"]["weight_sum"],
        },
    ]
    study = study_in(
        tmp_path,
        instruments=[instrument("tlx", items, response=NUMERIC, scales=scales)],
        files={
            "form.csv": sheet(
                "participant condition " + " ".join(items),
                "A01 still " + " ".join(map(str, case["inputs"]["ratings"])),
                "A02 still 70 . 60 35 65 50",
            )
        },
        questionnaires=[questionnaire("form", ["tlx"])],
        plan={"missing": "half"},
    )
    raw, weighted = scale_measures(study, read_responses(study))
    assert value_of(raw)[0] == case["expected"]["raw"]
    assert value_of(weighted)[0] == pytest.approx(case["expected"]["weighted"], rel=case["tolerance"])
    # an item of weight 0 that is not answered changes nothing of the weighted score
    assert value_of(weighted, "A02")[0] == pytest.approx(case["expected"]["weighted"], rel=case["tolerance"])


# reversal, mean, sum, add, multiply


def test_reversed_items_count_as_low_plus_high_minus_answer(tmp_path):
    made = instrument("real", ["r1", "r2", "r3"], reverse=["r2"])
    measure = scored(tmp_path, made, "A01 still 6 2 7", "A01 slosh 1 7 1")
    # 1 + 7 - 2 = 6, so (6 + 6 + 7) / 3
    assert value_of(measure)[0] == pytest.approx(19 / 3)
    assert value_of(measure, condition="slosh") == (1.0, "")
    still = measure.rows[measure.rows["condition"] == "still"].set_index("item")["value"]
    assert still[["r1", "r2", "r3"]].tolist() == [6, 6, 7]


def test_reversal_of_a_range_that_starts_at_zero_and_of_choices(tmp_path):
    choices = [{"value": 0, "label": "Never"}, {"value": 1, "label": "Often"}, {"value": 4, "label": "Always"}]
    made = instrument(
        "often", ["o1", "o2"], reverse=["o2"], response={"kind": "choice", "choices": choices}, score="sum"
    )
    # Often is 1; Always is 4, reversed 0 + 4 - 4 = 0
    assert value_of(scored(tmp_path, made, "A01 still often ALWAYS"))[0] == 1.0


def test_add_comes_before_multiply(tmp_path):
    made = instrument("real", ["r1", "r2"], score="sum", add=-2, multiply=0.5)
    measure = scored(tmp_path, made, "A01 still 3 6")
    assert value_of(measure)[0] == (3 + 6 - 2) * 0.5
    assert (measure.low, measure.high) == (0.0, 6.0)  # (2 - 2) / 2 and (14 - 2) / 2


def test_a_negative_factor_turns_the_range_round(tmp_path):
    measure = scored(tmp_path, instrument("ease", ["e1"], multiply=-1, add=-8), "A01 still 2")
    assert value_of(measure)[0] == 6.0
    assert (measure.low, measure.high) == (1.0, 7.0)


# missing rules


@pytest.mark.parametrize(
    ("rule", "declared", "needed"),
    [
        ("instrument", None, 5),
        ("instrument", 4, 4),
        ("half", 4, 3),
        ("half", None, 3),
        ("complete", 4, 5),
    ],
)
def test_answers_needed_of_five_items(tmp_path, rule, declared, needed):
    keys = {} if declared is None else {"answers_needed": declared}
    study = study_in(
        tmp_path,
        instruments=[instrument("five", list("abcde"), **keys)],
        questionnaires=[questionnaire("form", ["five"])],
    )
    assert answers_needed(study.instruments["five"].scales[0], rule) == needed


def test_half_of_an_even_and_an_odd_number_of_items(tmp_path):
    made = instrument("real", ["r1", "r2", "r3", "r4", "r5"])
    measure = scored(tmp_path, made, "A01 still 6 2 7 . .", "A02 still 6 2 . . .", plan={"missing": "half"})
    assert value_of(measure)[0] == 5.0  # (6 + 2 + 7) / 3
    value, reason = value_of(measure, "A02")
    assert isnan(value)
    assert reason == "2 of 5 items answered, 3 needed"


def test_complete_leaves_out_what_the_instrument_would_score(tmp_path):
    made = instrument("real", ["r1", "r2", "r3"], answers_needed=2)
    rows = ("A01 still 3 . 5", "A02 still 3 4 5")
    assert value_of(scored(tmp_path / "a", made, *rows))[0] == 4.0
    strict = scored(tmp_path / "b", made, *rows, plan={"missing": "complete"})
    assert isnan(value_of(strict)[0])
    assert value_of(strict)[1] == "2 of 3 items answered, 3 needed"
    assert value_of(strict, "A02") == (4.0, "")


def test_a_sum_with_fewer_answers_is_scaled_up_to_all_items(tmp_path):
    made = instrument("real", ["r1", "r2", "r3", "r4"], score="sum", add=-4, multiply=2, answers_needed=3)
    # (3 + 4 + 5) x 4/3 = 16, then (16 - 4) x 2
    assert value_of(scored(tmp_path, made, "A01 still 3 4 . 5"))[0] == pytest.approx(24.0)


def test_a_weighted_sum_is_scaled_up_by_weights(tmp_path):
    made = instrument("load", ["a", "b", "c"], score="weighted", weights={"a": 3, "b": 2, "c": 1}, answers_needed=2)
    # (3 x 2 + 1 x 6) x 6 / (3 + 1) = 18; complete: 3 x 2 + 2 x 5 + 1 x 6 = 22
    measure = scored(tmp_path, made, "A01 still 2 . 6", "A02 still 2 5 6")
    assert value_of(measure)[0] == pytest.approx(18.0)
    assert value_of(measure, "A02")[0] == 22.0


def test_weights_of_both_signs_are_not_scaled_up(tmp_path):
    made = instrument("net", ["a", "b", "c"], score="weighted", weights={"a": 1, "b": -1, "c": 1}, answers_needed=2)
    measure = scored(tmp_path, made, "A01 still 5 2 .", "A02 still 5 2 1")
    assert isnan(value_of(measure)[0])
    assert value_of(measure)[1] == "2 of 3 items answered, and their weights cannot be scaled up"
    assert value_of(measure, "A02") == (4.0, "")  # 5 - 2 + 1


def test_only_items_of_weight_zero_answered_gives_no_score(tmp_path):
    made = instrument("load", ["a", "b"], score="weighted", weights={"a": 0, "b": 2}, answers_needed=1)
    value, reason = value_of(scored(tmp_path, made, "A01 still 5 ."))
    assert isnan(value)
    assert "cannot be scaled up" in reason


def test_not_applicable_is_told_apart_from_skipped(tmp_path):
    made = instrument("real", ["r1", "r2", "r3"])
    study = study_in(
        tmp_path,
        instruments=[made],
        files={
            "form.csv": sheet(
                "participant condition r1 r2 r3", "A01 still 5 n/a -99", "A02 still n/a N/A n/a", "A03 still . -99 ."
            )
        },
        questionnaires=[questionnaire("form", ["real"], missing_words=["-99"], not_applicable_words=["n/a"])],
    )
    (measure,) = scale_measures(study, read_responses(study))
    assert value_of(measure)[1] == "1 of 3 items answered, 3 needed; 1 not applicable"
    assert value_of(measure, "A02")[1] == "0 of 3 items answered, 3 needed; 3 not applicable"
    assert value_of(measure, "A03")[1] == "not collected"
    assert value_of(measure, "A03", "slosh")[1] == "not collected"


def test_every_missing_value_has_a_reason_and_no_other_has(tmp_path):
    made = instrument("real", ["r1", "r2"])
    measure = scored(
        tmp_path, made, "A01 still 5 .", "A02 still 5 4", exclusions=[{"participant": "A03", "reason": "x"}]
    )
    assert ((measure.values["reason"] != "") == measure.values["value"].isna()).all()
    assert len(measure.values) == 3 * 2


# exclusions


def excluded(folder, **exclusion) -> list[Measure]:
    made = [instrument("real", ["r1", "r2"]), instrument("effort", ["e1"]), instrument("age", ["y1"])]
    rows = [f"{who} {where} 5 5 3" for who in ("A01", "A02", "A03") for where in ("still", "slosh")]
    study = study_in(
        folder,
        instruments=made,
        files={
            "form.csv": sheet("participant condition r1 r2 e1", *rows),
            "before.csv": sheet("participant y1", "A01 4", "A02 4", "A03 4"),
        },
        questionnaires=[questionnaire("form", ["real", "effort"]), questionnaire("before", ["age"], asked="once")],
        exclusions=[{"participant": "A02", "reason": "headset lost tracking"} | exclusion],
    )
    return scale_measures(study, read_responses(study))


def test_a_whole_participant_is_left_out_of_every_measure(tmp_path):
    for measure in excluded(tmp_path):
        mine = measure.values[measure.values["participant"] == "A02"]
        assert mine["value"].isna().all()
        assert set(mine["reason"]) == {"excluded: headset lost tracking"}
        assert "A02" not in set(measure.rows["participant"])
        assert measure.values["value"].notna().sum() == len(measure.values) - len(mine)


def test_one_condition_is_left_out_with_its_items(tmp_path):
    real, effort, age = excluded(tmp_path, condition="slosh")
    for measure in (real, effort):
        assert isnan(value_of(measure, "A02", "slosh")[0])
        assert not isnan(value_of(measure, "A02", "still")[0])
        theirs = measure.rows[measure.rows["participant"] == "A02"]
        assert set(theirs["condition"]) == {"still"}
    assert value_of(age, "A02", "") == (4.0, "")


def test_one_measure_is_left_out_and_the_others_stay(tmp_path):
    real, effort, _ = excluded(tmp_path, measures=["effort"], condition="still")
    assert value_of(effort, "A02")[1] == "excluded: headset lost tracking"
    assert value_of(real, "A02") == (5.0, "")


def test_a_study_without_answers_gives_measures_without_values(tmp_path):
    measure = scored(tmp_path, instrument("real", ["r1", "r2"]))
    assert isnan(value_of(measure)[0])
    assert set(measure.values["reason"]) == {"not collected"}
    assert measure.rows.empty
