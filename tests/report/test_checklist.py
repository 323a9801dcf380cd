"""Reporting check-lists: numbers of the standards, answers of the researcher, faults in reporting.toml."""

from __future__ import annotations

import pytest

from workbench.errors import StudyError
from workbench.report.checklist import checklist_table, reporting_answers, standards

ASKED = {*range(1, 12), 14, 15, 18, 20, 23, 28, 30}
"""Items of COREQ that only the researcher can answer."""


def test_the_standards_have_their_numbers():
    sizes = {one.id: len(one.items) for one in standards()}
    assert sizes["COREQ"] == 32
    assert sizes["GRAMMS"] == 6
    for one in standards():
        assert [item.number for item in one.items] == list(range(1, len(one.items) + 1))
        assert one.source


def test_an_item_is_answered_by_the_researcher_the_data_or_nobody():
    table = checklist_table(
        {"COREQ-12": "14 of 23.", "COREQ-24": "2."}, {"COREQ-1": "I.", "COREQ-24": "Both."}, ["COREQ"]
    )
    rows = {row["item"]: (row["state"], row["answer"]) for row in table.rows}
    assert rows["1"] == ("answered", "I.")
    assert rows["12"] == ("from the data", "14 of 23.")
    assert rows["24"] == ("answered", "Both. 2.")
    assert rows["2"] == ("open", "")
    assert any("1 from the data, 2 answered, 29 open" in note for note in table.notes)


def test_what_is_from_memory_says_so():
    notes = checklist_table({}, {}, ["JARS-Quant", "GRAMMS"]).notes
    assert "from memory" in notes[0]
    assert "from memory" not in notes[1]


def test_answers_are_read_from_the_study_folder(tmp_path):
    assert reporting_answers(tmp_path) == {}
    (tmp_path / "reporting.toml").write_text('[answers]\nCOREQ-1 = "The first author."\n', encoding="utf-8")
    assert reporting_answers(tmp_path) == {"COREQ-1": "The first author."}


def test_all_faults_of_the_file_are_told(tmp_path):
    (tmp_path / "reporting.toml").write_text('wrong = 1\n[answers]\n"COREQ-33" = "x"\nGRAMMS-1 = 3\n', encoding="utf-8")
    with pytest.raises(StudyError) as raised:
        reporting_answers(tmp_path)
    told = " ".join(finding.sentence() for finding in raised.value.findings)
    assert len(raised.value.findings) == 3
    assert "COREQ-33" in told
    assert "Did you mean" in told


def test_the_data_answer_what_they_can_and_no_more(demo):
    rows = {(row["standard"], row["item"]): row for row in demo.rows("checklist")}
    from_data = {
        int(item) for (standard, item), row in rows.items() if standard == "COREQ" and row["state"] == "from the data"
    }
    assert from_data >= {12, 13, 22, 24, 25, 27, 31, 32}
    assert not from_data & ASKED
    assert "14 of them were interviewed" in rows["GRAMMS", "3"]["answer"]
