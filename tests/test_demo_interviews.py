"""The demo's interviews: files as generated, units as coded, and how much automatic searches find in them."""

from __future__ import annotations

import csv
from collections import Counter, defaultdict
from pathlib import Path

import demo_transcripts
import pytest

from workbench.codebook.findings import codebook_findings
from workbench.coding.codings import read_codings
from workbench.coding.material import Material, codes_used, identifiers, read_material
from workbench.coding.units import boundary_score, learn_sentences
from workbench.study import Study, open_study

pytestmark = pytest.mark.xdist_group("test_demo_interviews")
"""What the whole module shares is made once."""

FOLDER = Path(__file__).parent.parent / "demo_responses"
SOURCES = Path(__file__).parent / "demo_interviews"


@pytest.fixture(scope="module")
def study() -> Study:
    return open_study(FOLDER)


@pytest.fixture(scope="module")
def material(study) -> Material:
    return read_material(study)


def test_the_transcripts_are_what_the_generator_makes():
    for name, content in demo_transcripts.files().items():
        assert (demo_transcripts.FOLDER / name).read_bytes() == content, name
    there = {path.relative_to(demo_transcripts.FOLDER).as_posix() for path in demo_transcripts.FOLDER.rglob("*.*")}
    assert there == set(demo_transcripts.files())


def test_fourteen_interviews_of_600_to_1500_words_and_one_not_in_english(material):
    words = {name: demo_transcripts.words_spoken(name) for name in demo_transcripts.FORMATS}
    assert len(words) == 14
    assert all(600 <= count <= 1500 for count in words.values()), words
    assert [one.name for one in material.transcripts.items if one.language != "en"] == ["A17"]
    assert {one.name for one in material.transcripts.items if one.translation} == {"A17"}


def test_every_word_of_the_interviews_is_read_whatever_the_format(material):
    for name, transcript in material.working.items():
        lines = demo_transcripts.interview(name)
        assert [turn.text for turn in transcript.turns] == [line.text for line in lines]
        assert [turn.role == "interviewer" for turn in transcript.turns] == [line.interviewer for line in lines]
        assert [turn.question for turn in transcript.turns] == [line.stage for line in lines]


def test_the_units_are_those_that_were_coded(material):
    coded = defaultdict(set)
    for path in (FOLDER / "codings").glob("*.csv"):
        for row in csv.DictReader(path.open(encoding="utf-8")):
            coded[row["transcript"]].add(row["unit"])
    assert {name: {unit.id for unit in units.items} for name, units in material.units.items()} == coded


def test_the_codebook_has_the_codes_of_the_codings_and_little_to_mend(study, material):
    codings = read_codings(study)
    assert codings is not None
    assert material.codebooks is not None
    used = codes_used(codings.rows, material.codebooks)
    names = {one.version: set(one.names) for one in material.codebooks.versions}
    assert set(used["2"]) == names["2"]
    assert set(used["1"]) == names["1"] - {"SCALD"}  # the rare code, which nobody met in the pilot round
    assert study.declared.interviews.code_labels == {
        code: label for one in material.codebooks.versions for code, label in one.labels.items()
    }
    found = codebook_findings(material.codebooks, used=used)
    assert Counter(one.kind for one in found) == {"overlapping definitions": 1}


def test_how_many_planted_identifiers_the_search_finds(material, capsys):
    """The figure is printed and says nothing about other transcripts; no search is complete."""
    planted = [
        row
        for name in ("identifiers_a.csv", "identifiers_b.csv")
        for row in csv.DictReader((SOURCES / name).open(encoding="utf-8"))
    ]
    for row in planted:
        turns = {turn.id: turn.text for turn in material.working[row["transcript"]].turns}
        assert row["phrase"] in turns[row["turn"]], row
    proposed = [(one.transcript, str(one.turn), one.phrase) for one in identifiers(material)]
    found = [
        row
        for row in planted
        if any(
            (row["transcript"], row["turn"]) == (name, turn) and (row["phrase"] in phrase or phrase in row["phrase"])
            for name, turn, phrase in proposed
        )
    ]
    with capsys.disabled():
        print(f"\nplanted identifiers: {len(found)} of {len(planted)} found, in {len(proposed)} proposals")
    assert len(found) >= 0.85 * len(planted)


def marked_turns(material: Material) -> dict[str, list[list[str]]]:
    """Turns of the demo cut into sentences by hand, by language; they are the words of the transcripts."""
    turns: dict[str, list[list[str]]] = defaultdict(list)
    texts = material.texts()
    for block in (SOURCES / "sentences.txt").read_text(encoding="utf-8").strip().split("\n\n"):
        place, *sentences = block.splitlines()
        unit, language = place.split()
        assert " ".join(sentences) == texts[unit], unit
        turns[language].append(sentences)
    return turns


@pytest.mark.parametrize(("language", "least"), [("en", 250), ("de", 60)])
def test_sentences_against_marks_by_hand(material, capsys, language, least):
    """Punkt learns from these transcripts; the figure holds for them, and they are cleanly punctuated."""
    learned = learn_sentences(material.transcripts.items)
    score = boundary_score(marked_turns(material)[language], learned, language)
    with capsys.disabled():
        print(
            f"\nsentence boundaries ({language}): {score.n_hit} of {score.n_marked} found, {score.n_found - score.n_hit} too many"
        )
    assert score.n_marked >= least
    assert score.n_hit >= 0.97 * score.n_marked
    assert score.n_hit >= 0.97 * score.n_found
