"""What study.toml puts right in a file without touching it: items turned round, rows left out."""

from __future__ import annotations

from study_folders import faults_of, instrument, questionnaire, study_in

from workbench.responses.questionnaires import read_responses

HEADER = "participant,condition,q1,q2\n"
TURNED = {"file": "form.csv", "item": "q2", "reason": "the form was checked"}
TWICE = {"file": "form.csv", "row": 4, "participant": "A01", "reason": "sent twice"}


def study(tmp_path, rows="A01,still,1,2\nA01,slosh,3,4\n", **keys):
    return study_in(
        tmp_path,
        instruments=[instrument("scale", ["q1", "q2"])],
        files={"form.csv": HEADER + rows, "other.csv": HEADER + "A02,still,2,6\n"},
        questionnaires=[questionnaire("form", ["scale"], files=["form.csv", "other.csv"], **keys)],
    )


def values(responses):
    rows = responses.answers
    keys = zip(rows["participant"], rows["condition"], rows["item"], strict=True)
    return dict(zip(keys, rows["value"], strict=True))


def test_an_item_is_turned_round_in_the_file_named_and_nowhere_else(tmp_path):
    read = read_responses(study(tmp_path, turned_round=[TURNED]))
    found = values(read)
    assert found["A01", "still", "q2"] == 1 + 7 - 2
    assert found["A01", "slosh", "q2"] == 1 + 7 - 4
    assert found["A01", "still", "q1"] == 1
    assert found["A02", "still", "q2"] == 6
    assert list(read.answers["raw"][read.answers["item"] == "q2"]) == ["2", "4", "6"]
    (note,) = (one for one in read.findings if one.kind == "turned round")
    assert "2 answers to q2 are turned round: the form was checked." in note.found


def test_a_row_left_out_does_not_contradict(tmp_path):
    rows = "A01,still,1,2\nA01,slosh,3,4\nA01,still,5,5\n"
    (fault,) = faults_of(read_responses, study(tmp_path / "a", rows))
    assert fault.kind == "contradiction"
    read = read_responses(study(tmp_path / "b", rows, rows_left_out=[TWICE]))
    assert values(read)["A01", "still", "q1"] == 1
    (note,) = (one for one in read.findings if one.kind == "row left out")
    assert (note.place, note.found) == ("row 4", "A row of A01 does not count: sent twice.")


def test_a_row_left_out_need_not_be_of_a_participant(tmp_path):
    rows = "A01,still,1,2\nA01,slosh,3,4\nTEST,still,5,x\n"
    kinds = {one.kind for one in faults_of(read_responses, study(tmp_path / "a", rows))}
    assert "unknown participant" in kinds
    left_out = TWICE | {"participant": "TEST", "reason": "the form was tried"}
    read = read_responses(study(tmp_path / "b", rows, rows_left_out=[left_out]))
    assert set(read.answers["participant"]) == {"A01", "A02"}


def test_a_row_of_somebody_else_is_a_fault(tmp_path):
    rows = "A01,still,1,2\nA01,slosh,3,4\nA03,still,5,5\n"
    (fault,) = faults_of(read_responses, study(tmp_path / "a", rows, rows_left_out=[TWICE]))
    assert fault.found == "Row 4, which is to be left out, is no row of A01."
    (fault,) = faults_of(read_responses, study(tmp_path / "b", rows, rows_left_out=[TWICE | {"row": 9}]))
    assert "no row of A01" in fault.found


def test_unknown_items_and_files_are_faults_with_the_nearest(tmp_path):
    (fault,) = faults_of(read_responses, study(tmp_path / "a", turned_round=[TURNED | {"item": "q3"}]))
    assert fault.place == "questionnaires[1].turned_round"
    (fault,) = faults_of(lambda: study(tmp_path / "b", turned_round=[TURNED | {"file": "from.csv"}]))
    assert fault.place == "questionnaires[1].turned_round"
    assert "form.csv" in fault.remedy
