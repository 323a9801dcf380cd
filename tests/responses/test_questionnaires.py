"""Questionnaire files to answers: layouts, columns, words, origins, and all faults at once."""

from __future__ import annotations

import csv
import io
import tempfile
from collections.abc import Sequence
from itertools import product
from math import isnan
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from study_folders import LIKERT, faults_of, instrument, kinds, questionnaire, sheet, study_in

from workbench.responses.questionnaires import ANSWER_COLUMNS, Responses, read_responses
from workbench.scoring import scale_measures
from workbench.study import Study

REAL = instrument("real", ["r1", "r2", "r3"], reverse=["r2"], answers_needed=2)
EFFORT = instrument("effort", ["e1", "e2"])
PEOPLE, CONDITIONS, ITEMS = ("A01", "A02", "A03"), ("still", "slosh"), ("r1", "r2", "r3")


def written(rows: Sequence[Sequence[object]]) -> str:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return out.getvalue()


def form(folder: Path, *rows: str, made=(REAL,), pilots=(), files=None, **keys) -> Study:
    """A study with one questionnaire in form.csv (or `files`) of `rows`."""
    files = files or {"form.csv": sheet(*rows)}
    declared = questionnaire("form", [one["id"] for one in made], files=list(files), **keys)
    return study_in(folder, instruments=made, files=files, questionnaires=[declared], pilots=pilots)


def read(folder: Path, *rows: str, **keys) -> Responses:
    return read_responses(form(folder, *rows, **keys))


def values(responses: Responses) -> dict[tuple, float]:
    """Value by participant, condition or occasion, and item, of what was answered."""
    rows = responses.answers.dropna(subset="value")
    return {(row.participant, f"{row.condition}{row.occasion}", row.item): row.value for row in rows.itertuples()}


# three layouts of one data set

Answers = dict[tuple[str, str, str], int | None]


def row_per_session(answers: Answers, places: Sequence[str], column: str) -> str:
    header = ["participant", *([column] if column else []), *ITEMS]
    rows = [
        [who, *([place] if column else []), *(answers[who, place, item] or "" for item in ITEMS)]
        for who, place in product(PEOPLE, places)
        if any(answers[who, place, item] for item in ITEMS)
    ]
    return written([header, *rows])


def row_per_participant(answers: Answers, places: Sequence[str], column: str) -> str:
    header = ["participant", *(f"{place}_{item}" if column else item for place, item in product(places, ITEMS))]
    rows = [[who, *(answers[who, place, item] or "" for place, item in product(places, ITEMS))] for who in PEOPLE]
    return written([header, *rows])


def row_per_answer(answers: Answers, places: Sequence[str], column: str) -> str:
    header = ["participant", *([column] if column else []), "item", "answer"]
    rows = [
        [who, *([place] if column else []), item, answer] for (who, place, item), answer in answers.items() if answer
    ]
    return written([header, *rows])


LAYOUTS = {
    "row_per_session": row_per_session,
    "row_per_participant": row_per_participant,
    "row_per_answer": row_per_answer,
}
ASKED = {
    "per_condition": (CONDITIONS, "condition"),
    "before_after": (("before", "after"), "occasion"),
    "once": (("",), ""),
}


@pytest.mark.parametrize("asked", list(ASKED))
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_three_layouts_of_one_data_set_give_identical_measures(asked, data):
    places, column = ASKED[asked]
    cells = list(product(PEOPLE, places, ITEMS))
    drawn = data.draw(st.lists(st.none() | st.integers(1, 7), min_size=len(cells), max_size=len(cells)))
    answers = dict(zip(cells, drawn, strict=True))
    measured = {}
    for layout, write in LAYOUTS.items():
        with tempfile.TemporaryDirectory() as folder:
            pattern = f"{{{column}}}_{{item}}" if column and layout == "row_per_participant" else "{item}"
            study = form(
                Path(folder),
                files={"form.csv": write(answers, places, column)},
                asked=asked,
                layout=layout,
                columns={"pattern": pattern},
            )
            (measured[layout],) = scale_measures(study, read_responses(study))
    first = measured["row_per_session"]
    for place in places:
        for who in PEOPLE:
            expected = [answers[who, place, item] for item in ITEMS]
            expected[1] = expected[1] and 8 - expected[1]
            answered = [one for one in expected if one]
            value = first.values.set_index(["participant", "condition", "occasion"])["value"].loc[
                (who, place if column == "condition" else "", place if column == "occasion" else "")
            ]
            assert isnan(value) if len(answered) < 2 else value == pytest.approx(sum(answered) / len(answered))
    for other in measured.values():
        pd.testing.assert_frame_equal(other.values, first.values)
        keys = ["participant", "condition", "occasion", "item"]
        given_rows = [one.rows.dropna(subset="value").set_index(keys)["value"].sort_index() for one in (other, first)]
        pd.testing.assert_series_equal(*given_rows)


