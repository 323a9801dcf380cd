"""The pages on interviews without a browser: what they record, and that nobody sees an open round."""

from __future__ import annotations

from typing import Any
from uuid import uuid4

import pytest
from study_to_code import study_to_code

from workbench.app import panel
from workbench.coding.material import read_material
from workbench.coding.rounds import submit_round
from workbench.pseudonyms.key import KEY_FILE, load_key
from workbench.store.opening import has_store, open_store
from workbench.store.operations import new_operation

SECRET = "SEEN-BY-NOBODY"


@pytest.fixture
def study(tmp_path):
    return study_to_code(tmp_path)


def write(at: Any, label: str, words: str) -> None:
    boxes = [one for one in (*at.text_input, *at.text_area) if one.label == label]
    boxes[0].set_value(words)


def entries(study, **chosen):
    with open_store(study) as journal:
        return journal.history(**chosen)


def coded(study, rater: str, code: str, unit: str = "A03-002", *, memo: str = "") -> None:
    content = {
        "participant": unit[:3],
        "unit": unit,
        "start": None,
        "end": None,
        "quote": "",
        "code": code,
        "about": [],
        "stance": "",
    }
    place = {"round": "first", "transcript": unit[:3], "version": "1"}
    with open_store(study) as journal:
        journal.record([new_operation(rater, "coding", f"first/{unit[:3]}/{unit}/-/{code}/{rater}", content, **place)])
        if memo:
            told = {"on": "unit", "name": unit, "text": memo}
            journal.record(
                [new_operation(rater, "memo", f"unit/{unit}/{uuid4().hex}", told, round="first", transcript=unit[:3])]
            )


def handed_in(study, *raters: str) -> None:
    with open_store(study) as journal:
        for one in raters:
            submit_round(journal, study, "first", rater=one, why="a part was agreed on")


def test_looking_begins_no_database_and_every_page_can_be_looked_at(study, rater, pages):
    shown = pages(study.folder)
    for name, views in {
        "interviews": ["One transcript", "Units", "Pseudonyms", "Permissions"],
        "coding": [],
        "reading": ["Codes together", "Themes", "Memos"],
        "agreement": ["Agreement", "Differences"],
    }.items():
        assert shown.open(name).markup
        for view in views:
            assert shown.view(view).markup
    assert not has_store(study)


def test_who_looks_after_the_study_sees_how_far_and_no_coding_of_an_open_round(study, rater, pages):
    coded(study, "R1", "HEFT", memo=SECRET)
    coded(study, "R2", "SWAY")
    shown = pages(study.folder)
    assert "R1 1, R2 1" in shown.open("coding").markup
    for name, views in {
        "reading": ["Codes together", "Memos", "Excerpts"],
        "agreement": ["Agreement", "Differences", "Progress"],
    }.items():
        shown.open(name)
        for view in views:
            markup = shown.view(view).markup
            assert SECRET not in markup
            assert "It was heavy." not in markup
    assert not any(one.label == "Which codings" for one in shown.open("reading").at.radio)


def test_a_rater_reads_their_own_codings_and_no_others(study, rater, pages):
    coded(study, "R1", "HEFT", memo=SECRET)
    coded(study, "R2", "HEFT", "A03-004")
    rater("R2")
    markup = pages(study.folder).open("reading").choose("Code", "HEFT").markup
    assert "It came late." in markup
    assert "<blockquote lang='en' dir='auto'>It was heavy.</blockquote>" not in markup
    assert SECRET not in markup


def test_after_all_have_handed_in_agreement_and_differences_are_shown(study, rater, pages):
    for one, code in (("R1", "HEFT"), ("R2", "SWAY")):
        coded(study, one, code)
        coded(study, one, "VOICE", "A03-006")
    handed_in(study, "R1")
    shown = pages(study.folder).open("agreement")
    assert "No round is closed yet" in shown.view("Agreement").markup
    assert "no longer blind" in shown.view("Differences").markup
    handed_in(study, "R2")
    assert "Agreement between raters by code" in shown.view("Agreement").markup
    assert "1 of 1 differences are open" in shown.view("Differences").markup


def test_a_difference_is_settled_from_what_a_rater_coded_and_nothing_is_taken_for_granted(study, rater, pages):
    for one, code, other in (("R1", "HEFT", "VOICE"), ("R2", "SWAY", "HEFT")):
        coded(study, one, code)
        coded(study, one, other, "A03-004")
    handed_in(study, "R1", "R2")
    rater("R1")
    shown = pages(study.folder).open("agreement").view("Differences")
    assert "Choose what applies" in shown.press("Settle it").markup
    assert "2 of 2 differences are open" in shown.markup
    next(one for one in shown.at.button if one.label == "Take this").click().run()
    assert "Say what the difference was" in shown.press("Settle it").markup
    next(one for one in shown.at.radio if one.label == "What the difference was").set_value("slip")
    write(shown.at, "Reason", "It is heavy.")
    assert "Agreed on A03-002: HEFT. The next one that is open is A03-004." in shown.press("Settle it").markup
    assert "It came late." in shown.markup
    assert next(one for one in shown.at.radio if one.label == "What the difference was").value is None
    (agreed,) = entries(study, kind="consensus")
    assert [one["code"] for one in agreed.content["codes"]] == ["HEFT"]


