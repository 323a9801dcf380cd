"""The next step follows what is there."""

from __future__ import annotations

from datetime import date

from study_folders import instrument, questionnaire, sheet, study_in

from workbench.errors import Finding
from workbench.report.next_step import next_step
from workbench.responses.questionnaires import read_responses
from workbench.scoring import scale_measures
from workbench.study import freeze_plan, open_study


def test_data_come_first_then_the_plan_then_findings_then_reading(tmp_path):
    study = study_in(tmp_path)
    assert next_step(study, [], []).page == "responses"
    asked = {"instruments": [instrument("calm", ["q1", "q2"])], "questionnaires": [questionnaire("calm", ["calm"])]}
    study = study_in(tmp_path, files={"calm.csv": sheet("participant condition q1 q2")}, **asked)
    assert next_step(study, scale_measures(study, read_responses(study)), []).page == "responses"
    rows = ("participant condition q1 q2", "A01 still 1 2", "A01 slosh 3 4")
    study = study_in(tmp_path, files={"calm.csv": sheet(*rows)}, **asked)
    measures = scale_measures(study, read_responses(study))
    assert next_step(study, measures, []).what == "Fix the plan with a date."
    freeze_plan(study, date(2026, 3, 6))
    study = open_study(tmp_path)
    odd = Finding("attention", "odd", "calm.csv", "A01", "Odd.", "Look.")
    assert next_step(study, measures, [odd]).what == "Look at the 1 finding below."
    assert next_step(study, measures, []).page == "reliability"