# columns and words


def test_items_stand_in_columns_of_their_names(tmp_path):
    read_in = values(read(tmp_path, "participant condition r1 r2 r3 time", "A01 still 1 2 3 09:15"))
    assert read_in == {("A01", "still", "r1"): 1, ("A01", "still", "r2"): 2, ("A01", "still", "r3"): 3}


def test_a_pattern_names_the_columns(tmp_path):
    text = "Who,Q_r1,Q_r2,Q_r3\nA01,1,2,3\n"
    responses = read(
        tmp_path, files={"form.csv": text}, asked="once", columns={"participant": "Who", "pattern": "Q_{item}"}
    )
    assert values(responses)["A01", "", "r3"] == 3


@pytest.mark.parametrize("word", ["still", "STILL", "The still one", "Version A", "version a"])
def test_conditions_stand_in_rows_by_any_of_their_words(tmp_path, word):
    text = f"participant,condition,r1,r2,r3\nA01,{word},1,2,3\n"
    responses = read(tmp_path, files={"form.csv": text}, condition_names={"Version A": "still"})
    assert set(responses.answers["condition"]) == {"still"}


@pytest.mark.parametrize("word", ["still", "STILL", "The still one", "Version A", "VERSION A"])
def test_conditions_stand_in_columns_by_any_of_their_words(tmp_path, word):
    columns = [f"{word}: {item}" for item in ITEMS] + [f"slosh: {item}" for item in ITEMS]
    responses = read(
        tmp_path,
        files={"form.csv": written([["participant", *columns], ["A01", 1, 2, 3, 4, 5, 6]])},
        layout="row_per_participant",
        columns={"pattern": "{condition}: {item}"},
        condition_names={"Version A": "still"},
    )
    assert values(responses)["A01", "still", "r3"] == 3
    assert values(responses)["A01", "slosh", "r3"] == 6


def test_occasions_stand_in_rows_and_columns_by_their_words(tmp_path):
    keys = {"asked": "before_after", "occasion_names": {"pre": "before", "post": "after"}}
    rows = read(tmp_path / "rows", "participant occasion r1 r2 r3", "A01 PRE 1 2 3", "A01 after 4 5 6", **keys)
    columns = read(
        tmp_path / "columns",
        "participant pre.r1 pre.r2 pre.r3 post.r1 post.r2 post.r3",
        "A01 1 2 3 4 5 6",
        layout="row_per_participant",
        columns={"pattern": "{occasion}.{item}"},
        **keys,
    )
    assert values(rows) == values(columns)
    assert values(rows)["A01", "before", "r1"] == 1
    assert set(columns.answers["condition"]) == {""}


def test_columns_are_named_one_by_one(tmp_path):
    text = 'participant,condition,"Q1. It felt heavy",r2,r3\nA01,still,1,2,3\n'
    responses = read(tmp_path, files={"form.csv": text}, items={"Q1. It felt heavy": "r1"})
    assert values(responses)["A01", "still", "r1"] == 1


def test_columns_are_named_with_the_condition_they_are_about(tmp_path):
    named = {
        f"Q{number}": f"{item}@{place}"
        for number, (place, item) in enumerate(product(("STILL", "The slosh one"), ITEMS))
    }
    responses = read(
        tmp_path, "participant Q0 Q1 Q2 Q3 Q4 Q5 r1", "A01 1 2 3 4 5 6 7", layout="row_per_participant", items=named
    )
    assert values(responses)["A01", "still", "r2"] == 2
    assert values(responses)["A01", "slosh", "r2"] == 5


def test_words_of_the_item_column_are_named_one_by_one(tmp_path):
    responses = read(
        tmp_path,
        "participant condition item answer",
        "A01 still Heavy 1",
        "A01 still R2 2",
        layout="row_per_answer",
        items={"heavy": "r1"},
    )
    assert values(responses) == {("A01", "still", "r1"): 1, ("A01", "still", "r2"): 2}


