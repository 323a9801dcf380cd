"""Answering times: seconds, moments, times by answer; what is no time is told."""

from __future__ import annotations

import pytest
from study_folders import faults_of, instrument, questionnaire, sheet, study_in

from workbench.quality.findings import quality_findings
from workbench.responses.questionnaires import read_responses
from workbench.responses.times import read_times

REAL = instrument("real", [f"r{number}" for number in range(1, 11)])
ANSWERS = " ".join("12345" * 2)
ITEMS = " ".join(f"r{number}" for number in range(1, 11))


def opened(folder, text, **keys):
    made = questionnaire("form", ["real"], **keys)
    return study_in(folder, instruments=[REAL], files={"form.csv": text}, questionnaires=[made])


def quick(study):
    findings = quality_findings(study, read_responses(study), [], None, read_times(study))
    return [one for one in findings if one.kind in ("answered quickly", "time runs backwards")]


def test_seconds_of_a_session_and_who_was_quicker_than_reading(tmp_path):
    text = sheet(
        f"participant condition {ITEMS} took",
        f"A01 still {ANSWERS} 19.5",
        f"A01 slosh {ANSWERS} 20",
        f"A02 still {ANSWERS} .",
    )
    study = opened(tmp_path, text, columns={"seconds": "took"})
    sessions = read_times(study).sessions
    assert sessions[["participant", "condition", "seconds", "answers", "row"]].to_numpy().tolist() == [
        ["A01", "still", 19.5, 10, 2],
        ["A01", "slosh", 20.0, 10, 3],
    ]
    (finding,) = quick(study)
    assert finding.found == "A01 took 20 s for 10 items in still: less than 2 seconds an item."
    assert "no proof" in finding.remedy


def test_moments_give_seconds_and_one_that_runs_backwards_is_named_and_not_used(tmp_path):
    text = (
        f"participant,condition,{ITEMS.replace(' ', ',')},began,sent\n"
        f"A01,still,{ANSWERS.replace(' ', ',')},2026-03-09 14:05:10,2026-03-09 14:05:25\n"
        f"A02,still,{ANSWERS.replace(' ', ',')},2026-03-09T23:59:00+01:00,2026-03-09T22:59:30Z\n"
    )
    study = opened(tmp_path, text, columns={"started": "began", "finished": "sent"})
    assert read_times(study).sessions["seconds"].tolist() == [15.0, 30.0]
    text = text.replace("22:59:30Z", "21:59:30Z")
    study = opened(tmp_path / "b", text, columns={"started": "began", "finished": "sent"})
    assert read_times(study).sessions["seconds"].tolist() == [15.0]
    assert [one.kind for one in quick(study)] == ["time runs backwards", "answered quickly"]


def test_times_of_single_answers_are_added_up(tmp_path):
    rows = [f"A01 still r{number} 3 1.5" for number in range(1, 11)] + [
        f"A02 still r{number} 3 2.5" for number in range(1, 11)
    ]
    text = sheet("participant condition item answer took", *rows)
    study = opened(tmp_path, text, layout="row_per_answer", columns={"seconds": "took"})
    assert read_times(study).sessions[["participant", "seconds", "answers"]].to_numpy().tolist() == [
        ["A01", 15.0, 10],
        ["A02", 25.0, 10],
    ]
    assert [one.place for one in quick(study)] == ["A01"]


@pytest.mark.parametrize(
    ("columns", "cells", "told"),
    [
        ({"seconds": "a"}, ("quick", "1"), "“quick” is no time."),
        ({"started": "a", "finished": "b"}, ("03/04/2026", "2026-04-03T10:00"), "“03/04/2026” is no time."),
        ({"started": "a", "finished": "b"}, ("2026-13-40T10:00", "2026-04-03T10:00"), "“2026-13-40T10:00” is no time."),
    ],
)
def test_what_is_no_time_is_named(tmp_path, columns, cells, told):
    study = opened(
        tmp_path,
        sheet(f"participant condition {ITEMS} a b", f"A01 still {ANSWERS} {cells[0]} {cells[1]}"),
        columns=columns,
    )
    (fault,) = faults_of(read_times, study)
    assert (fault.found, fault.where) == (told, "form.csv, row 2, column a")


def test_a_column_that_is_not_there_and_a_time_with_one_end_are_faults(tmp_path):
    study = opened(
        tmp_path, sheet(f"participant condition {ITEMS}", f"A01 still {ANSWERS}"), columns={"seconds": "took"}
    )
    assert [one.kind for one in faults_of(read_times, study)] == ["missing column"]
    (fault,) = faults_of(
        lambda: opened(tmp_path / "b", sheet(f"participant condition {ITEMS}"), columns={"started": "began"})
    )
    assert fault.place == "questionnaires[1].columns.finished"


def test_no_time_is_declared(tmp_path):
    study = opened(tmp_path, sheet(f"participant condition {ITEMS}", f"A01 still {ANSWERS}"))
    assert read_times(study).sessions.empty
