"""Names of participants, conditions and columns, and cells that are numbers."""

from __future__ import annotations

from math import isnan

import pandas as pd
import pytest
from study_folders import faults_of, sheet, study_in

from workbench.errors import Finding
from workbench.files import read_table
from workbench.responses.names import (
    by_word,
    condition_words,
    explained,
    looked_up,
    matched,
    mixed_marks,
    near,
    numbers,
    require_columns,
    rows_named,
    whatever_case,
    without_pilots,
    wrong_words,
)


def words(*listed: str) -> pd.Series:
    return pd.Series(listed, index=range(2, 2 + len(listed)), name="version", dtype="str")


def read(values: pd.Series, known: dict[str, str]) -> tuple[list, list[Finding]]:
    faults: list[Finding] = []
    ids = matched(values, known, "form.csv", "condition", "Correct it.", faults)
    return [None if isinstance(one, float) and isnan(one) else one for one in ids], faults


def test_rows_are_named_up_to_five():
    assert rows_named([4]) == "row 4"
    assert rows_named([4, 5, 6, 7, 8]) == "rows 4, 5, 6, 7, 8"
    assert rows_named(range(2, 10)) == "rows 2, 3, 4, 5, 6 and 3 more"


def test_words_match_whatever_their_case_and_spaces():
    ids, faults = read(words("still", " STILL ", "Version A"), {"still": "s", "Version A": "s"})
    assert ids == ["s", "s", "s"]
    assert faults == []


def test_an_unknown_word_is_a_fault_and_the_others_are_read():
    ids, faults = read(words("still", "stil", "", "Stil"), {"still": "s"})
    assert ids == ["s", None, None, None]
    assert [(one.place, one.found) for one in faults] == [
        ("row 3, column version", "“stil” is no condition."),
        ("row 4, column version", "No condition is named."),
        ("row 5, column version", "“Stil” is no condition."),
    ]
    assert "Did you mean “still”?" in faults[0].remedy
    assert {one.kind for one in faults} == {"unknown condition"}


def test_words_that_differ_in_case_alone_must_be_written_as_declared():
    ids, faults = read(words("a", "A", "b"), {"a": "one", "A": "two", "B": "three"})
    assert ids == ["one", "two", "three"]
    assert faults == []
    assert whatever_case({"a": "one", "A": "two", "B": "three", "b": "three"}) == {"b": "three"}


def test_no_words_match_to_none():
    ids, faults = read(words(), {"still": "s"})
    assert ids == []
    assert faults == []


def test_the_words_of_a_condition(tmp_path):
    known = condition_words(study_in(tmp_path), {"Version B": "slosh"})
    assert known == {
        "The still one": "still",
        "The slosh one": "slosh",
        "still": "still",
        "slosh": "slosh",
        "Version B": "slosh",
    }


def test_absent_columns_are_named_with_the_nearest(tmp_path):
    (tmp_path / "form.csv").write_text(sheet("Participant version", "A01 still"))
    table = read_table(tmp_path / "form.csv", "form.csv")
    first, second = faults_of(require_columns, table, ["participant", "verson", "version"], "questionnaires[1].columns")
    assert "Did you mean “Participant”?" in first.remedy
    assert "Did you mean “version”?" in second.remedy
    assert "questionnaires[1].columns" in second.remedy


def participants(folder, *ids: str):
    study = study_in(folder, files={"form.csv": sheet("participant", *ids)}, pilots=["P01"])
    faults: list[Finding] = []
    frame, notes = without_pilots(read_table(folder / "form.csv", "form.csv"), "participant", study, faults)
    return frame, notes, faults


def test_pilots_are_left_out_and_counted(tmp_path):
    frame, notes, faults = participants(tmp_path, "P01", "A01", "P01")
    assert frame["participant"].to_dict() == {3: "A01"}
    assert [(note.kind, note.severity, note.place) for note in notes] == [("pilots", "note", "rows 2, 4")]
    assert notes[0].found.startswith("2 rows")
    assert faults == []


def test_undeclared_participants_block_with_the_nearest_id(tmp_path):
    frame, notes, faults = participants(tmp_path, "A01", "a01", "A1", "A1")
    assert frame["participant"].tolist() == ["A01"]
    assert notes == []
    assert [(one.kind, one.place) for one in faults] == [
        ("unknown participant", "row 3"),
        ("unknown participant", "rows 4, 5"),
    ]
    assert all("Did you mean “A01”?" in one.remedy for one in faults)


def test_a_row_without_a_participant_blocks(tmp_path):
    (tmp_path / "form.csv").write_text("participant,x\nA01,1\n  ,2\n")
    study = study_in(tmp_path)
    faults: list[Finding] = []
    without_pilots(read_table(tmp_path / "form.csv", "form.csv"), "participant", study, faults)
    assert [(one.place, one.found) for one in faults] == [("row 3", "No participant is named.")]


def test_many_wrong_words_are_counted():
    told = wrong_words(
        words(*[f"w{number}" for number in range(30)], "w29"),
        "f",
        "",
        lambda word: word,
        lambda word: "",
        "wrong value",
    )
    assert len(told) == 13
    assert told[0].found == "w0"
    assert told[-1].found == "18 more such words stand in 19 rows."


@pytest.mark.parametrize(
    ("text", "value"),
    [("3", 3), ("-1.5", -1.5), (".5", 0.5), ("+2.", 2), ("1e3", 1000), ("2E-2", 0.02)],
)
def test_cells_that_are_numbers(text, value):
    assert numbers(words(text)).tolist() == [value]


