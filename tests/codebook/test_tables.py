"""Codebooks as tables: versions in one file, all faults at once, and back."""

from __future__ import annotations

import pytest
from codebook.books import FULL, codebooks, read, written
from hypothesis import given, settings
from study_folders import faults_of, kinds

from workbench.codebook.model import Codebooks
from workbench.codebook.tables import codebooks_csv, read_codebooks


def test_versions_themes_and_what_was_retired(tmp_path):
    books = read(
        tmp_path,
        {"version": "2", "kind": "version", "author": "R1", "date": "2026-04-21", "reason": "after the pilot"},
        {"version": "2", "kind": "theme", "code": "FRUIT", "label": "Fruit", "definition": "grows on trees"},
        {"version": "2", "code": "A", "theme": "FRUIT", "merged_from": "X; Y", **FULL},
        {"version": "2", "code": "B", "theme": "ROOTS", "parent": "A"},
        {"version": "2", "kind": "retired", "code": "C", "reason": "rare"},
        {"version": "1", "code": "C"},
    )
    first, second = books.versions
    assert (first.version, second.version, second.parent_version) == ("1", "2", "1")
    assert (second.author, second.date, second.reason) == ("R1", "2026-04-21", "after the pilot")
    assert [one.theme for one in second.themes] == ["FRUIT", "ROOTS"]
    assert second.code("A").merged_from == ("X", "Y")
    assert second.code("A").row == 4
    assert second.code("B").parent == "A"
    assert [(one.kind, one.reason) for one in second.changes] == [("added", ""), ("added", ""), ("retired", "rare")]


def test_two_columns_are_enough(tmp_path):
    path = tmp_path / "codebook.csv"
    path.write_text("version;code\n1;A\n1;B\n", encoding="utf-8")
    assert read_codebooks(path, "codebook.csv").current.names == ("A", "B")


def test_columns_that_are_not_known_and_columns_that_are_missing(tmp_path):
    found = faults_of(read_codebooks, written(tmp_path, columns=("version", "deffinition")), "codebook.csv")
    assert kinds(found) == ["unknown column", "missing column"]
    assert "“definition”" in found[0].remedy


@pytest.mark.parametrize(
    ("rows", "kind", "place"),
    [
        ([{"code": "A", "version": ""}], "bad version", "row 2, column version"),
        ([{"code": "A", "version": "two parts"}], "bad version", "row 2, column version"),
        ([{"code": "A"}, {"code": "A"}], "duplicate", "rows 2, 3"),
        ([{"code": "A"}, {"kind": "version"}, {"kind": "version"}], "duplicate", "rows 3, 4"),
        ([{"code": ""}], "wrong value", "row 2, column code"),
        ([{"code": "A;B"}], "wrong value", "row 2, column code"),
        ([{"code": "A\nB"}], "wrong value", "row 2, column code"),
        ([{"code": "A", "kind": "cod"}], "wrong value", "row 2, column kind"),
        ([{"code": "A", "date": "2 March"}], "wrong value", "row 2, column date"),
        ([{"code": "A", "parent": "A"}], "circle", "row 2, column parent"),
        ([{"code": "A", "parent": "B"}, {"code": "B", "parent": "A"}], "circle", "rows 2, 3, column parent"),
        ([{"code": "A"}, {"kind": "version", "parent": "0"}], "bad version", "version 1, column parent"),
        ([{"code": "A"}, {"kind": "version", "parent": "1"}], "bad version", "version 1, column parent"),
        ([{"kind": "theme", "code": "T"}], "no codes", "version 1"),
        ([], "no codes", ""),
    ],
)
def test_faults(tmp_path, rows, kind, place):
    (found,) = faults_of(read_codebooks, written(tmp_path, *rows), "codebook.csv")
    assert (found.kind, found.place) == (kind, place)


def test_a_tail_that_leads_into_a_circle_is_told_once(tmp_path):
    rows = [{"code": "A", "parent": "B"}, {"code": "B", "parent": "C"}, {"code": "C", "parent": "B"}]
    (found,) = faults_of(read_codebooks, written(tmp_path, *rows), "codebook.csv")
    assert "B → C → B" in found.found


def test_all_faults_are_told_at_once(tmp_path):
    rows = [{"code": "A", "date": "x"}, {"code": "", "version": "!"}, {"code": "B"}, {"code": "B"}]
    assert len(faults_of(read_codebooks, written(tmp_path, *rows), "codebook.csv")) == 4


def test_the_same_code_in_two_versions_is_no_duplicate(tmp_path):
    assert len(read(tmp_path, {"code": "A"}, {"version": "2", "code": "A"}).versions) == 2


def test_text_that_looks_like_a_formula_comes_back_as_it_was(tmp_path):
    books = read(tmp_path, {"code": "A", "definition": "'=1+1", "example": "'tis heavy", "near_miss": "- no"})
    code = books.current.code("A")
    assert (code.definition, code.example, code.near_miss) == ("=1+1", "'tis heavy", "- no")
    text = codebooks_csv(books)
    assert "'=1+1" in text
    assert "'- no" in text
    (tmp_path / "again.csv").write_text(text, encoding="utf-8")
    assert read_codebooks(tmp_path / "again.csv", "again.csv").current == books.current


@settings(max_examples=40)
@given(codebooks())
def test_what_is_written_is_read_again(tmp_path_factory, book):
    path = tmp_path_factory.mktemp("book") / "codebook.csv"
    path.write_text(codebooks_csv(Codebooks((book,))), encoding="utf-8")
    assert read_codebooks(path, "codebook.csv").current == book
