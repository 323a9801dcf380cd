"""Instruments that a person makes or adapts: their TOML, their checks, and where they are saved."""

from __future__ import annotations

from dataclasses import replace

import pytest

from workbench.errors import StudyError, UsageError
from workbench.files import shipped
from workbench.instrument import library, read_instrument
from workbench.instrument_edits import Draft, adapted_text, checked_instrument, drafted_text, save_instrument

DRAFT = Draft(
    id="calm",
    title="Calm",
    about="How calm one was.",
    instruction="How far does it fit?",
    items=["I felt calm.", "I was tense. (r)", "", "  I said “wait”.  "],
    low=1,
    high=5,
    anchor_low="Not at all",
    anchor_high="Completely",
    label="Calm",
    score="mean",
    answers_needed=2,
    higher="calmer",
    source="These tests.",
)


def test_a_draft_says_what_its_fields_say():
    made = checked_instrument(drafted_text(DRAFT))
    assert [(item.text, item.reverse) for item in made.items] == [
        ("I felt calm.", False),
        ("I was tense.", True),
        ("I said “wait”.", False),
    ]
    assert made.response_of("calm2").range == (1, 5)
    assert made.response_of("calm1").anchors == {"1": "Not at all", "5": "Completely"}
    scale = made.scales[0]
    assert (scale.score, scale.answers_needed, scale.higher) == ("mean", 2, "calmer")
    assert made.validation.startswith("Unvalidated")


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"high": 1}, "low is 1, high is 1"),
        ({"id": "1 calm"}, "id"),
        ({"anchor_high": "not at all"}, "stands for 2 answers"),
        ({"answers_needed": 9}, "9 answers are needed of 3 items"),
        ({"items": []}, "items"),
    ],
)
def test_an_unsound_draft_is_refused_with_its_place(change, found):
    with pytest.raises(StudyError) as raised:
        checked_instrument(drafted_text(replace(DRAFT, **change)))
    assert found in str(raised.value)


def test_no_toml_is_refused_in_words():
    with pytest.raises(StudyError, match="no valid TOML"):
        checked_instrument("id = calm")


@pytest.mark.parametrize("name", sorted(library()))
def test_every_instrument_of_the_library_can_be_adapted(name, tmp_path):
    made = checked_instrument(adapted_text(name, "mine", tmp_path))
    original = read_instrument(library()[name], name)
    assert made.items == original.items
    assert made.scales == original.scales
    assert made.source == f"Adapted from {name} {original.version}. {original.source}"
    assert made.validation.startswith("Unvalidated as adapted.")


def test_comments_of_an_adapted_file_stay(tmp_path):
    (tmp_path / "instruments").mkdir()
    text = (shipped("instruments") / "effort.toml").read_text()
    (tmp_path / "instruments" / "effort.toml").write_text("# ours\n" + text)
    assert adapted_text("effort", "mine", tmp_path).startswith("# ours\n")


def test_saving_refuses_what_is_there_or_keeps_it_beside(tmp_path):
    text = drafted_text(DRAFT)
    assert save_instrument(tmp_path, text) == "instruments/calm.toml"
    assert save_instrument(tmp_path, text) == "instruments/calm.toml"
    changed = text.replace("I felt calm.", "I felt at ease.")
    with pytest.raises(UsageError, match="exists already"):
        save_instrument(tmp_path, changed)
    save_instrument(tmp_path, changed, replacing=True)
    assert (tmp_path / "instruments" / "calm.toml").read_text() == changed
    assert (tmp_path / "instruments" / "calm.toml.1").read_text() == text
    assert list(library(tmp_path)) == [*library(), "calm"]


def test_nothing_is_saved_in_a_folder_that_is_gone(tmp_path):
    with pytest.raises(UsageError, match="no longer there"):
        save_instrument(tmp_path / "gone", drafted_text(DRAFT))
    assert not (tmp_path / "gone").exists()
