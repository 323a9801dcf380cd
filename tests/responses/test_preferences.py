"""Rankings and choices as read."""

from __future__ import annotations

import numpy as np
import pytest
from study_folders import faults_of, kinds, sheet, study_in

from workbench.responses.preferences import read_preferences

NAN = float("nan")


def ranked(folder, *rows: str, **sections):
    declared = {"file": "ranks.csv", "columns": {"still": "r1", "slosh": "r2"}, "reason": "why"}
    return study_in(
        folder,
        files={"ranks.csv": sheet("participant r1 r2 why", *rows)},
        preference=declared,
        pilots=["P01"],
        **sections,
    )


def chosen(folder, *rows: str):
    return study_in(
        folder,
        files={"choice.csv": sheet("participant favourite", *rows)},
        preference={"file": "choice.csv", "kind": "choice", "choice": "favourite"},
    )


def test_ranks_of_every_participant_in_the_order_of_the_study(tmp_path):
    found = read_preferences(ranked(tmp_path, "A02 2 1 nicer", "P01 1 2 x", "A01 1 2 ."))
    np.testing.assert_array_equal(found.ranks.to_numpy(), [[1, 2], [2, 1], [NAN, NAN]])
    assert found.ranks.index.tolist() == ["A01", "A02", "A03"]
    assert found.reasons.to_dict() == {"A01": "", "A02": "nicer", "A03": ""}
    assert kinds(found.findings) == ["pilots", "incomplete ranking"]
    assert found.findings[1].place == "A03"


def test_shared_ranks_are_a_finding(tmp_path):
    found = read_preferences(ranked(tmp_path, "A01 1 1 .", "A02 1.5 1.5 .", "A03 1 2 ."))
    assert [(one.kind, one.place) for one in found.findings] == [("shared ranks", "A01, A02")]


def test_a_participant_who_is_excluded_altogether_is_left_out(tmp_path):
    rules = [
        {"participant": "A01", "reason": "left"},
        {"participant": "A02", "condition": "still", "reason": "lost tracking"},
    ]
    found = read_preferences(ranked(tmp_path, "A01 1 2 .", "A02 2 1 .", "A03 1 2 .", exclusions=rules))
    assert found.ranks.loc["A01"].isna().all()
    assert found.ranks.loc["A02"].tolist() == [2, 1]
    assert [(one.kind, one.severity, one.place) for one in found.findings] == [("excluded", "note", "A01")]


def test_wrong_ranks_and_rows_that_stand_twice_block(tmp_path):
    found = faults_of(read_preferences, ranked(tmp_path, "A01 0 3 .", "A02 first 1 .", "A02 1 2 .", "A7 1 2 ."))
    assert [(one.kind, one.place) for one in found] == [
        ("unknown participant", "row 5"),
        ("duplicate", "rows 3, 4"),
        ("off the response scale", "row 2, column r1"),
        ("off the response scale", "row 3, column r1"),
        ("off the response scale", "row 2, column r2"),
    ]


def test_absent_columns_block(tmp_path):
    study = study_in(
        tmp_path,
        files={"ranks.csv": sheet("participant r1", "A01 1")},
        preference={"file": "ranks.csv", "columns": {"still": "r1", "slosh": "r2"}, "reason": "why"},
    )
    assert kinds(faults_of(read_preferences, study)) == ["missing column", "missing column"]


def test_choices_name_conditions_by_any_word(tmp_path):
    found = read_preferences(chosen(tmp_path, "A01 SLOSH", "A02 .", "A03 still"))
    np.testing.assert_array_equal(found.ranks.to_numpy(), [[NAN, 1], [NAN, NAN], [1, NAN]])
    assert [(one.kind, one.place) for one in found.findings] == [("incomplete ranking", "A02")]
    assert found.reasons.tolist() == ["", "", ""]


def test_an_unknown_choice_blocks(tmp_path):
    (fault,) = faults_of(read_preferences, chosen(tmp_path, "A01 slohs"))
    assert (fault.kind, fault.place) == ("unknown condition", "row 2, column favourite")
    assert "“slosh”" in fault.remedy


@pytest.mark.parametrize("kind", ["ranking", "choice"])
def test_a_table_without_rows_leaves_everybody_incomplete(tmp_path, kind):
    found = read_preferences(ranked(tmp_path) if kind == "ranking" else chosen(tmp_path))
    assert found.ranks.isna().all(axis=None)
    assert found.findings[0].place == "A01, A02, A03"


def test_no_preference_is_none(tmp_path):
    assert read_preferences(study_in(tmp_path)) is None