def test_several_instruments_stand_in_one_file_and_several_files_make_one_questionnaire(tmp_path):
    files = {
        "week1.csv": sheet("participant condition r1 r2 r3 e1 e2", "A01 still 1 2 3 4 5"),
        "week2.csv": sheet("e2 e1 r3 r2 r1 condition participant", "5 4 3 2 1 still A02"),
    }
    responses = read(tmp_path, files=files, made=(REAL, EFFORT))
    read_in = values(responses)
    assert {read_in["A01", "still", item] - read_in["A02", "still", item] for item in (*ITEMS, "e1", "e2")} == {0}
    assert set(responses.answers["instrument"]) == {"real", "effort"}
    assert set(responses.answers["file"]) == {"week1.csv", "week2.csv"}


def test_two_instruments_with_the_same_item_name_are_told_apart_by_qualified_names(tmp_path):
    made = (instrument("body", ["q1"]), instrument("mind", ["q1"]))
    responses = read(tmp_path / "a", "participant condition body.q1 mind.q1", "A01 still 1 7", made=made)
    assert responses.answers.set_index("instrument")["value"].to_dict() == {"body": 1, "mind": 7}
    found = faults_of(read_responses, form(tmp_path / "b", "participant condition q1", "A01 still 1", made=made))
    assert kinds(found) == ["missing column", "missing column"]
    assert "body.q1" in found[0].remedy


def test_item_names_that_differ_in_case_alone_are_told_apart(tmp_path):
    made = (instrument("case", ["q1", "Q1"]),)
    columns = read(tmp_path / "a", "participant condition q1 Q1", "A01 still 1 7", made=made)
    rows = read(
        tmp_path / "b",
        "participant condition item answer",
        "A01 still q1 1",
        "A01 still Q1 7",
        made=made,
        layout="row_per_answer",
    )
    assert values(columns) == values(rows) == {("A01", "still", "q1"): 1, ("A01", "still", "Q1"): 7}


# answers


def test_answers_in_words_count_as_their_points(tmp_path):
    text = "participant,condition,r1,r2,r3\nA01,still,Not at all, completely ,7.0\n"
    assert values(read(tmp_path, files={"form.csv": text})) == {
        ("A01", "still", "r1"): 1,
        ("A01", "still", "r2"): 7,
        ("A01", "still", "r3"): 7,
    }


@pytest.mark.parametrize(
    "both", ["1 - Not at all", "1 – not at all", "1: Not at all", "1. Not at all", "Not at all (1)"]
)
def test_a_point_beside_its_own_words_counts_as_the_point(tmp_path, both):
    text = f"participant,condition,r1,r2,r3\nA01,still,{both},7 (Completely),4\n"
    assert list(values(read(tmp_path, files={"form.csv": text})).values()) == [1, 7, 4]


@pytest.mark.parametrize(
    "apart", ["7 - Not at all", "2 - Completely", "1 - Nothing", "Not at all (7)", "1 - 7", "-1 - Not at all"]
)
def test_a_point_beside_other_words_is_no_answer(tmp_path, apart):
    text = f"participant,condition,r1,r2,r3\nA01,still,{apart},2,3\n"
    assert kinds(faults_of(read_responses, form(tmp_path, files={"form.csv": text}))) == ["off the response scale"]


def test_choices_are_read_by_label_and_value(tmp_path):
    choices = [{"value": 0, "label": "Never"}, {"value": 2.5, "label": "Now and then"}]
    made = (instrument("often", ["o1"], response={"kind": "choice", "choices": choices}),)
    text = "participant,condition,o1\nA01,still,now AND then\nA02,still,2.5\nA03,still,0\n"
    assert list(values(read(tmp_path, files={"form.csv": text}, made=made)).values()) == [2.5, 2.5, 0]


def test_missing_words_and_not_applicable_words(tmp_path):
    responses = read(
        tmp_path,
        "participant condition r1 r2 r3",
        "A01 still -99 NA .",
        missing_words=[" -99"],
        not_applicable_words=["na"],
    )
    assert responses.answers.set_index("item")["missing"].to_dict() == {
        "r1": "skipped",
        "r2": "not applicable",
        "r3": "skipped",
    }
    assert responses.answers["value"].isna().all()


