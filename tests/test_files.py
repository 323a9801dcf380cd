"""Bytes to text and tables, and writes that are whole or not at all."""

from __future__ import annotations

import csv
import io
import os
import stat
import tracemalloc
import zipfile
from contextlib import suppress
from datetime import date, datetime
from importlib import resources
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbench import files
from workbench.errors import Finding, StudyError, UsageError
from workbench.files import (
    fault,
    gathering,
    is_text_encoding,
    read_table,
    read_text,
    read_toml,
    sha256,
    shipped,
    swapped_in,
    write_atomically,
)


def table_of(folder: Path, content: str | bytes, name: str = "t.csv") -> files.SourceTable:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_table(path, f"responses/{name}")


def faults_of(folder: Path, content: str | bytes, name: str = "t.csv") -> tuple[Finding, ...]:
    with pytest.raises(StudyError) as caught:
        table_of(folder, content, name)
    assert all(one.severity == "blocks" and one.file == f"responses/{name}" for one in caught.value.findings)
    assert all(one.found.strip() and one.remedy.strip() for one in caught.value.findings)
    return caught.value.findings


def rows_of(table: files.SourceTable) -> list[list[str]]:
    return [list(row) for row in table.frame.itertuples(index=False)]


# ---------------------------------------------------------------------------------------- CSV


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_delimiters_encodings_and_line_ends(tmp_path: Path, delimiter: str, encoding: str, end: str) -> None:
    text = end.join(delimiter.join(row) for row in (["who", "größe", "note"], ["A01", "5", "äh 🙂"])) + end
    table = table_of(tmp_path, text.encode(encoding))
    assert table.columns == ["who", "größe", "note"]
    assert rows_of(table) == [["A01", "5", "äh 🙂"]]
    assert table.file == "responses/t.csv"


def test_commas_inside_quotes_do_not_choose_the_delimiter(tmp_path: Path) -> None:
    table = table_of(tmp_path, '"who, when, where, why";score\n"A01";3\n')
    assert table.columns == ["who, when, where, why", "score"]


def test_a_header_with_line_breaks_chooses_the_delimiter_as_a_whole(tmp_path: Path) -> None:
    assert table_of(tmp_path, '"first, line\nsecond";b;c\n1;2;3\n').columns == ["first, line\nsecond", "b", "c"]


def test_a_single_column_is_read(tmp_path: Path) -> None:
    assert rows_of(table_of(tmp_path, "who\nA01\nA02\n")) == [["A01"], ["A02"]]


def test_rows_are_numbered_as_a_spreadsheet_shows_them(tmp_path: Path) -> None:
    table = table_of(tmp_path, "who,x\nA01,1\n\nA02,2\n,\n  , \nA03,3\n")
    assert list(table.frame.index) == [2, 4, 7]


def test_quoted_line_breaks_count_as_one_row(tmp_path: Path) -> None:
    table = table_of(tmp_path, 'who,note\nA01,"one\ntwo\r\nthree"\nA02,x\n')
    assert list(table.frame.index) == [2, 3]
    assert table.frame["note"][2] == "one\ntwo\r\nthree"


def test_blank_lines_before_the_header_are_passed_over_and_counted(tmp_path: Path) -> None:
    table = table_of(tmp_path, "\n\nwho;x\nA01;1\n")
    assert table.columns == ["who", "x"]
    assert list(table.frame.index) == [4]


def test_words_that_look_like_missing_stay_words(tmp_path: Path) -> None:
    cells = ["NA", "nan", "None", "null", "", "1e3", "007", "TRUE", " x "]
    table = table_of(tmp_path, "who,x\n" + "".join(f"P,{cell}\n" for cell in cells))
    assert table.frame["x"].tolist() == cells


def test_header_names_are_stripped_and_empty_columns_at_the_end_dropped(tmp_path: Path) -> None:
    table = table_of(tmp_path, " who , x ,,\nA01,1,,\nA02,2\n")
    assert table.columns == ["who", "x"]
    assert rows_of(table) == [["A01", "1"], ["A02", "2"]]


def test_header_only_is_a_table_without_rows(tmp_path: Path) -> None:
    table = table_of(tmp_path, "who,x\n")
    assert table.columns == ["who", "x"]
    assert len(table.frame) == 0
    assert (table.frame["who"] == "A01").sum() == 0


@pytest.mark.parametrize("content", ["", "\n\n", " ,, \n,,\n", "\ufeff"])
def test_an_empty_file(tmp_path: Path, content: str) -> None:
    assert faults_of(tmp_path, content)[0].found == "The file is empty."


def test_every_ragged_row_is_named(tmp_path: Path) -> None:
    found = faults_of(tmp_path, "a,b,c\n1,2,3\n1,2\n\n1,2,3,4\n")
    assert [one.place for one in found] == ["row 3", "row 5"]
    assert [one.found for one in found] == [
        "This row has 2 cells, the header has 3.",
        "This row has 4 cells, the header has 3.",
    ]


