"""Versions of a codebook: their order, what changed, and a version as plain values."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.codebook.model import (
    Change,
    Code,
    Codebook,
    Codebooks,
    Theme,
    changes,
    codebook_content,
    codebook_from,
    version_age,
    with_changes,
)
from workbench.errors import ArgumentError, UsageError


def version(*codes: Code, name: str = "2", **further) -> Codebook:
    return Codebook(name, codes, **further)


def told(old: Codebook, new: Codebook) -> list[tuple]:
    return [(one.kind, one.before, one.after) for one in changes(old, new)]


def test_numbers_in_versions_compare_as_numbers():
    assert sorted(["10", "2", "1.10", "1.9", "2a"], key=version_age) == ["1.9", "1.10", "2", "2a", "10"]


def test_each_kind_of_change():
    old = version(
        Code("EFFORT", definition="hard"),
        Code("SOUP"),
        Code("WAVE"),
        Code("PLAY", definition="fun", label="Fun"),
        Code("HEAT"),
        Code("OLD"),
    )
    new = version(
        Code("EFFORT_BODY", split_from="EFFORT", reason="two things"),
        Code("EFFORT_MIND", split_from="EFFORT"),
        Code("SWAY", merged_from=("SOUP", "WAVE")),
        Code("PLAY", definition="fun or boring", label="Fun, a game"),
        Code("SCALD", renamed_from="HEAT", definition="burns"),
        Code("TRUST"),
        retired={"OLD": "nobody used it"},
    )
    assert told(old, new) == [
        ("split", ("EFFORT",), ("EFFORT_BODY", "EFFORT_MIND")),
        ("merged", ("SOUP", "WAVE"), ("SWAY",)),
        ("redefined", ("PLAY",), ("PLAY",)),
        ("edited", ("PLAY",), ("PLAY",)),
        ("renamed", ("HEAT",), ("SCALD",)),
        ("redefined", ("HEAT",), ("SCALD",)),
        ("added", (), ("TRUST",)),
        ("retired", ("OLD",), ()),
    ]
    split, *_, retired = changes(old, new)
    assert split.reason == "two things"
    assert retired.reason == "nobody used it"
    assert retired.sentence() == "OLD was retired: nobody used it"
    assert changes(old, new)[2].fields == ("definition",)
    assert changes(old, new)[3].fields == ("label",)


def test_a_code_that_keeps_its_name_can_be_split_and_merged():
    old = version(Code("A"), Code("B"))
    assert told(old, version(Code("A", split_from="A"), Code("A2", split_from="A"), Code("B"))) == [
        ("split", ("A",), ("A", "A2"))
    ]
    assert told(old, version(Code("A", merged_from=("A", "B")))) == [("merged", ("A", "B"), ("A",))]


def test_a_new_name_for_what_is_still_there_is_an_addition():
    assert told(version(Code("A")), version(Code("A"), Code("B", renamed_from="A"))) == [("added", (), ("B",))]


def test_an_origin_copied_on_to_a_later_version_is_not_told_again():
    second = version(
        Code("A", split_from="A"),
        Code("A2", split_from="A"),
        Code("M", merged_from=("X", "Y")),
        Code("N", renamed_from="O"),
    )
    assert changes(second, second) == []


def test_spaces_are_no_change():
    assert changes(version(Code("A", definition="so  it\nis")), version(Code("A", definition="so it is"))) == []


@given(st.lists(st.sampled_from("ABCDE"), unique=True), st.lists(st.sampled_from("ABCDE"), unique=True))
def test_without_origins_each_code_is_kept_added_or_retired(before, after):
    found = changes(version(*map(Code, before)), version(*map(Code, after)))
    assert {one.after[0] for one in found if one.kind == "added"} == set(after) - set(before)
    assert {one.before[0] for one in found if one.kind == "retired"} == set(before) - set(after)
    assert {one.kind for one in found} <= {"added", "retired"}


def test_versions_are_put_in_order_each_with_its_parent_and_its_changes():
    versions = with_changes(
        [version(Code("B"), name="10"), version(Code("A"), name="1"), version(Code("B"), name="2", parent_version="1")]
    )
    assert [one.version for one in versions] == ["1", "2", "10"]
    assert [one.parent_version for one in versions] == ["", "1", "2"]
    assert [len(one.changes) for one in versions] == [0, 2, 0]
    books = Codebooks(versions)
    assert books.current.version == "10"
    assert books.version("2").names == ("B",)
    with pytest.raises(UsageError, match="no version “3”; it has 1, 2, 10"):
        books.version("3")


def test_codes_are_found_by_name_parent_and_theme():
    book = version(Code("A", theme="T", label="Apple"), Code("B", parent="A"))
    assert book.code("B").parent == "A"
    assert [one.code for one in book.children("A")] == ["B"]
    assert [one.code for one in book.codes_of("")] == ["B"]
    assert book.labels == {"A": "Apple", "B": "B"}
    with pytest.raises(UsageError, match="no code of version 2"):
        book.code("C")


def test_a_version_is_kept_as_plain_values():
    book = with_changes(
        [
            version(Code("A", merged_from=("X", "Y"), row=3), name="1"),
            version(
                Code("B", "label"), themes=(Theme("T", "t"),), retired={"A": "gone"}, author="R1", date="2026-01-02"
            ),
        ]
    )[1]
    content = json.loads(json.dumps(codebook_content(book)))
    back = codebook_from(content)
    assert back == book
    assert (
        back.changes
        == book.changes
        == (
            Change("added", (), ("B",)),
            Change("retired", ("A",), (), reason="gone"),
        )
    )


@pytest.mark.parametrize("content", [{}, {"version": "1", "codes": [{"kode": "A"}]}, {"version": "1", "codes": 3}])
def test_what_is_no_codebook_is_refused(content):
    with pytest.raises(ArgumentError, match="`content` is no codebook"):
        codebook_from(content)