def test_words_are_kept_as_words(tmp_path):
    made = (instrument("note", ["n1"], texts=["why"]),)
    text = "participant,condition,n1,why\nA01,still,4, it was 3 kg \nA02,still,4,\n"
    answers = read(tmp_path, files={"form.csv": text}, made=made).answers
    whys = answers[answers["item"] == "why"]
    assert whys["raw"].tolist() == ["it was 3 kg", ""]
    assert whys["value"].isna().all()
    assert whys["missing"].tolist() == ["", "skipped"]


def test_every_answer_knows_where_it_came_from(tmp_path):
    files = {
        "week1.csv": "Participant,condition,r1,r2,r3\n\nA01,still,1,2,3\nA01,slosh,4,5,6\n",
        "week2.csv": sheet("Participant condition r3 r2 r1", "A02 still 3 2 1"),
    }
    answers = read(tmp_path, files=files, columns={"participant": "Participant"}).answers
    assert tuple(answers.columns) == ANSWER_COLUMNS
    for row in answers.itertuples():
        lines = files[row.file].splitlines()
        place = lines[0].split(",").index(row.column)
        assert lines[row.row - 1].split(",")[place] == row.raw
        assert float(row.raw) == row.value
        assert lines[row.row - 1].split(",")[0] == row.participant


def test_in_a_row_per_answer_the_origin_is_the_answer_column(tmp_path):
    answers = read(
        tmp_path, "participant condition item answer", "A01 still r1 1", "A01 still r2 2", layout="row_per_answer"
    ).answers
    assert answers[["row", "column"]].to_numpy().tolist() == [[2, "answer"], [3, "answer"]]


def test_a_file_without_rows_and_a_study_without_questionnaires(tmp_path):
    for layout in LAYOUTS:
        header = "participant condition item answer" if layout == "row_per_answer" else "participant condition r1 r2 r3"
        keys = {"asked": "once"} if layout == "row_per_participant" else {}
        responses = read(tmp_path / layout, header, layout=layout, **keys)
        assert responses.answers.empty
        assert tuple(responses.answers.columns) == ANSWER_COLUMNS
    nothing = read_responses(study_in(tmp_path / "none"))
    assert nothing.answers.empty
    assert tuple(nothing.answers.columns) == ANSWER_COLUMNS


def test_pilots_are_left_out_and_counted_whatever_they_answered(tmp_path):
    responses = read(
        tmp_path,
        "participant condition r1 r2 r3",
        "P01 still 99 x .",
        "A01 still 1 2 3",
        "P01 nowhere 1 1 1",
        pilots=["P01"],
    )
    assert set(responses.answers["participant"]) == {"A01"}
    assert [(one.severity, one.kind, one.place) for one in responses.findings] == [("note", "pilots", "rows 2, 4")]


# faults


def test_all_faults_of_all_files_are_told_at_once(tmp_path):
    files = {
        "a.csv": sheet("participant condition r1 r2 r3", "A01 stil 1 2 3", "A9 still 1 2 3", "A02 still 8 2.5 never"),
        "b.csv": sheet("participant condition r1 r2", "A02 slosh 0 1"),
        "c.csv": sheet("participant r1 r2 r3", "A02 1 2 3"),
        "d.csv": sheet("participant condition r1 r2 r3", "A03 still 1 2 3", "A03 still 4 . ."),
    }
    study = form(tmp_path, files=files | {"gone.csv": ""})
    (tmp_path / "gone.csv").unlink()
    found = faults_of(read_responses, study)
    assert {(one.file, one.place, one.kind) for one in found} == {
        ("a.csv", "row 2, column condition", "unknown condition"),
        ("a.csv", "row 3", "unknown participant"),
        ("a.csv", "row 4, column r1", "off the response scale"),
        ("a.csv", "row 4, column r2", "off the response scale"),
        ("a.csv", "row 4, column r3", "off the response scale"),
        ("b.csv", "row 1", "missing column"),
        ("b.csv", "row 2, column r1", "off the response scale"),
        ("c.csv", "row 1", "missing column"),
        ("d.csv", "rows 2, 3", "contradiction"),
        ("gone.csv", "", "missing file"),
    }
    off = next(one for one in found if one.place == "row 4, column r1")
    assert off.found == "“8” is not an answer on this response scale."
    assert off.remedy.startswith("A whole number from 1 to 7 is needed.")


