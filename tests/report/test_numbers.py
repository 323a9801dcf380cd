"""Ids of numbers: marks that nobody sees, names of rows, and what a sentence remembers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.report.latex import to_latex
from workbench.report.numbers import cell, ids_in, number, pieces, plain, row_name, row_names, traced
from workbench.report.table import Column, Table, to_csv, to_html, to_json, to_markdown, to_text
from workbench.report.word import tables_document


def sentence() -> str:
    return f"It was {cell('omnibus', ['effort'], 'p', 'p = .459')} here."


def test_outside_traced_a_sentence_is_plain_text():
    assert sentence() == "It was p = .459 here."


def test_inside_traced_a_number_remembers_its_id():
    with traced():
        told = sentence()
    assert plain(told) == "It was p = .459 here."
    assert ids_in(told) == ["omnibus/effort/p"]
    assert pieces(told) == [("It was ", ""), ("p = .459", "omnibus/effort/p"), (" here.", "")]


def test_marks_reach_no_reader():
    with traced():
        told = sentence()
    table = Table("t", told, (Column("a", "A"),), ({"a": told},), (told,))
    for made in (to_text(table), to_csv(table), to_json(table), to_markdown(table), to_html(table), to_latex(table)):
        assert not any("\ufdd0" <= character <= "\ufdef" for character in made)
    assert b"\xef\xb7\x90" not in tables_document([table])
    assert '<span data-id="omnibus/effort/p" title="omnibus/effort/p">p\u00a0=\u00a0.459</span>' in to_html(table)


@given(st.text())
def test_text_from_a_study_cannot_break_out_of_a_mark(text):
    with traced():
        told = number("a/b/c", text)
    assert ids_in(told) == ["a/b/c"]
    assert not any(
        character in "\ufdd0\ufdd1\ufdd2" for character in plain(told) + "".join(words for words, _ in pieces(told))
    )


@pytest.mark.parametrize(
    ("values", "name"),
    [
        (["effort", "Still", "Slosh"], "effort.Still.Slosh"),
        (["a b/c", ""], "a_b_c"),
        (["", " "], "row"),
        (["שלום עולם"], "שלום_עולם"),
        (["x" * 200], "x" * 60),
    ],
)
def test_a_row_is_named_in_one_word(values, name):
    assert row_name(*values) == name


def test_rows_of_one_name_are_told_apart():
    rows = [{"measure": "a b"}, {"measure": "a/b"}, {"measure": "c"}]
    assert row_names("omnibus", rows) == ["a_b", "a_b.2", "c"]
    assert row_names("findings", rows) == ["row1", "row2", "row3"]
