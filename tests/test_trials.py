"""Tables of trials to measures: every summary against arithmetic by hand, and faults of all files at once."""

from __future__ import annotations

from math import isnan, sqrt

import pytest
from study_folders import faults_of, kinds, sheet, study_in

from workbench.measure import Measure
from workbench.trials import read_trials

LIFTS = sheet(
    "participant condition guess filling answer truth",
    "A01 still 10 20 yes yes",
    "A01 still 40 20 No yes",
    "A01 still 60 50 YES no",
    "A01 slosh 30 30 no no",
    "A02 still 55 50 yes yes",
    "P01 still junk 1 yes yes",
)


def summary(name: str, column: str, how: str, **keys) -> dict:
    return {"id": name, "label": name, "column": column, "summary": how} | keys


def lifts(folder, *measures: dict, files: dict[str, str] | None = None, **sections):
    files = files or {"lifts.csv": LIFTS}
    trials = [{"id": "lifts", "files": list(files), "measures": list(measures)}]
    return study_in(folder, files=files, trials=trials, pilots=["P01"], **sections)


def measured(folder, one: dict, **sections) -> Measure:
    (measure,) = read_trials(lifts(folder, one, **sections)).measures
    return measure


def value_of(measure: Measure, participant: str = "A01", condition: str = "still") -> tuple[float, float, str]:
    rows = measure.values
    (row,) = rows[(rows["participant"] == participant) & (rows["condition"] == condition)].itertuples()
    return row.value, row.standard_error, row.reason


def test_mean_with_its_standard_error(tmp_path):
    measure = measured(tmp_path, summary("guess", "guess", "mean"))
    value, error, reason = value_of(measure)
    assert value == pytest.approx(110 / 3)  # 10, 40, 60
    # deviations -80/3, 10/3, 70/3: squares sum to 11400/9, variance 11400/18, over 3 trials
    assert error == pytest.approx(sqrt(11400 / 18 / 3))
    assert reason == ""
    assert (measure.source, measure.asked) == ("trials", "per_condition")


def test_one_trial_has_no_standard_error(tmp_path):
    value, error, _ = value_of(measured(tmp_path, summary("guess", "guess", "mean")), condition="slosh")
    assert value == 30.0
    assert isnan(error)


def test_median_has_no_standard_error(tmp_path):
    value, error, _ = value_of(measured(tmp_path, summary("guess", "guess", "median")))
    assert value == 40.0
    assert isnan(error)


def test_minus_and_absolute_come_before_the_summary(tmp_path):
    signed = measured(tmp_path / "a", summary("bias", "guess", "mean", minus="filling"))
    assert value_of(signed)[0] == pytest.approx((-10 + 20 + 10) / 3)
    size = measured(tmp_path / "b", summary("error", "guess", "mean", minus="filling", absolute=True))
    assert value_of(size)[0] == pytest.approx((10 + 20 + 10) / 3)


def test_share_of_a_word_in_any_case(tmp_path):
    measure = measured(tmp_path, summary("yes", "answer", "share", equals="Yes"))
    assert value_of(measure)[0] == pytest.approx(2 / 3)
    assert value_of(measure, condition="slosh")[0] == 0.0
    assert (measure.low, measure.high) == (0.0, 1.0)


def test_share_that_equals_another_column(tmp_path):
    assert value_of(measured(tmp_path, summary("right", "answer", "share", equals="[truth]")))[0] == pytest.approx(
        1 / 3
    )


def test_share_compares_numbers_as_numbers_and_leaves_out_what_has_no_key(tmp_path):
    table = sheet(
        "participant condition said true", "A01 still 3 3.0", "A01 still 4 3", "A01 still 4 .", "A01 still . 3"
    )
    measure = measured(tmp_path, summary("right", "said", "share", equals="[true]"), files={"lifts.csv": table})
    assert value_of(measure)[0] == 0.5
    assert len(measure.rows) == 2


