"""The grid of what was collected, on studies small enough to count by hand."""

from __future__ import annotations

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.quality.collection import collection_grid
from workbench.report.tables.collection import gaps_table, origin_table
from workbench.responses.questionnaires import read_responses
from workbench.scoring import scale_measures

ROWS = ("A01 still 1 2 3 4", "A01 slosh 1 2 . 4", "A02 still 1 2 3 4", "A03 still 1 2 3 4", "A03 slosh 1 2 3 4")


@pytest.fixture
def study(tmp_path):
    return study_in(
        tmp_path,
        instruments=[instrument("calm", ["q1", "q2"]), instrument("ease", ["r1", "r2"])],
        files={"form.csv": sheet("participant condition q1 q2 r1 r2", *ROWS)},
        questionnaires=[questionnaire("form", ["calm", "ease"])],
        exclusions=[{"participant": "A03", "condition": "slosh", "measures": ["ease"], "reason": "fell ill"}],
    )


def grid_of(study):
    return collection_grid(study, scale_measures(study, read_responses(study)))


def test_each_cell_counts_values_and_exclusions(study):
    found = {(one.participant, one.condition): (one.state, one.values, one.excluded) for one in grid_of(study)}
    assert found == {
        ("A01", "still"): ("complete", 2, 0),
        ("A01", "slosh"): ("in part", 1, 0),
        ("A02", "still"): ("complete", 2, 0),
        ("A02", "slosh"): ("nothing", 0, 0),
        ("A03", "still"): ("complete", 2, 0),
        ("A03", "slosh"): ("left out", 1, 1),
    }


def test_gaps_are_told_with_their_reasons(study):
    rows = gaps_table(study, grid_of(study)).rows
    assert {(row["participant"], row["measures"]) for row in rows} == {("A01", "ease"), ("A02", "all"), ("A03", "ease")}
    assert any("fell ill" in row["reason"] for row in rows)


def test_there_is_no_grid_without_measures_per_condition(study):
    assert collection_grid(study, []) == []


def test_the_origin_of_an_answer_is_its_cell(study):
    answers = read_responses(study).answers
    table = origin_table(study, answers[(answers["participant"] == "A01") & (answers["item"] == "r1")])
    told = [(row["file"], row["row"], row["column"], row["raw"], row["missing"]) for row in table.rows]
    assert told == [("form.csv", 2, "r1", "3", ""), ("form.csv", 3, "r1", "", "skipped")]