def test_units_of_a_round_handed_in_are_looked_at_again_after_it_is_asked_back(study, rater, pages):
    coded(study, "R1", "HEFT")
    handed_in(study, "R1")
    rater("R1")
    shown = pages(study.folder).open("coding").view("To be coded anew")
    assert "Nothing is left to look at again" in shown.markup
    shown.view("Codebook")
    write(shown.at, "Short definition", "Only heavy.")
    write(shown.at, "Reason (it is kept with the version)", "too wide")
    shown.press("Keep it as version 2")
    assert "You have handed in first." in shown.view("To be coded anew").markup
    shown.press("Ask it back")
    write(shown.at, "Reason (for asking back)", "the codebook changed")
    assert "first is open again." in shown.press("Ask it back").markup
    shown.view("To be coded anew").press("Open it")
    assert shown.at.session_state["goto"] == "A03-002"
    shown.press("Next unit to look at again")
    assert shown.at.session_state["goto"] == "A03-002"


def test_what_the_browser_sends_is_recorded_as_the_rater_of_the_session(study, rater, pages):
    rater("R1")
    shown = pages(study.folder).open("coding")
    assert not shown.at.exception
    place = panel.Place("R1", "first", "A01")
    content = {
        "participant": "A01",
        "unit": "A01-002",
        "start": None,
        "end": None,
        "quote": "",
        "code": "HEFT",
        "about": [],
        "stance": "",
    }
    one = {"id": uuid4().hex, "by": "R1", "kind": "coding", "key": "first/A01/A01-002/-/HEFT/R1", "content": content, "round": "first",
           "transcript": "A01", "version": "1", "why": "", "at": "2026-03-02T09:30:00+00:00"}  # fmt: skip
    other = one | {"id": uuid4().hex, "by": "R2", "key": "first/A01/A01-002/-/HEFT/R2"}
    shown.at.session_state[place.key] = {"sent": {"face": "", "seen": 0, "operations": [one, other], "nonce": 1}}
    shown.at.run()
    assert [(entry.id, entry.by) for entry in entries(study)] == [(one["id"], "R1")]


def test_a_correction_is_kept_beside_the_file_and_taken_back(study, rater, pages):
    rater("R1")
    shown = (
        pages(study.folder).open("interviews").view("One transcript").choose("Transcript", "A03").choose("Turn", "2")
    )
    write(shown.at, "The words as they stand, once in the turn", "heavy")
    write(shown.at, "What should stand there (nothing takes the words out)", "weighty")
    assert "It was weighty." in shown.press("Record the correction").markup
    assert "heavy" in study.path("transcripts/A03.txt").read_text(encoding="utf-8")
    assert entries(study)[-1].content["action"] == "replace"
    assert "It was heavy." in shown.press("Take back my latest correction or split").markup


def test_words_that_stand_there_not_once_are_told(study, rater, pages):
    rater("R1")
    shown = (
        pages(study.folder).open("interviews").view("One transcript").choose("Transcript", "A03").choose("Turn", "2")
    )
    write(shown.at, "The words as they stand, once in the turn", "nowhere")
    assert "stands 0 times" in shown.press("Record the correction").markup
    assert not has_store(study)


def test_units_are_split_joined_and_fixed(study, rater, pages):
    rater("R1")
    shown = pages(study.folder).open("interviews").view("Units").choose("Transcript", "A03").choose("Unit", "A03-006")
    write(shown.at, "Split before these words, which stand once in the unit", "A03.")
    assert "9 units (answers)" in shown.press("Split it").markup
    assert "8 units (answers)" in shown.press("Join it with the next").markup
    assert "<blockquote dir='auto'>She helped A03.</blockquote>" in shown.markup
    shown.choose("Unit", "A03-004").press("Join it with the next")
    assert "7 units (answers)" in shown.markup
    assert "8 units (answers)" in shown.press("Undo its splits and joins").markup
    assert "They are not fixed yet" in shown.markup
    assert "Fixed by R1" in shown.press("Fix all units as they are").markup
    assert [one.kind for one in entries(study)] == ["unit"] * 4 + ["units fixed"]