@pytest.mark.parametrize("asked", ["per_condition", "before_after"])
def test_an_unknown_setting_is_a_fault_beside_those_of_the_answers(tmp_path, asked):
    column = {"per_condition": "condition", "before_after": "occasion"}[asked]
    found = faults_of(
        read_responses,
        form(tmp_path, f"participant {column} r1 r2 r3", "A01 later 1 2 3", "A7 later 1 2 9", asked=asked),
    )
    assert sorted(kinds(found)) == [f"unknown {column}", "unknown participant"]
    assert f"{column}_names" in next(one.remedy for one in found if one.kind == f"unknown {column}")


def test_an_unknown_item_is_a_fault(tmp_path):
    (fault,) = faults_of(
        read_responses,
        form(
            tmp_path, "participant condition item answer", "A01 still r9 1", "A01 still r1 1", layout="row_per_answer"
        ),
    )
    assert (fault.kind, fault.place) == ("unknown item", "row 2, column item")


@pytest.mark.parametrize(
    ("kind", "answers", "needed"),
    [
        ({"kind": "numeric", "low": 0, "high": 1}, ["1.1", "-0.1", "half"], "A number from 0 to 1 is needed."),
        (
            {"kind": "choice", "choices": [{"value": 1, "label": "No"}, {"value": 3, "label": "Yes"}]},
            ["2", "perhaps", "1.5"],
            "One of 1 (No), 3 (Yes) is needed.",
        ),
        (LIKERT, ["1,5", "inf", "1e9"], "A whole number from 1 to 7 is needed."),
    ],
)
def test_answers_off_each_kind_of_response_scale(tmp_path, kind, answers, needed):
    rows = [["participant", "condition", "q1"], *zip(PEOPLE, ["still"] * 3, answers, strict=True)]
    made = (instrument("scale", ["q1"], response=kind),)
    found = faults_of(read_responses, form(tmp_path, files={"form.csv": written(rows)}, made=made))
    assert [(one.kind, one.place) for one in found] == [
        ("off the response scale", f"row {row}, column q1") for row in (2, 3, 4)
    ]
    assert all(needed in one.remedy for one in found)


def test_many_answers_off_the_scale_are_counted(tmp_path):
    people = [f"A{number:03}" for number in range(40)]
    text = written([["participant", "condition", "e1"], *([who, "still", 9] for who in people)])
    made = instrument("effort", ["e1"])
    study = study_in(
        tmp_path,
        instruments=[made],
        files={"form.csv": text},
        questionnaires=[questionnaire("form", ["effort"])],
        participants=people,
    )
    found = faults_of(read_responses, study)
    assert len(found) == 13
    assert found[-1].found == "28 more answers are not on this response scale."
    assert found[-1].place.startswith("rows 14, 15")


def test_the_default_pattern_cannot_tell_conditions_apart_in_columns(tmp_path):
    (fault,) = faults_of(
        read_responses, form(tmp_path, "participant r1 r2 r3", "A01 1 2 3", layout="row_per_participant")
    )
    assert fault.kind == "contradiction"
    assert fault.found.startswith("Column “r1” could hold real.r1 in still or real.r1 in slosh")
    assert "questionnaires[1].columns.pattern" in fault.remedy


def test_items_without_columns_are_named_with_what_was_looked_for(tmp_path):
    (fault,) = faults_of(
        read_responses,
        form(
            tmp_path,
            "participant still_r1 still_r2 still_r3 slosh_r1 slosh_r2 slosh-r3",
            "A01 1 2 3 4 5 6",
            layout="row_per_participant",
            columns={"pattern": "{condition}_{item}"},
        ),
    )
    assert fault.found == "No column holds real.r3 in slosh."
    assert "Did you mean “slosh-r3”?" in fault.remedy
    assert "Looked for “slosh_r3”." in fault.remedy


def test_many_items_without_columns_are_counted(tmp_path):
    made = (instrument("long", [f"q{number}" for number in range(20)]),)
    found = faults_of(read_responses, form(tmp_path, "participant condition x", "A01 still 1", made=made))
    assert len(found) == 13
    assert found[-1].found == "8 more items or settings have no column."


def test_two_columns_for_one_item_contradict_each_other(tmp_path):
    (fault,) = faults_of(
        read_responses,
        form(tmp_path, "participant condition r1 heavy r2 r3", "A01 still 1 1 2 3", items={"heavy": "r1"}),
    )
    assert (fault.kind, fault.place) == ("contradiction", "row 1")
    assert "“r1” and “heavy”" in fault.found


