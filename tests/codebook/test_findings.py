"""What to look at in a codebook: one case for each finding, and the similarity by hand and by another library."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from codebook.books import FULL, read
from hypothesis import given
from hypothesis import strategies as st
from study_folders import kinds

from workbench.codebook.findings import OVERLAP, codebook_findings, overlaps
from workbench.codebook.model import Code

PEAR = {
    "code": "B",
    "label": "Pear",
    "definition": "green",
    "when_to_use": "hanging",
    "when_not_to_use": "-",
    "example": "e",
    "near_miss": "n",
}


def test_a_full_codebook_gives_no_finding(tmp_path):
    assert codebook_findings(read(tmp_path, {"code": "A", **FULL}, PEAR)) == []


@pytest.mark.parametrize(
    ("field", "words", "severity"),
    [
        ("definition", "no definition", "attention"),
        ("when_to_use", "no rule when to use it", "attention"),
        ("when_not_to_use", "no rule when not to use it", "attention"),
        ("example", "no typical example", "attention"),
        ("near_miss", "no near miss", "note"),
        ("label", "no label", "note"),
    ],
)
def test_what_a_code_lacks(tmp_path, field, words, severity):
    (found,) = codebook_findings(read(tmp_path, {"code": "A", **FULL, field: ""}, PEAR))
    assert (found.severity, found.kind, found.found) == (severity, "incomplete code", f"A: {words}.")
    assert found.place == "version 1, row 2"
    assert "MacQueen" in found.basis


def test_a_full_definition_is_a_definition(tmp_path):
    assert codebook_findings(read(tmp_path, {"code": "A", **FULL, "definition": "", "full_definition": "red"})) == []


def test_codes_and_labels_alike(tmp_path):
    found = codebook_findings(read(tmp_path, {"code": "A b", **FULL}, PEAR | {"code": "ab", "label": " apple"}))
    assert kinds(found) == ["codes alike", "codes alike"]
    assert found[0].found == "A b, ab differ in capitals or spaces alone."


def test_a_parent_that_is_no_code(tmp_path):
    (found,) = codebook_findings(read(tmp_path, {"code": "A", "parent": "Z", **FULL}))
    assert (found.kind, found.place) == ("unknown parent", "version 1, row 2")


def test_a_theme_without_a_definition(tmp_path):
    (found,) = codebook_findings(read(tmp_path, {"code": "A", "theme": "T", **FULL}))
    assert found.found == "T: themes without a definition."


def test_origins_that_nothing_explains(tmp_path):
    rows = [{"code": "A", **FULL}, {"version": "2", "code": "A", **FULL}]
    unknown = codebook_findings(read(tmp_path, *rows, PEAR | {"version": "2", "split_from": "Q"}))
    assert kinds(unknown) == ["unknown origin"]
    still_there = codebook_findings(read(tmp_path, *rows, PEAR | {"version": "2", "renamed_from": "A"}))
    assert kinds(still_there) == ["unclear origin"]


def test_a_code_that_is_gone_without_a_word(tmp_path):
    rows = [{"code": "A", **FULL}, PEAR, {"version": "2", "code": "A", **FULL}]
    assert kinds(codebook_findings(read(tmp_path, *rows))) == ["code gone"]
    retired = {"version": "2", "kind": "retired", "code": "B", "reason": "rare"}
    assert codebook_findings(read(tmp_path, *rows, retired)) == []
    explained = {"version": "2", "kind": "version", "reason": "shortened"}
    assert codebook_findings(read(tmp_path, *rows, explained)) == []


def test_definitions_that_overlap_are_named_with_their_words(tmp_path):
    twin = PEAR | {"definition": "red fruit", "when_to_use": "for fruit that is red", "label": "Cherry"}
    (found,) = codebook_findings(read(tmp_path, {"code": "A", **FULL}, twin))
    assert found.kind == "overlapping definitions"
    assert found.place == "version 1, rows 2, 3"
    assert "A and B are alike (similarity 0." in found.found
    assert "shared words: red, fruit" in found.found or "shared words: fruit, red" in found.found
    assert "a convention of ours" in found.basis
    assert f"{OVERLAP:g}" in found.basis


def test_the_rule_when_not_to_use_a_code_does_not_count_as_overlap():
    codes = [Code("A", definition="red apple", when_not_to_use="green pear"), Code("B", definition="green pear")]
    assert overlaps(codes, at_least=1e-9) == []


def test_similarity_by_hand():
    # two codes: "soup" in both, so idf 1; "hot" and "cold" in one each, so idf ln(3/2) + 1
    rare = math.log(3 / 2) + 1
    (found,) = overlaps([Code("A", definition="hot soup"), Code("B", definition="cold soup")])
    assert found.similarity == pytest.approx(1 / (1 + rare**2), rel=1e-12)
    assert found.words == ("soup",)


WORDS = st.lists(st.sampled_from(["soup", "pot", "ladle", "kettle", "stove", "broth"]), min_size=1, max_size=8)


@given(st.lists(WORDS, min_size=2, max_size=5))
def test_similarity_by_another_route(texts):
    counts = [Counter(text) for text in texts]
    words = sorted(set().union(*texts))
    times = np.array([[count[word] for word in words] for count in counts], dtype=float)
    weights = times * (np.log((1 + len(texts)) / (1 + (times > 0).sum(axis=0))) + 1)
    weights /= np.linalg.norm(weights, axis=1, keepdims=True)
    found = {
        (one.first, one.second): one.similarity
        for one in overlaps(
            [Code(f"{place}", definition=" ".join(text)) for place, text in enumerate(texts)], at_least=0
        )
    }
    for (first, second), similarity in found.items():
        assert similarity == pytest.approx(float(weights[int(first)] @ weights[int(second)]), abs=1e-12)
    assert len(found) == len(texts) * (len(texts) - 1) / 2


def test_codes_without_words_overlap_with_nothing():
    assert overlaps([Code("A"), Code("B"), Code("C", definition="a")]) == []
    assert overlaps([Code("A", definition="the and of"), Code("B", definition="the and of")]) == []
    assert len(overlaps([Code("A", definition="the and of"), Code("B", definition="the and of")], language="de")) == 1


def test_examples_are_looked_for_in_the_transcripts(tmp_path):
    books = read(tmp_path, {"code": "A", **FULL}, PEAR)
    (found,) = codebook_findings(books, texts=["Well, “I ate — it”, she said.", "the pot"])
    assert found.kind == "example not in transcripts"
    assert found.found.startswith("The typical examples of B stand")
    assert codebook_findings(books, texts=["I ate it", "e"]) == []
    assert len(codebook_findings(books, texts=["she ate", "it e"])) == 1


def test_how_codes_were_used(tmp_path):
    books = read(tmp_path, {"code": "A", **FULL}, PEAR)
    assert codebook_findings(books, used={"1": {"A": 3, "B": 1}}) == []
    found = codebook_findings(books, used={"1": {"A": 3, "C": 2}, "7": {"A": 1}})
    assert kinds(found) == ["unknown version", "code not in codebook", "code never used"]
    assert "B: never applied under version 1." in found[2].found
    assert codebook_findings(books, used={}) == []


def test_a_parent_need_not_be_applied_itself(tmp_path):
    books = read(tmp_path, {"code": "A", **FULL}, PEAR | {"parent": "A"})
    assert codebook_findings(books, used={"1": {"B": 1}}) == []