def test_parts_are_cut_again_and_joined_and_no_other_cut_is_lost(study, rater, pages):
    rater("R1")
    before = "Split before these words, which stand once in the unit"
    shown = pages(study.folder).open("interviews").view("Units").choose("Transcript", "A03").choose("Unit", "A03-006")

    def texts() -> list[str]:
        return [one.text for one in read_material(study).units["A03"].items if one.id.startswith("A03-006")]

    for unit, words in (("A03-006", "A03."), ("A03-006", "helped")):
        shown.choose("Unit", unit)
        write(shown.at, before, words)
        shown.press("Split it")
    assert texts() == ["She", "helped", "A03."]
    shown.choose("Unit", "A03-006:2").press("Join it with the next")
    assert texts() == ["She", "helped A03."]
    shown.choose("Unit", "A03-004").press("Join it with the next")
    write(shown.at, before, "late")
    assert "was joined with the unit after it" in shown.press("Split it").markup


def test_a_pseudonym_is_confirmed_in_context_and_its_words_stay_out_of_the_journal(study, rater, pages):
    rater("R1")
    shown = pages(study.folder).open("interviews").view("Pseudonyms")
    write(shown.at, "Words that identify somebody", "heavy")
    shown.at.run()
    write(shown.at, "Replace them by", "[weight]")
    shown.press("Replace them everywhere")
    assert "It was [weight]." in shown.view("One transcript").choose("Transcript", "A03").markup
    (key,) = load_key(study.path(KEY_FILE)).entries
    assert (key.phrase, key.replacement, key.by) == ("heavy", "[weight]", "R1")
    assert "heavy" not in str(entries(study))


def test_a_permission_needs_a_person_and_a_reason(study, rater, pages):
    shown = pages(study.folder).open("interviews").view("Permissions").choose("Participant", "A03")
    shown.at.checkbox[0].set_value(False).run()
    assert "Say who decides" in shown.press("Record it").markup
    write(shown.at, "Who decides (your name or initials; it is kept with the decision)", "MK")
    shown.at.run()
    assert "Give the reason" in shown.press("Record it").markup
    write(shown.at, "Reason, such as the date of the letter", "letter of 2 March")
    assert "is recorded" in shown.press("Record it").markup
    (entry,) = entries(study)
    assert (entry.key, entry.by, entry.content["quotes"]) == ("A03", "MK", False)


def test_the_codebook_changed_in_place_is_a_new_version_with_its_reason(study, rater, pages):
    rater("R2")
    shown = pages(study.folder).open("coding").view("Codebook")
    assert "Nothing was changed yet" in shown.press("Keep it as version 2").markup
    write(shown.at, "Short definition", "Said to be heavy, light, or full.")
    assert "Give the reason" in shown.press("Keep it as version 2").markup
    write(shown.at, "Reason (it is kept with the version)", "full was meant too")
    assert "Version 2 of the codebook is kept" in shown.press("Keep it as version 2").markup
    (entry,) = entries(study)
    assert (entry.by, entry.key, entry.content["parent_version"]) == ("R2", "2", "1")
    assert [(one["kind"], one["fields"]) for one in entry.content["changes"]] == [("redefined", ["definition"])]


def test_what_a_new_version_asks_to_be_coded_anew_is_opened(study, rater, pages):
    coded(study, "R1", "HEFT")
    rater("R1")
    shown = pages(study.folder).open("coding").view("Codebook")
    write(shown.at, "Short definition", "Only heavy.")
    write(shown.at, "Reason (it is kept with the version)", "too wide")
    shown.press("Keep it as version 2")
    assert "A03-002" in shown.view("To be coded anew").markup
    shown.press("Open it")
    assert shown.at.session_state["at transcript"] == "A03"
    assert shown.at.session_state["goto"] == "A03-002"


def test_a_theme_is_kept_and_dissolved_with_who(study, rater, pages):
    rater("R1")
    shown = pages(study.folder).open("reading").view("Themes")
    write(shown.at, "Its short name", "body")
    shown.at.multiselect[0].set_value(["HEFT", "SWAY"])
    assert "The theme body is kept" in shown.press("Keep the theme").markup
    assert "dissolved" in shown.choose("Theme", "body").press("Dissolve the theme").markup
    assert [(one.by, (one.content or {}).get("codes")) for one in entries(study)] == [
        ("R1", ["HEFT", "SWAY"]),
        ("R1", None),
    ]


def test_a_reflexive_study_shows_no_coefficient(tmp_path, rater, pages):
    study = study_to_code(tmp_path)
    path = study.path("study.toml")
    path.write_text(path.read_text(encoding="utf-8").replace("coding reliability", "reflexive"), encoding="utf-8")
    assert "no coefficients" in pages(tmp_path).open("agreement").view("Agreement").markup