def test_what_items_names_must_exist_and_is_told_once_for_several_files(tmp_path):
    header = "participant condition r1 r2 r3"
    files = {"a.csv": sheet(header, "A01 still 1 2 3"), "b.csv": sheet(header, "A02 still 1 2 3")}
    found = faults_of(read_responses, form(tmp_path, files=files, items={"x": "r9", "y": "r1@still", "z": "r2"}))
    assert [(one.file, one.kind) for one in found] == [("study.toml", "unknown item"), ("study.toml", "wrong value")]
    assert "r1@still" in found[1].found


def test_a_named_column_that_is_absent_is_a_fault_where_nothing_else_holds_its_item(tmp_path):
    (fault,) = faults_of(
        read_responses, form(tmp_path, "participant condition heavy r2 r3", "A01 still 1 2 3", items={"Heavi": "r1"})
    )
    assert (fault.kind, fault.found) == (
        "missing column",
        "No column “Heavi” is there, which questionnaires[1].items names.",
    )


def test_files_of_one_questionnaire_may_head_a_column_differently(tmp_path):
    files = {
        "a.csv": sheet("participant condition heavy r2 r3", "A01 still 1 2 3"),
        "b.csv": sheet("participant condition r1 r2 r3", "A02 still 1 2 3"),
    }
    read_in = values(read(tmp_path, files=files, items={"heavy": "r1"}))
    assert read_in["A01", "still", "r1"] == read_in["A02", "still", "r1"] == 1


def test_an_at_names_a_condition_of_the_study(tmp_path):
    named = {f"Q{number}": f"{item}@{place}" for number, (place, item) in enumerate(product(("still", "slohs"), ITEMS))}
    found = faults_of(
        read_responses,
        form(tmp_path, "participant Q0 Q1 Q2 Q3 Q4 Q5", "A01 1 2 3 4 5 6", layout="row_per_participant", items=named),
    )
    assert kinds(found)[:3] == ["wrong value"] * 3
    assert "“slosh”" in found[0].remedy


# answers that stand twice


def test_answers_given_twice_in_one_file_block(tmp_path):
    (fault,) = faults_of(
        read_responses,
        form(tmp_path, "participant condition r1 r2 r3", "A01 still 1 2 3", "A01 slosh 1 2 3", "A01 still 1 2 ."),
    )
    assert (fault.kind, fault.place) == ("duplicate", "rows 2, 4")
    assert fault.found == "A01 answered 2 items of “form” twice for still: form.csv rows 2, 4."


def test_answers_given_twice_in_two_files_block(tmp_path):
    header = "participant condition r1 r2 r3"
    files = {"a.csv": sheet(header, "A01 still 1 2 3"), "b.csv": sheet(header, "A02 still 1 2 3", "A01 still 1 2 3")}
    (fault,) = faults_of(read_responses, form(tmp_path, files=files))
    assert "a.csv row 2 and b.csv row 3" in fault.found


def test_not_applicable_and_an_answer_contradict_each_other(tmp_path):
    (fault,) = faults_of(
        read_responses,
        form(
            tmp_path,
            "participant condition r1 r2 r3",
            "A01 still 1 2 3",
            "A01 still na . .",
            not_applicable_words=["na"],
        ),
    )
    assert fault.kind == "contradiction"
    assert fault.found == (
        "A01 has different answers to 1 items of “form” for still: "
        "r1 is “1” (form.csv row 2, column r1) and “na” (form.csv row 3, column r1)."
    )


def test_an_item_empty_in_one_row_and_answered_in_another_counts_as_answered(tmp_path):
    study = form(
        tmp_path,
        "participant condition r1 r2 r3",
        "A01 still . . .",
        "A01 still 1 2 .",
        "A01 still . . 3",
        "A02 still 1 2 3",
    )
    responses = read_responses(study)
    (finding,) = responses.findings
    assert (finding.severity, finding.kind, finding.place) == ("attention", "several rows", "rows 2, 3, 4")
    assert finding.found.startswith("A01 has 3 items of “form” in more than one row for still, none answered twice")
    assert len(responses.answers) == 6
    (measure,) = scale_measures(study, responses)
    assert measure.by_condition(["A01", "A02"], ["still"])["still"].tolist() == [pytest.approx(10 / 3)] * 2


