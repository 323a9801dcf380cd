"""The demo's codebook: complete, in step with study.toml and the codings, and its changes told."""

from __future__ import annotations

import csv
import tomllib
from collections import Counter, defaultdict

import pytest
from demo_generator import CODES

from workbench.codebook.findings import codebook_findings
from workbench.codebook.tables import read_codebooks
from workbench.files import shipped
from workbench.study import open_study
from workbench.transcripts.reading import read_transcripts

DEMO = shipped("demo_responses")
SPLIT = "EFFORT"


@pytest.fixture(scope="module")
def books():
    return read_codebooks(DEMO / "codebook.csv", "codebook.csv")


def test_it_has_the_codes_and_labels_of_the_study(books):
    first, second = books.versions
    labels = tomllib.loads((DEMO / "study.toml").read_text(encoding="utf-8"))["interviews"]["code_labels"]
    assert set(second.names) == set(CODES)
    assert set(first.names) == set(CODES) - {"EFFORT_BODY", "EFFORT_MIND"} | {SPLIT}
    assert first.labels | second.labels == labels


def test_one_code_was_split_and_the_reason_stands_there(books):
    told = Counter(one.kind for one in books.current.changes)
    assert told["split"] == 1
    assert set(told) == {"split", "redefined", "edited"}
    (split,) = [one for one in books.current.changes if one.kind == "split"]
    assert (split.before, split.after) == ((SPLIT,), ("EFFORT_BODY", "EFFORT_MIND"))
    assert all(one.reason for one in books.current.changes)


def test_it_says_that_it_is_invented(books):
    assert all("nvented" in one.reason for one in books.versions)


def test_nothing_is_missing_examples_are_quotes_and_the_pair_alike_is_named(books):
    used = defaultdict(Counter)
    for path in sorted((DEMO / "codings").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                used[row["codebook_version"]][row["code"]] += bool(row["code"])
    counts_by_version = {version: {code: n for code, n in counts.items() if code} for version, counts in used.items()}
    turns = [turn.text for one in read_transcripts(open_study(DEMO)).items for turn in one.turns]
    found = codebook_findings(books, used=counts_by_version, texts=turns)
    assert [(one.kind, "GUIDANCE and TRUST" in one.found) for one in found] == [("overlapping definitions", True)]


def test_the_codes_that_raters_mix_up_name_each_other(books):
    assert "EFFORT_BODY" in books.current.code("HEFT").when_not_to_use
    assert "HEFT" in books.current.code("EFFORT_BODY").when_not_to_use
    assert "TRUST" in books.current.code("GUIDANCE").when_not_to_use
    assert "GUIDANCE" in books.current.code("TRUST").when_not_to_use