@pytest.mark.parametrize("text", ["", "inf", "nan", "1,5", "1_000", "0x10", "True", "٣", "1e999", "3 4", "-"])
def test_cells_that_are_none(text):
    assert isnan(numbers(words(text)).iloc[0])


@pytest.mark.parametrize(
    ("text", "value"), [("3", 3), ("-1,5", -1.5), (",5", 0.5), ("2,", 2), ("1,5e3", 1500), ("1e3", 1000)]
)
def test_cells_that_are_numbers_with_a_decimal_comma(text, value):
    assert numbers(words(text), "comma").tolist() == [value]


@pytest.mark.parametrize("text", ["", "1.5", "1.000,5", "1,000,5", "1,000.5", "."])
def test_cells_that_are_none_with_a_decimal_comma(text):
    assert isnan(numbers(words(text), "comma").iloc[0])


def test_what_is_made_of_distinct_words_stands_in_their_rows():
    seen = []

    def lengths(distinct):
        seen.extend(distinct)
        return distinct.str.len()

    found = by_word(words("a", "bb", "a", ""), lengths)
    assert found.to_dict() == {2: 1, 3: 2, 4: 1, 5: 0}
    assert found.name == "version"
    assert seen == ["a", "bb", ""]
    assert looked_up(words("a", "b"), {"a": 2}).fillna(-1).to_dict() == {2: 2, 3: -1}


def test_both_decimal_marks_in_a_column_are_named_with_their_rows():
    (fault,) = mixed_marks(words("1", "2.5", "x", "1,5", "2,5"), "form.csv")
    assert (fault.kind, fault.place) == ("mixed decimal marks", "rows 3 and 5, column version")
    assert fault.found == "“2.5” (row 3) and “1,5” (row 5) have different decimal marks."
    assert mixed_marks(words("1", "2.5", "x"), "form.csv") == []
    assert mixed_marks(words("1,5", "2", "1.2.3"), "form.csv") == []


@pytest.mark.parametrize(
    ("word", "decimal", "told"),
    [
        ("2026-02-01", "point", "date"),
        ("2026-02-01 00:00:00", "point", "date"),
        ("01.02.2026", "point", "date"),
        ("2-Jan", "point", "date"),
        ("02. Mär", "point", "date"),
        ("Jan 02", "point", "date"),
        ("1:02", "point", "time"),
        ("13:02:00", "point", "time"),
        ("####", "point", "too narrow"),
        ("#DIV/0!", "point", "could not be calculated"),
        ("=A1+1", "point", "formula"),
        ("1,5", "point", 'decimal = "comma"'),
        ("1.5", "comma", 'decimal = "point"'),
        ("1.234,5", "comma", "thousands"),
        ("1.234.567", "point", "thousands"),
        ("1 234", "point", "thousands"),
        ("1'234.5", "point", "thousands"),
    ],
)
def test_what_may_have_happened_to_a_cell(word, decimal, told):
    assert told in explained(word, decimal)


@pytest.mark.parametrize("word", ["", "8", "never", "1-2", "n/a", "Mayor", "12345", "1,5 kg"])
def test_cells_that_nothing_is_known_of(word):
    assert explained(word, "point") == ""


@pytest.mark.parametrize(
    ("declared", "seen", "why"),
    [
        ("007", "7", "drop zeros"),
        ("1E05", "100000", "scientific"),
        ("1E05", "1.00E+05", "scientific"),
        ("1E05", "1,00E+05", "scientific"),
        ("20:03", "20:03:00", "time of day"),
        ("2003", "20:03", "time of day"),
        ("20:03", "0.835416666666667", "time of day"),
        ("3-4", "2026-04-03", "date"),
        ("3/4", "04. Mrz", "date"),
        ("MAR4", "4-Mar", "date"),
        ("A01", "\u200bA01", "invisible"),
        ("A01", "Ａ０１", "look alike"),
        ("A 01", "A\u00a001", "look alike"),
    ],
)
def test_ids_that_a_spreadsheet_program_rewrote_are_suggested_with_the_reason(tmp_path, declared, seen, why):
    study = study_in(tmp_path, participants=[declared, "B11", "B12"])
    (tmp_path / "form.csv").write_text(f"participant;x\n{seen};1\n", encoding="utf-8")
    faults: list[Finding] = []
    without_pilots(read_table(tmp_path / "form.csv", "form.csv"), "participant", study, faults)
    (fault,) = faults
    assert f"It may stand for “{declared}”: " in fault.remedy
    assert why in fault.remedy


def test_an_id_that_could_stand_for_two_is_not_suggested(tmp_path):
    study = study_in(tmp_path, participants=["07", "007"])
    (tmp_path / "form.csv").write_text("participant,x\n7,1\n")
    faults: list[Finding] = []
    without_pilots(read_table(tmp_path / "form.csv", "form.csv"), "participant", study, faults)
    assert "may stand for" not in faults[0].remedy


def test_notes_of_the_table_come_with_those_on_pilots(tmp_path):
    study = study_in(tmp_path, pilots=["P01"])
    (tmp_path / "form.csv").write_bytes("participant,x\nA01,größe\nP01,x\n".encode("cp1252"))
    _, notes = without_pilots(read_table(tmp_path / "form.csv", "form.csv"), "participant", study, [])
    assert [note.kind for note in notes] == ["encoding guessed", "pilots"]


def test_very_many_known_words_are_not_all_listed():
    assert near("zzz", [f"column {number}" for number in range(10_000)]).startswith(
        "There are 10,000, such as column 0"
    )
    assert "Did you mean “column 77”?" in near("colunm 77", ["column 77", "x"])