def test_many_sessions_that_stand_twice_are_counted(tmp_path):
    people = [f"A{number:03}" for number in range(30)]
    text = written([["participant", "condition", "e1"], *([who, "still", 4] for who in people * 2)])
    study = study_in(
        tmp_path,
        instruments=[instrument("effort", ["e1"])],
        files={"form.csv": text},
        questionnaires=[questionnaire("form", ["effort"])],
        participants=people,
    )
    found = faults_of(read_responses, study)
    assert len(found) == 13
    assert found[-1].found == "18 more participants and settings are concerned."


def test_two_files_that_disagree_are_told_with_both_places(tmp_path):
    header = "participant condition r1 r2 r3"
    files = {
        "a.csv": sheet(header, "A01 still 1 2 3", "A02 still 1 2 3", "A03 still 1 2 3"),
        "b.csv": sheet(header, "A01 still 1 5 6", "A02 still 1 2 3", "A03 still . . ."),
    }
    unlike, alike = faults_of(read_responses, form(tmp_path, files=files))
    assert (unlike.kind, unlike.file, unlike.place) == ("contradiction", "a.csv", "row 2")
    assert unlike.found == (
        "A01 has different answers to 2 items of “form” for still: "
        "r2 is “2” (a.csv row 2, column r2) and “5” (b.csv row 2, column r2)."
    )
    assert (alike.kind, alike.place) == ("duplicate", "row 3")
    assert alike.found == "A02 answered 3 items of “form” twice for still: a.csv row 3 and b.csv row 3."


def test_the_same_number_written_differently_is_no_contradiction(tmp_path):
    study = form(tmp_path, "participant condition r1 r2 r3", "A01 still 1 2 3", "A01 still 1.0 2 completely")
    assert kinds(faults_of(read_responses, study)) == ["contradiction"]
    study = form(tmp_path, "participant condition r1 r2 r3", "A01 still 1 2 7", "A01 still 1.0 2 completely")
    assert kinds(faults_of(read_responses, study)) == ["duplicate"]


# how a file is read

NUMERIC = instrument("hum", ["h1", "h2"], response={"kind": "numeric", "low": 0, "high": 100})


@pytest.mark.parametrize("reading", [{}, {"decimal": "comma"}])
def test_decimal_commas_are_read_where_the_file_is_unambiguous_or_says_so(tmp_path, reading):
    text = "participant;condition;h1;h2\nA01;still;1,5;70\nA02;still;2;0,25\n"
    read_in = values(read(tmp_path, files={"form.csv": text}, made=(NUMERIC,), reading=reading))
    assert list(read_in.values()) == [1.5, 2, 70, 0.25]


def test_decimal_commas_between_commas_must_be_declared(tmp_path):
    text = 'participant,condition,h1,h2\nA01,still,"1,5",70\n'
    (fault,) = faults_of(read_responses, form(tmp_path, files={"form.csv": text}, made=(NUMERIC,)))
    assert 'reading = { decimal = "comma" }' in fault.remedy
    declared = read(tmp_path, files={"form.csv": text}, made=(NUMERIC,), reading={"decimal": "comma"})
    assert values(declared)["A01", "still", "h1"] == 1.5


@pytest.mark.parametrize("reading", [{}, {"decimal": "comma"}, {"decimal": "point"}])
def test_two_decimal_marks_in_one_column_block_once_with_both_places(tmp_path, reading):
    text = "participant;condition;h1;h2\nA01;still;1,5;7\nA02;still;2.5;x\nA03;still;3,5;7\n"
    mixed, other = faults_of(read_responses, form(tmp_path, files={"form.csv": text}, made=(NUMERIC,), reading=reading))
    assert (mixed.kind, mixed.place) == ("mixed decimal marks", "rows 2 and 3, column h1")
    assert other.place == "row 3, column h2"


def test_two_decimal_marks_in_a_column_of_answers_to_several_items_block(tmp_path):
    text = 'participant,condition,item,answer\nA01,still,h1,2.5\nA01,still,h2,"1,5"\n'
    study = form(tmp_path, files={"form.csv": text}, made=(NUMERIC,), layout="row_per_answer")
    assert [(one.kind, one.place) for one in faults_of(read_responses, study)] == [
        ("mixed decimal marks", "rows 2 and 3, column answer")
    ]


def test_commas_in_words_are_no_decimal_marks(tmp_path):
    made = (instrument("note", ["n1"], texts=["why"]),)
    text = 'participant,condition,n1,why\nA01,still,4,"1,5"\nA02,still,4,1.5\n'
    assert len(read(tmp_path, files={"form.csv": text}, made=made).answers) == 4