def test_empty_cells_are_left_out_and_said_where_none_is_left(tmp_path):
    table = sheet("participant condition guess", "A01 still 4", "A01 still .", "A01 slosh .", "A01 slosh .")
    measure = measured(tmp_path, summary("guess", "guess", "mean"), files={"lifts.csv": table})
    assert value_of(measure)[0] == 4.0
    assert isnan(value_of(measure, condition="slosh")[0])
    assert value_of(measure, condition="slosh")[2] == "2 trials, none with a value"
    assert value_of(measure, "A03")[2] == "not collected"


def test_exclusions_of_a_condition_and_of_a_measure(tmp_path):
    rules = [
        {"participant": "A01", "condition": "still", "measures": ["guess"], "reason": "no tracking"},
        {"participant": "A02", "reason": "left"},
    ]
    study = lifts(tmp_path, summary("guess", "guess", "mean"), summary("truth", "filling", "mean"), exclusions=rules)
    guess, truth = read_trials(study).measures
    assert value_of(guess)[2] == "excluded: no tracking"
    assert isnan(value_of(guess)[1])
    assert value_of(truth)[0] == 30.0  # 20, 20, 50
    assert value_of(truth, "A02")[2] == "excluded: left"
    assert set(guess.rows["condition"]) == {"slosh"}


def test_the_rows_behind_a_measure_are_single_trials(tmp_path):
    rows = measured(tmp_path, summary("error", "guess", "mean", minus="filling", absolute=True)).rows
    assert rows[(rows["participant"] == "A01") & (rows["condition"] == "still")]["value"].tolist() == [10, 20, 10]


def test_several_files_are_taken_together_and_labels_name_conditions(tmp_path):
    files = {
        "one.csv": sheet("participant condition guess", "A01 STILL 10"),
        "two.csv": "participant,condition,guess\nA01,the still one,20\n",
    }
    measure = measured(tmp_path, summary("guess", "guess", "mean"), files=files)
    assert value_of(measure)[0] == 15.0


def test_pilots_are_left_out_and_counted_without_their_cells_being_read(tmp_path):
    (note,) = read_trials(lifts(tmp_path, summary("guess", "guess", "mean"))).findings
    assert (note.severity, note.kind, note.place) == ("note", "pilots", "row 7")


def test_faults_of_all_files_are_told_at_once(tmp_path):
    files = {
        "one.csv": sheet("participant condition guess", "A01 stil 10", "A9 still 10", "A01 still ten", "A02 still inf"),
        "two.csv": sheet("participant condition gues", "A01 still 1"),
        "three.csv": sheet("participant condition guess", "A01 still 1e400", "A01 still ten", "A01 still -.5"),
    }
    found = faults_of(read_trials, lifts(tmp_path, summary("guess", "guess", "mean"), files=files))
    told = {(one.file, one.place, one.kind) for one in found}
    assert told == {
        ("one.csv", "row 2, column condition", "unknown condition"),
        ("one.csv", "row 3", "unknown participant"),
        ("one.csv", "row 4, column guess", "wrong value"),
        ("one.csv", "row 5, column guess", "wrong value"),
        ("two.csv", "row 1", "missing column"),
        ("three.csv", "row 2, column guess", "wrong value"),
        ("three.csv", "row 3, column guess", "wrong value"),
    }
    assert "“still”" in next(one.remedy for one in found if one.kind == "unknown condition")


def test_a_column_that_was_not_meant_is_told_in_a_few_findings(tmp_path):
    words = [f"A01 still w{number}" for number in range(200)]
    study = lifts(
        tmp_path, summary("guess", "guess", "mean"), files={"lifts.csv": sheet("participant condition guess", *words)}
    )
    found = faults_of(read_trials, study)
    assert len(found) == 13
    assert found[-1].found == "188 more such words stand in 188 rows."
    assert set(kinds(found)) == {"wrong value"}


def test_a_study_without_trials_has_none(tmp_path):
    assert read_trials(study_in(tmp_path)).measures == ()