def test_many_ragged_rows_are_counted(tmp_path: Path) -> None:
    found = faults_of(tmp_path, "a,b\n" + "1\n" * 500)
    assert len(found) == files.PLACES_NAMED + 1
    assert found[-1].found == "488 more rows, up to row 501, do not fit the header either."


def test_repeated_and_empty_column_names_are_all_told_at_once(tmp_path: Path) -> None:
    found = faults_of(tmp_path, "who,,x,x, x ,y,y\n1,2,3,4,5,6,7\n")
    assert [(one.place, one.found) for one in found] == [
        ("row 1, column 2", "This column has no name."),
        ("row 1", "The column name “x” stands 3 times."),
        ("row 1", "The column name “y” stands 2 times."),
    ]


def test_header_and_row_faults_come_together(tmp_path: Path) -> None:
    assert len(faults_of(tmp_path, "a,a\n1,2\n1\n")) == 2


def test_an_unclosed_quote_names_the_row_where_it_opens(tmp_path: Path) -> None:
    found = faults_of(tmp_path, 'a,b\n1,2\n3,"four\n5,6\n7,8\n')
    assert found[0].place == "row 3"
    assert "quote" in found[0].remedy


def test_an_unclosed_quote_in_a_large_file(tmp_path: Path) -> None:
    found = faults_of(tmp_path, 'a,b\n1,"2\n' + "3,4\n" * (files.LARGEST_CELL // 4 + 1))
    assert found[0].place == "row 2"


def test_text_after_a_closing_quote(tmp_path: Path) -> None:
    assert faults_of(tmp_path, 'a,b\n1,"2"x\n')[0].place == "row 2"


@pytest.mark.parametrize(
    "content",
    [b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", b"PK\x03\x04\x14\x00\xff\xfe", bytes(range(256)), b"a,b\n1,\x81\n"],
)
def test_binary_and_foreign_encodings_with_a_csv_name(tmp_path: Path, content: bytes) -> None:
    found = faults_of(tmp_path, content)
    assert len(found) == 1
    assert "text" in found[0].found


def test_windows_1252_is_a_guess_that_a_note_tells_with_a_word(tmp_path: Path) -> None:
    table = table_of(tmp_path, "who,note\nA01,1\nA02,so groß – wie\n".encode("cp1252"))
    assert table.frame["note"][3] == "so groß – wie"
    (note,) = table.notes
    assert (note.severity, note.kind, note.place) == ("note", "encoding guessed", "line 3")
    assert "“groß”" in note.found
    assert 'encoding = "cp1252"' in note.remedy


@pytest.mark.parametrize("encoding", ["cp1252", "iso8859-2", "mac-roman", "shift_jis", "utf-16", "utf-16-be", "utf-8"])
def test_a_declared_encoding_is_no_guess(tmp_path: Path, encoding: str) -> None:
    word = {"shift_jis": "重さ", "iso8859-2": "žluť"}.get(encoding, "größe")
    (tmp_path / "t.csv").write_bytes(f"who,note\nA01,{word}\n".encode(encoding))
    table = read_table(tmp_path / "t.csv", "t.csv", encoding=encoding)
    assert table.frame["note"][2] == word
    assert table.notes == ()


def test_a_declared_encoding_passes_over_a_byte_order_mark(tmp_path: Path) -> None:
    for name, content in (("utf-8", "\ufeffwho\nA\n".encode()), ("utf-16-le", "who\nA\n".encode("utf-16"))):
        (tmp_path / "t.csv").write_bytes(content)
        assert read_table(tmp_path / "t.csv", "t.csv", encoding=name).columns == ["who"]


def test_a_declared_encoding_that_does_not_fit_names_the_line(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_bytes(b"a,b\n1,2\n3,\xe4\n")
    with pytest.raises(StudyError) as caught:
        read_table(tmp_path / "t.csv", "t.csv", encoding="utf-8")
    assert caught.value.findings[0].place == "line 3"
    assert caught.value.findings[0].found == "These bytes are not UTF-8 text."


@pytest.mark.parametrize("second", ["größe", "–", "é"])
def test_two_encodings_in_one_file_are_told_with_their_lines(tmp_path: Path, second: str) -> None:
    content = "a,b\n1,2\n3,größe\n4,5\n".encode() + f"6,{second}\n".encode("cp1252")
    (found,) = faults_of(tmp_path, content)
    assert found.place == "lines 3 and 5"
    assert found.found == "Line 3 is in UTF-8 and line 5 is not, so two encodings are mixed."


def test_nul_bytes_are_told_with_their_line(tmp_path: Path) -> None:
    (found,) = faults_of(tmp_path, b"a,b\n1,2\n3,\0\n")
    assert (found.place, found.found) == ("line 3", "The file holds NUL bytes, so it is not a text file.")


@pytest.mark.parametrize(
    ("name", "is_one"),
    [("utf-8", True), ("cp1252", True), ("Mac-Roman", True), ("base64", False), ("utf-9", False), ("a\0b", False)],
)
def test_encodings_of_text(name: str, is_one: bool) -> None:
    assert is_text_encoding(name) is is_one


def test_the_delimiter_is_the_one_that_cuts_the_rows_like_the_header(tmp_path: Path) -> None:
    table = table_of(tmp_path, "who;felt heavy, light, or neither;q2\nA01;1;2\nA02;3;4\n")
    assert table.columns == ["who", "felt heavy, light, or neither", "q2"]
    assert table_of(tmp_path, "who|a, b|c;d\nA01|1|2\n").columns == ["who", "a, b", "c;d"]


def test_a_declared_delimiter_counts(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a;b,c\n1;2,3\n")
    assert read_table(tmp_path / "t.csv", "t.csv", delimiter="comma").columns == ["a;b", "c"]


def test_a_first_line_that_names_the_delimiter(tmp_path: Path) -> None:
    table = table_of(tmp_path, "\ufeffsep=;\r\nwho;x\r\nA01;1,5\r\n")
    assert table.columns == ["who", "x"]
    assert list(table.frame.index) == [3]
    assert table.header == "row 2"


def test_a_preamble_is_passed_over_where_declared_and_suggested_where_not(tmp_path: Path) -> None:
    text = "Export of the form\n2 March;;\n\nwho;x;y\nA01;1;2\nA02;3;4\nA03;5;6\n"
    (found,) = faults_of(tmp_path, text)
    assert "first_row = 4" in found.remedy
    table = read_table(tmp_path / "t.csv", "t.csv", first_row=4)
    assert table.columns == ["who", "x", "y"]
    assert list(table.frame.index) == [5, 6, 7]
    assert table.header == "row 4"


def test_a_preamble_that_is_all_there_is(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a,b\n1,2\n")
    with pytest.raises(StudyError, match="The file is empty from row 3 on"):
        read_table(tmp_path / "t.csv", "t.csv", first_row=3)


def test_two_header_rows_are_joined_over_merged_headings(tmp_path: Path) -> None:
    text = "who,Still,,Slosh,,,note\n,r1,r2,r1,r2,age,\nA01,1,2,3,4,30,x\n"
    (tmp_path / "t.csv").write_text(text)
    table = read_table(tmp_path / "t.csv", "t.csv", header_rows=2)
    assert table.columns == ["who", "Still / r1", "Still / r2", "Slosh / r1", "Slosh / r2", "Slosh / age", "note"]
    assert list(table.frame.index) == [3]
    assert table.header == "rows 1 and 2"


def test_a_top_heading_with_nothing_below_it_is_not_carried_to_the_right(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("who,,Still,\n,when,r1,r2\nA01,3,1,2\n")
    table = read_table(tmp_path / "t.csv", "t.csv", header_rows=2)
    assert table.columns == ["who", "when", "Still / r1", "Still / r2"]


@pytest.mark.parametrize(
    ("text", "mark"),
    [
        ("a;b\n1,5;2\n3;4\n", "comma"),
        ("a;b\n1,5;2\n3;4.5\n", "point"),
        ("a;b\n1;2\n", "point"),
        ("a\tb\n1,5\t2\n", "point"),
        ('a,b\n"1,5",2\n', "point"),
        ("a;b\n-,5;well, no\n", "comma"),
    ],
)
def test_the_decimal_mark_of_a_file(tmp_path: Path, text: str, mark: str) -> None:
    assert table_of(tmp_path, text).decimal == mark
    assert read_table(tmp_path / "t.csv", "t.csv", decimal="point").decimal == "point"


# -------------------------------------------------------------------------------------- limits


def test_a_file_that_is_too_large_is_not_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "LARGEST_FILE", 10)
    (found,) = faults_of(tmp_path, "a,b\n1,2\n3,4\n")
    assert "up to 0 MB are read" in found.found


@pytest.mark.parametrize("before", [0, 3, files._BLOCK - 10, 2 * files._BLOCK])
def test_a_line_that_is_too_long(tmp_path: Path, before: int) -> None:
    head = "a,b\n" + "1,2\n" * (before // 4)
    (found,) = faults_of(tmp_path, head + "x," * (files.LONGEST_LINE // 2 + 1))
    assert found.place == f"line {head.count(chr(10)) + 1}"
    assert "5,000,000 characters" in found.found


@pytest.mark.full
def test_a_line_of_200_megabytes_takes_little_memory(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(b"a,b\n1," + b"x," * 100_000_000)
    tracemalloc.start()
    with pytest.raises(StudyError, match="longer than"):
        read_table(path, "t.csv")
    assert tracemalloc.get_traced_memory()[1] < 300_000_000
    tracemalloc.stop()


def test_ten_thousand_columns_are_read_and_more_than_a_spreadsheet_has_are_not(tmp_path: Path) -> None:
    def wide(width: int) -> str:
        return ",".join(f"c{number}" for number in range(width)) + "\n" + ",".join("1" * width) + "\n"

    assert table_of(tmp_path, wide(10_000)).frame.shape == (1, 10_000)
    (found,) = faults_of(tmp_path, wide(files.MOST_COLUMNS + 1))
    assert found.found.startswith("The header has 16,385 columns")


def test_many_nameless_and_repeated_columns_are_counted(tmp_path: Path) -> None:
    found = faults_of(tmp_path, "a," + "," * 40 + ",".join(f"x{n},x{n}" for n in range(40)) + "\n")
    assert len(found) == 2 * (files.PLACES_NAMED + 1)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "t.csv")
    with pytest.raises(StudyError, match="not a file"):
        read_table(tmp_path / "t.csv", "t.csv")


@pytest.mark.parametrize("name", ["missing.csv", "missing.xlsx", "no/such/folder.csv"])
def test_a_missing_file(tmp_path: Path, name: str) -> None:
    with pytest.raises(StudyError) as caught:
        read_table(tmp_path / name, name)
    assert caught.value.findings[0].kind == "missing file"


@pytest.mark.parametrize("name", ["folder.csv", "folder.xlsx"])
def test_a_folder_instead_of_a_file(tmp_path: Path, name: str) -> None:
    (tmp_path / name).mkdir()
    with pytest.raises(StudyError) as caught:
        read_table(tmp_path / name, name)
    assert caught.value.findings[0].found == "This is a folder, not a file."


@pytest.mark.parametrize("name", ["a\0b.csv", "x" * 5000 + ".csv", "t.csv/inside.csv"], ids=["nul", "long", "inside"])
def test_a_name_no_file_can_have(tmp_path: Path, name: str) -> None:
    (tmp_path / "t.csv").write_text("a\n")
    with pytest.raises(StudyError):
        read_table(tmp_path / name, "shown")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions do not hold for root")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a\n")
    (tmp_path / "t.csv").chmod(0)
    with pytest.raises(StudyError, match="cannot be read"):
        read_table(tmp_path / "t.csv", "t.csv")


_CELL = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\ufeff"), max_size=8)


_NUMBERS = st.none() | st.integers(-999, 999) | st.floats(-1e6, 1e6, allow_nan=False)


def number_text(value: float | None, mark: str) -> str:
    return "" if value is None else str(value).replace(".", mark)


def same_numbers(table: files.SourceTable, rows: list[list[float | None]]) -> bool:
    """Whether the table reads as these numbers, blank rows left out."""
    read = [[float(cell.replace(",", ".")) if cell else None for cell in row[1:]] for row in rows_of(table)]
    marks = {sign for row in rows_of(table) for cell in row[1:] for sign in cell if sign in ".,"}
    return read == rows and marks <= {"," if table.decimal == "comma" else "."}


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.lists(_NUMBERS, min_size=3, max_size=3), min_size=1, max_size=6),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"]),
    delimiter=st.sampled_from(",;\t|"),
    mark=st.sampled_from(".,"),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    above=st.integers(0, 2),
)
def test_numbers_read_back_from_every_kind_of_file(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[list[float | None]],
    encoding: str,
    delimiter: str,
    mark: str,
    end: str,
    above: int,
) -> None:
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end)
    writer.writerows([["Stand: heute"]] * above)
    writer.writerow(["Größe", "a", "b", "c"])
    writer.writerows([f"é{place}", *(number_text(one, mark) for one in row)] for place, row in enumerate(rows))
    path = tmp_path_factory.mktemp("kinds") / "t.csv"
    path.write_bytes(out.getvalue().encode(encoding))
    declared: dict[str, Any] = {"first_row": above + 1} if above else {}
    found = read_table(path, "t", **declared)
    broken = any(isinstance(one, float) and "e" not in str(one) for row in rows for one in row)
    if mark == "." or (delimiter == ";" and broken):
        assert same_numbers(found, rows)
    assert same_numbers(read_table(path, "t", decimal="point" if mark == "." else "comma", **declared), rows)
    assert found.columns == ["Größe", "a", "b", "c"]
    assert [one.kind for one in found.notes] == ["encoding guessed"] * (encoding == "cp1252")


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(
        st.lists(_NUMBERS.map(lambda one: one and round(one, 6)), min_size=3, max_size=3), min_size=1, max_size=6
    ),
    mark=st.sampled_from(".,"),
)
def test_numbers_read_back_from_workbooks(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[float | None]], mark: str
) -> None:
    """With six decimals: openpyxl writes 16 digits of a number, one less than some floats need."""
    cells: list[list[object]] = [["who", "a", "b", "c"], *([f"é{place}", *row] for place, row in enumerate(rows))]
    path = workbook(tmp_path_factory.mktemp("books"), cells)
    assert same_numbers(read_table(path, "t", decimal="point" if mark == "." else "comma"), rows)


@settings(max_examples=150, deadline=None)
@given(data=st.data(), delimiter=st.sampled_from(",;\t|"), width=st.integers(2, 4))
def test_what_the_csv_module_writes_is_read_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject, delimiter: str, width: int
) -> None:
    header = [f"c{number}" for number in range(width)]
    rows = data.draw(st.lists(st.lists(_CELL, min_size=width, max_size=width), max_size=5))
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, quoting=csv.QUOTE_ALL).writerows([header, *rows])
    table = table_of(tmp_path_factory.mktemp("csv"), out.getvalue())
    kept = [(number, row) for number, row in enumerate(rows, start=2) if any(cell.strip() for cell in row)]
    assert list(table.frame.index) == [number for number, _ in kept]
    assert rows_of(table) == [row for _, row in kept]


def test_many_rows_are_read_as_few_are(tmp_path: Path) -> None:
    """Rows are read in blocks: blank, quoted and ragged ones at the seams are what they are elsewhere."""
    lines = [f'A{number},"{number % 7}"' for number in range(130_000)]
    lines[49_997:50_001] = ["", ",", "A,1", " , "]
    table = table_of(tmp_path, "who,x\n" + "\n".join(lines) + "\n")
    assert len(table.frame) == 129_997
    assert table.frame.loc[50_001].tolist() == ["A", "1"]
    assert table.frame.loc[130_001].tolist() == ["A129999", str(129_999 % 7)]
    lines[120_000] = "A,1,2"
    (found,) = faults_of(tmp_path, "who,x\n" + "\n".join(lines) + "\n")
    assert found.place == "row 120002"


@settings(max_examples=200, deadline=None)
@given(
    content=st.binary(max_size=80)
    | st.text(max_size=60).map(str.encode)
    | st.text(max_size=40).map(lambda text: text.encode("utf-16", "replace")),
    suffix=st.sampled_from([".csv", ".xlsx", ".txt"]),
    reading=st.fixed_dictionaries(
        {},
        optional={
            "first_row": st.integers(1, 4),
            "header_rows": st.sampled_from([1, 2]),
            "encoding": st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-16-le", "shift_jis", "utf-7", "cp037"]),
            "delimiter": st.sampled_from(["comma", "semicolon", "tab", "pipe"]),
            "decimal": st.sampled_from(["point", "comma"]),
            "sheet": st.integers(-1, 3) | st.text(max_size=3),
        },
    ),
)
def test_any_bytes_in_any_reading_give_a_table_or_a_study_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, suffix: str, reading: dict[str, Any]
) -> None:
    path = tmp_path_factory.mktemp("bytes") / f"t{suffix}"
    path.write_bytes(content)
    with suppress(StudyError):
        assert read_table(path, "t", **reading).columns


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_a_damaged_workbook_gives_a_table_or_a_study_error(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = workbook(
        tmp_path_factory.mktemp("damaged"), [["who", "x"], ["A", 1], ["B", "=1+1"], ["C", date(2026, 2, 1)]]
    )
    with zipfile.ZipFile(path) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = data.draw(st.sampled_from(sorted(members)))
    place = data.draw(st.integers(0, len(members[name])))
    members[name] = (
        members[name][:place] + data.draw(st.binary(max_size=8)) + members[name][place + data.draw(st.integers(0, 9)) :]
    )
    with zipfile.ZipFile(path, "w") as archive:
        for member, content in members.items():
            archive.writestr(member, content)
    with suppress(StudyError):
        assert read_table(path, "t").columns


@settings(max_examples=150, deadline=None)
@given(content=st.binary(max_size=60), suffix=st.sampled_from([".csv", ".xlsx"]))
def test_any_bytes_give_a_table_or_a_study_error(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, suffix: str
) -> None:
    path = tmp_path_factory.mktemp("bytes") / f"t{suffix}"
    path.write_bytes(content)
    with suppress(StudyError):
        assert read_table(path, "t").columns


# --------------------------------------------------------------------------------------- XLSX


def workbook(folder: Path, rows: list[list[object]], name: str = "t.xlsx") -> Path:
    book = openpyxl.Workbook()
    assert book.active is not None
    for row in rows:
        book.active.append(row)
    book.save(folder / name)
    return folder / name


def in_archive(path: Path, member: str, change: object) -> None:
    """Rewrite one member of a ZIP archive by a function of its bytes."""
    with zipfile.ZipFile(path) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    content[member] = change(content[member])  # type: ignore[operator]
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in content.items():
            archive.writestr(name, data)


def test_xlsx_cells_read_as_a_spreadsheet_shows_them(tmp_path: Path) -> None:
    rows: list[list[object]] = [
        ["who", "whole", "broken", "day", "moment", "yes", "words", "empty"],
        ["A01", 5.0, 2.5, date(2026, 3, 2), datetime(2026, 3, 2, 14, 30), True, "007", None],
        [1, -3, 0.1, datetime(2026, 3, 3), datetime(2026, 3, 3, 0, 0, 1), False, "äh 🙂", ""],
    ]
    table = read_table(workbook(tmp_path, rows), "t.xlsx")
    assert rows_of(table) == [
        ["A01", "5", "2.5", "2026-03-02", "2026-03-02 14:30:00", "TRUE", "007", ""],
        ["1", "-3", "0.1", "2026-03-03", "2026-03-03 00:00:01", "FALSE", "äh 🙂", ""],
    ]


def test_xlsx_rows_are_numbered_as_the_spreadsheet_shows_them(tmp_path: Path) -> None:
    table = read_table(workbook(tmp_path, [[], ["who", "x"], ["A01", 1], [None, None], [], ["A02", 2]]), "t.xlsx")
    assert table.columns == ["who", "x"]
    assert list(table.frame.index) == [3, 6]


def test_xlsx_first_sheet_counts(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who"], ["A01"]])
    book = openpyxl.load_workbook(path)
    book.create_sheet("other").append(["else"])
    book.create_sheet("blank")
    book.save(path)
    table = read_table(path, "t.xlsx")
    assert table.columns == ["who"]
    (note,) = table.notes
    assert (note.severity, note.kind) == ("attention", "other sheets")
    assert "“other”" in note.found
    assert "blank" not in note.found
    assert 'sheet = "other"' in note.remedy


def test_xlsx_formula_with_a_saved_result_gives_the_result(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who", "sum"], ["A01", "=1+2"]])
    in_archive(
        path,
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b"<v />", b"<v>3</v>").replace(b"<v></v>", b"<v>3</v>"),
    )
    assert rows_of(read_table(path, "t.xlsx")) == [["A01", "3"]]


def test_xlsx_formula_without_a_saved_result_is_no_missing_answer(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who", "sum"], ["A01", "=1+2"], ["A02", "=2+2"]])
    with pytest.raises(StudyError) as caught:
        read_table(path, "t.xlsx")
    assert caught.value.findings[0].place == "row 2, column 2 and 1 more"
    assert "formula" in caught.value.findings[0].found


def test_xlsx_rows_beyond_a_wrong_size_mark_are_read(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who", "x"], ["A01", 1], ["A02", 2]])
    in_archive(path, "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'ref="A1:B3"', b'ref="A1"'))
    assert rows_of(read_table(path, "t.xlsx")) == [["A01", "1"], ["A02", "2"]]


def test_xlsx_ragged_and_repeated_names(tmp_path: Path) -> None:
    with pytest.raises(StudyError) as caught:
        read_table(workbook(tmp_path, [["who", "x", "x"], ["A01", 1, 2], ["A02", 1, 2, 3]]), "t.xlsx")
    assert [one.place for one in caught.value.findings] == ["row 1", "row 3"]


def test_xlsx_empty_sheet(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="The file is empty"):
        read_table(workbook(tmp_path, []), "t.xlsx")


def test_text_with_an_xlsx_name(tmp_path: Path) -> None:
    assert faults_of(tmp_path, "who,x\nA01,1\n", "t.xlsx")[0].found == "This is not a readable XLSX workbook."


def test_an_encrypted_workbook_is_called_so(tmp_path: Path) -> None:
    content = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)
    assert "password" in faults_of(tmp_path, content, "t.xlsx")[0].found


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: data[: len(data) // 2],
        lambda data: data[: len(data) // 3] + bytes(40) + data[len(data) // 3 + 40 :],
        lambda data: data[:200] + b"\xff" * 300 + data[500:],
        lambda data: b"PK\x05\x06" + bytes(18),
    ],
)
def test_a_damaged_workbook(tmp_path: Path, damage: object) -> None:
    content = workbook(tmp_path, [["who", "x"], *[[f"A{n}", n] for n in range(200)]], "good.xlsx").read_bytes()
    assert faults_of(tmp_path, damage(content), "t.xlsx")[0].found == "This is not a readable XLSX workbook."  # type: ignore[operator]


@pytest.mark.parametrize("member", ["xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml"])
def test_a_workbook_with_broken_insides(tmp_path: Path, member: str) -> None:
    path = workbook(tmp_path, [["who"], ["A01"]])
    in_archive(path, member, lambda xml: xml[: len(xml) // 2])
    with pytest.raises(StudyError, match="not a readable XLSX workbook"):
        read_table(path, "t.xlsx")


def test_a_workbook_that_unpacks_to_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "LARGEST_WORKBOOK", 1000)
    with pytest.raises(StudyError, match="The workbook unpacks to"):
        read_table(workbook(tmp_path, [["who"], ["A01"]]), "t.xlsx")


def two_sheets(folder: Path) -> Path:
    path = workbook(folder, [["note"], ["read me"]])
    book = openpyxl.load_workbook(path)
    sheet = book.create_sheet("Answers 2")
    for row in (["Export"], [], ["who", "Still", None], [None, "r1", "r2"], ["A01", 1.5, 2]):
        sheet.append(row)
    book.save(path)
    return path


@pytest.mark.parametrize("sheet", ["Answers 2", 2])
def test_xlsx_sheets_by_name_and_number_with_a_preamble_and_two_header_rows(tmp_path: Path, sheet: str | int) -> None:
    table = read_table(two_sheets(tmp_path), "t.xlsx", sheet=sheet, first_row=3, header_rows=2, decimal="comma")
    assert table.columns == ["who", "Still / r1", "Still / r2"]
    assert rows_of(table) == [["A01", "1,5", "2"]]
    assert list(table.frame.index) == [5]
    assert table.notes == ()


@pytest.mark.parametrize("sheet", ["Answer 2", 0, 3, "2"])
def test_xlsx_a_sheet_that_is_not_there(tmp_path: Path, sheet: str | int) -> None:
    with pytest.raises(StudyError) as caught:
        read_table(two_sheets(tmp_path), "t.xlsx", sheet=sheet)
    assert caught.value.findings[0].place == f"sheet {sheet}"
    assert "Sheet, Answers 2" in caught.value.findings[0].remedy


def test_xlsx_an_empty_first_sheet_names_the_others(tmp_path: Path) -> None:
    path = workbook(tmp_path, [])
    book = openpyxl.load_workbook(path)
    book.create_sheet("Data").append(["who"])
    book.save(path)
    with pytest.raises(StudyError, match=r"empty.*“Data”"):
        read_table(path, "t.xlsx")


def test_xlsx_formula_faults_are_looked_for_only_in_the_sheet_that_is_read(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who"], ["A01"]])
    book = openpyxl.load_workbook(path)
    book.create_sheet("sums").append(["=1+2"])
    book.save(path)
    assert rows_of(read_table(path, "t.xlsx", sheet=1)) == [["A01"]]
    with pytest.raises(StudyError, match="result was never saved"):
        read_table(path, "t.xlsx", sheet="sums")


def test_xlsx_more_rows_than_a_spreadsheet_has(tmp_path: Path) -> None:
    path = workbook(tmp_path, [["who"], ["A01"]])
    in_archive(path, "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'r="2"', b'r="99999999999"'))
    with pytest.raises(StudyError, match=r"more than 1,048,576 rows|not a readable XLSX workbook"):
        read_table(path, "t.xlsx")


def test_a_workbook_with_the_name_of_a_csv_is_called_so(tmp_path: Path) -> None:
    content = workbook(tmp_path, [["who"], ["A01"]]).read_bytes()
    assert "end in .xlsx" in faults_of(tmp_path, content, "t.csv")[0].remedy


# --------------------------------------------------------------------------------------- TOML


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("a = 1\nb = \n", "line 2, column 5"),
        ("a = 1\nb = [1, 2\nc = 3\n", "line 3, column 1"),
        ('a = "x\nb = 1\n', "line 1, column 7"),
        ("a = 1\na = 2\n", "line 2, column 6"),
        ("[t]\n[t]\n", "line 2, column 3"),
        ("a = 1\nb = [1, 2", "line 2, column 10"),
        ("a = 1\nb = ", "line 2, column 4"),
        ("a = yes\n", "line 1, column 5"),
        ("ä = 1\n", "line 1, column 1"),
        ("a = 2026-02-30\n", "line 1, column 5"),
    ],
)
def test_broken_toml_names_line_and_column(tmp_path: Path, text: str, place: str) -> None:
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_toml(tmp_path / "s.toml", "study.toml")
    [finding] = caught.value.findings
    assert (finding.file, finding.kind) == ("study.toml", "broken TOML")
    assert finding.place.startswith(place.split(",")[0] + ",")
    assert finding.place == place
    assert "(at" not in finding.found


@pytest.mark.parametrize("text", ["a = " + "[" * 20_000, "a = " + "1" * 9_000])
def test_toml_that_overwhelms_the_parser(tmp_path: Path, text: str) -> None:
    (tmp_path / "s.toml").write_text(text)
    with pytest.raises(StudyError, match="not valid TOML"):
        read_toml(tmp_path / "s.toml", "study.toml")


def test_toml_with_mark_and_windows_line_ends(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_bytes("\ufefftitle = 'ä'\r\nn = 1\r\n".encode())
    assert read_toml(tmp_path / "s.toml", "s") == {"title": "ä", "n": 1}


@settings(max_examples=200, deadline=None)
@given(text=st.text(st.sampled_from("a=\"'[]{},.\n#1-:T \\ä"), max_size=30))
def test_any_text_gives_toml_or_a_study_error_with_a_place(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    path = tmp_path_factory.mktemp("toml") / "s.toml"
    path.write_text(text, encoding="utf-8")
    found: list[Finding] = []
    with gathering(found):
        read_toml(path, "s.toml")
    assert all(one.place.startswith("line ") for one in found)


# -------------------------------------------------------------------------------------- writing


class Stop(BaseException):
    """What an interrupt is: no Exception."""


def test_written_content_and_permissions(tmp_path: Path) -> None:
    target = tmp_path / "deep" / "er" / "ä.txt"
    write_atomically(target, "grün\n")
    assert target.read_bytes() == "grün\n".encode()
    plain = tmp_path / "plain"
    plain.write_text("")
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)
    assert os.listdir(target.parent) == ["ä.txt"]


def test_permissions_of_an_earlier_file_stay(tmp_path: Path) -> None:
    target = tmp_path / "private"
    target.write_text("old")
    target.chmod(0o600)
    write_atomically(target, b"new")
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert target.read_bytes() == b"new"


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.write_text("old")
    link = tmp_path / "link"
    link.symlink_to(real)
    write_atomically(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


@pytest.mark.parametrize("error", [OSError, KeyboardInterrupt, Stop])
@pytest.mark.parametrize("where", ["fsync", "chmod", "replace"])
def test_a_failing_write_leaves_the_earlier_file_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str, error: type[BaseException]
) -> None:
    target = tmp_path / "t"
    target.write_text("old")

    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(os, where, fail)
    with pytest.raises(error):
        write_atomically(target, "new")
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["t"]


def test_text_that_no_file_can_hold_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(UnicodeEncodeError):
        write_atomically(tmp_path / "t", "\udcff")
    assert os.listdir(tmp_path) == []


def filled(folder: Path, text: str) -> Path:
    folder.mkdir()
    (folder / "sub").mkdir()
    (folder / "sub" / "file").write_text(text)
    return folder


def test_a_folder_is_swapped_in_whole(tmp_path: Path) -> None:
    target = filled(tmp_path / "r", "old")
    with swapped_in(target) as aside:
        (aside / "new").write_text("new")
        assert (target / "sub" / "file").read_text() == "old"
    assert os.listdir(target) == ["new"]
    assert os.listdir(tmp_path) == ["r"]
    (tmp_path / "plain").mkdir()
    assert stat.S_IMODE(target.stat().st_mode) == stat.S_IMODE((tmp_path / "plain").stat().st_mode)


def test_a_new_folder_with_new_parents(tmp_path: Path) -> None:
    with swapped_in(tmp_path / "x" / "y") as aside:
        (aside / "new").write_text("new")
    assert os.listdir(tmp_path / "x") == ["y"]


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, Stop])
def test_a_failing_block_leaves_the_earlier_folder_whole(tmp_path: Path, error: type[BaseException]) -> None:
    target = filled(tmp_path / "r", "old")

    def fail_half_way() -> None:
        with swapped_in(target) as aside:
            (aside / "half").write_text("half")
            raise error

    with pytest.raises(error):
        fail_half_way()
    assert (target / "sub" / "file").read_text() == "old"
    assert os.listdir(tmp_path) == ["r"]


@pytest.mark.parametrize("error", [OSError, KeyboardInterrupt])
@pytest.mark.parametrize("moves_done", [0, 1, 2])
def test_an_interrupt_between_the_moves_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves_done: int, error: type[BaseException]
) -> None:
    target = filled(tmp_path / "r", "old")
    replace, calls = os.replace, []

    def interrupted(source: Path, place: Path) -> None:
        calls.append(place)
        if len(calls) == moves_done + 1 and moves_done < 2:
            raise error
        replace(source, place)
        if len(calls) == moves_done == 2:
            raise error

    monkeypatch.setattr(os, "replace", interrupted)
    with pytest.raises(error), swapped_in(target) as aside:
        filled(aside / "x", "new")
    whole_new = (target / "x" / "sub" / "file").exists()
    whole_old = (target / "sub" / "file").exists()
    assert whole_new == (moves_done == 2)
    assert whole_old != whole_new
    assert os.listdir(tmp_path) == ["r"]


def test_the_folder_one_works_in_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inside = filled(tmp_path / "r", "old") / "sub"
    for here, target in ((inside, ".."), (tmp_path / "r", "."), (inside, tmp_path / "r")):
        monkeypatch.chdir(here)
        with pytest.raises(UsageError, match="working in"), swapped_in(Path(target)):
            pass
    assert os.listdir(tmp_path) == ["r"]
    assert (inside / "file").read_text() == "old"


# --------------------------------------------------------------------------------------- the rest


def test_shipped_folders_are_found() -> None:
    assert list(shipped("instruments").glob("*.toml"))
    assert (shipped("demo_responses") / "study.toml").is_file()


def test_what_is_not_shipped_is_told() -> None:
    with pytest.raises(FileNotFoundError, match="nothing_of_the_kind is not beside the workbench package"):
        shipped("nothing_of_the_kind")


def test_a_shipped_folder_inside_the_package_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for place in (tmp_path / "workbench" / "_shipped" / "instruments", tmp_path / "instruments"):
        place.mkdir(parents=True)
    monkeypatch.setattr(resources, "files", lambda _: tmp_path / "workbench")
    assert shipped("instruments") == tmp_path / "workbench" / "_shipped" / "instruments"
    (tmp_path / "workbench" / "_shipped" / "instruments").rmdir()
    assert shipped("instruments") == tmp_path / "instruments"


def test_sha256_of_the_example_in_fips_180(tmp_path: Path) -> None:
    """FIPS 180-2, appendix B.1 (the value from memory, and by coreutils' sha256sum)."""
    (tmp_path / "t").write_bytes(b"abc")
    assert sha256(tmp_path / "t") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_gathering_collects_and_goes_on() -> None:
    found: list[Finding] = []
    with gathering(found):
        raise StudyError([fault("a", "", "One.", "Do."), fault("b", "row 2", "Two.", "Do.")])
    with gathering(found):
        pass
    assert [one.sentence() for one in found] == ["a: One. Do.", "b, row 2: Two. Do."]


def test_gathering_lets_other_errors_through() -> None:
    found: list[Finding] = []
    with pytest.raises(UsageError), gathering(found):
        raise UsageError("no")


def test_read_text_keeps_line_ends(tmp_path: Path) -> None:
    (tmp_path / "t").write_bytes(b"a\r\nb\n")
    assert read_text(tmp_path / "t", "t") == "a\r\nb\n"