def test_two_header_rows_below_a_preamble_make_columns_by_condition_and_item(tmp_path):
    text = "Export;;;;;;\n\n;still;;;slosh;;\nparticipant;r1;r2;r3;r1;r2;r3\nA01;1;2;3;4;5;6\n"
    study = form(
        tmp_path,
        files={"form.csv": text},
        layout="row_per_participant",
        columns={"pattern": "{condition} / {item}"},
        reading={"first_row": 3, "header_rows": 2},
    )
    responses = read_responses(study)
    assert list(values(responses).values()) == [1, 2, 3, 4, 5, 6]
    assert set(responses.answers["row"]) == {5}
    assert "still / r1" in set(responses.answers["column"])


def test_the_place_of_the_header_is_named_in_faults(tmp_path):
    text = "Export;;;\nparticipant;condition;r1;r2\nA01;still;1;2\n"
    (fault,) = faults_of(read_responses, form(tmp_path, files={"form.csv": text}, reading={"first_row": 2}))
    assert (fault.kind, fault.place) == ("missing column", "row 2")


def test_a_guessed_encoding_is_noted_once_for_each_file(tmp_path):
    study = form(tmp_path, "participant condition r1 r2 r3", "A01 still 1 2 3")
    (tmp_path / "form.csv").write_bytes("participant,condition,r1,r2,r3,größe\nA01,still,1,2,3,x\n".encode("cp1252"))
    (note,) = read_responses(study).findings
    assert (note.severity, note.kind, note.file) == ("note", "encoding guessed", "form.csv")


def test_answers_in_words_of_the_file_alone(tmp_path):
    text = "participant,condition,r1,r2,r3\nA01,still,Stimme ZU,not at all,7\n"
    study = form(tmp_path, files={"form.csv": text}, answer_words={"stimme zu": 6})
    assert list(values(read_responses(study)).values()) == [6, 1, 7]
    off = form(tmp_path, files={"form.csv": text}, answer_words={"stimme zu": 9})
    assert kinds(faults_of(read_responses, off)) == ["off the response scale"]


def test_an_unknown_word_names_those_known_and_where_to_say_what_it_counts_as(tmp_path):
    text = "participant,condition,r1,r2,r3\nA01,still,Completly,2,2026-02-01\n"
    word, day = faults_of(read_responses, form(tmp_path, files={"form.csv": text}))
    assert "Did you mean “completely”?" in word.remedy
    assert "answer_words" in word.remedy
    assert day.remedy.startswith("This is a date")


def test_a_thousand_wrong_columns_do_not_make_a_thousand_findings(tmp_path):
    items = [f"q{number}" for number in range(1_000)]
    made = (instrument("long", items),)
    rows = [["participant", "condition", *items], ["A01", "still", *["x"] * 1_000], ["A02", "still", *["x"] * 1_000]]
    found = faults_of(read_responses, form(tmp_path, files={"form.csv": written(rows)}, made=made))
    assert len(found) == 25
    assert found[-1].found.startswith("Answers in 9")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"])
@settings(max_examples=8, deadline=None)
@given(data=st.data())
def test_one_data_set_gives_the_same_answers_from_every_kind_of_file(encoding, data):
    cells = list(product(PEOPLE, CONDITIONS, ("h1", "h2")))
    number = st.none() | st.integers(0, 100) | st.sampled_from([0.5, 12.25, 99.9])
    drawn = dict(zip(cells, data.draw(st.lists(number, min_size=len(cells), max_size=len(cells))), strict=True))
    delimiter, mark = data.draw(st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", "."), ("|", ",")]))
    rows = [["participant", "condition", "h1", "h2", "größe"]]
    for who, place in product(PEOPLE, CONDITIONS):
        answers = [
            "" if (one := drawn[who, place, item]) is None else str(one).replace(".", mark) for item in ("h1", "h2")
        ]
        rows.append([who, place, *answers, "é"])
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    with tempfile.TemporaryDirectory() as folder:
        reading = {"decimal": "comma" if mark == "," else "point"}
        study = form(Path(folder), files={"form.csv": ""}, made=(NUMERIC,), reading=reading)
        (Path(folder) / "form.csv").write_bytes(out.getvalue().encode(encoding))
        assert values(read_responses(study)) == {cell: one for cell, one in drawn.items() if one is not None}
