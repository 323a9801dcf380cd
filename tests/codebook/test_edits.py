"""A codebook changed step by step: what changed is told, and what does not fit is said."""

from __future__ import annotations

import pytest

from workbench.codebook.edits import NO_CHANGE, added, edited, merged, next_version, renamed, retired, split
from workbench.codebook.model import Code, Codebook, codebook_content, codebook_from, with_changes

BOOK = Codebook("1", (Code("HEFT", "Weight", definition="Heavy."), Code("TUG", "Pull", parent="HEFT"), Code("SWAY")))


def told(book: Codebook) -> list[tuple[str, tuple[str, ...], tuple[str, ...]]]:
    return [(one.kind, one.before, one.after) for one in book.changes]


@pytest.mark.parametrize(
    ("before", "after"), [("1", "2"), ("9", "10"), ("1.9", "1.10"), ("v3b", "v4b"), ("draft", "draft2")]
)
def test_versions_count_on(before, after):
    assert next_version(before) == after


def test_each_step_says_what_it_was():
    assert told(edited(BOOK, "HEFT", {"definition": "Heavy or light."})) == [("redefined", ("HEFT",), ("HEFT",))]
    assert told(edited(BOOK, "HEFT", {"label": "The weight"})) == [("edited", ("HEFT",), ("HEFT",))]
    assert told(added(BOOK, "VOICE", {"label": "The voice"})) == [("added", (), ("VOICE",))]
    assert ("renamed", ("HEFT",), ("WEIGHT",)) in told(renamed(BOOK, "HEFT", "WEIGHT"))
    assert ("retired", ("HEFT",), ()) in told(retired(BOOK, "HEFT"))
    assert ("merged", ("HEFT", "SWAY"), ("BOTH",)) in told(merged(BOOK, ["HEFT", "SWAY"], "BOTH", {}))
    assert ("split", ("HEFT",), ("FULL", "EMPTY")) in told(split(BOOK, "HEFT", [("FULL", {}), ("EMPTY", {})]))


@pytest.mark.parametrize(
    "made",
    [
        renamed(BOOK, "HEFT", "WEIGHT"),
        retired(BOOK, "HEFT"),
        merged(BOOK, ["HEFT", "SWAY"], "BOTH", {}),
        split(BOOK, "HEFT", [("A", {}), ("B", {})]),
    ],
)
def test_no_code_is_left_below_one_that_is_gone(made):
    assert {one.parent for one in made.codes} <= {"", *made.names}


def test_a_version_comes_back_from_the_journal_with_the_same_changes():
    made = split(BOOK, "HEFT", [("FULL", {"definition": "d"}), ("EMPTY", {})])
    again = codebook_from(codebook_content(made))
    assert with_changes([BOOK, again])[-1].changes == made.changes


def test_what_does_not_fit_is_said():
    assert edited(BOOK, "HEFT", {"label": "Weight"}) == NO_CHANGE
    assert "already" in added(BOOK, "SWAY", {})
    assert "already" in renamed(BOOK, "HEFT", "SWAY")
    assert "name" in added(BOOK, "", {})
    assert "stroke" in added(BOOK, "A/B", {})
    assert "two codes" in merged(BOOK, ["HEFT"], "BOTH", {})
    assert "already" in split(BOOK, "HEFT", [("A", {}), ("A", {})])
