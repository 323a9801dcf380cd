"""Each page in turn, without a browser: what it shows, and what it does with faults."""

from __future__ import annotations

import shutil
import time
from dataclasses import replace
from pathlib import Path

import pytest
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.app.held import held
from workbench.app.navigation import PAGES
from workbench.app.page import text, told_together
from workbench.errors import Finding
from workbench.report.sentences import headline
from workbench.report.table import printable
from workbench.study import open_study


def test_every_file_of_a_page_is_in_the_navigation():
    folder = PAGES[0].file.parent
    assert {one.file for one in PAGES} == set(folder.glob("*.py")) - {folder / "__init__.py"}


@pytest.mark.parametrize("name", [one.name for one in PAGES])
def test_a_page_of_the_demo_shows_its_heading_and_no_fault(pages, kitchen, name):
    shown = pages(kitchen).open(name)
    title = next(one.title for one in PAGES if one.name == name)
    assert f"<h1>{title}</h1>" in shown.markup
    assert "role='alert'" not in shown.markup


def test_study_shows_who_lacks_what_and_why(pages, kitchen):
    markup = pages(kitchen).open("study").markup
    row = markup[markup.index("<th scope='row'>A08</th>") :].split("</tr>")[0]
    assert row.count("0 of 8") == 2
    assert row.count("●") == 2
    assert "The headset lost the hands" in markup
    assert "A10 ran still &gt; coach" in markup


def test_a_finding_leads_to_the_answers_it_speaks_of(pages, kitchen):
    shown = pages(kitchen).open("study")
    ways = [one.label for one in shown.at.button if one.label.startswith("See the item")]
    shown.press(ways[0])
    assert "Distributions" in [one.value for one in shown.at.radio]
    assert "item real4" in shown.markup


def test_conditions_shows_the_sentence_that_the_command_gives(pages, kitchen):
    evidence = held(kitchen).evidence
    found = {one.measure.id: one for one in held(kitchen).comparisons}
    shown = pages(kitchen).open("conditions")
    for measure in ("weight_realism", "effort"):
        shown.choose("Measure", measure)
        sentence = headline(evidence.study, found[measure])
        assert text(sentence) in shown.markup
        assert printable(sentence) == shown.at.code[0].value


def test_planned_and_exploratory_tests_are_under_different_headings(pages, kitchen):
    planned = pages(kitchen).open("conditions").markup
    assert "<h2>Planned</h2>" in planned
    assert "<h2>Exploratory</h2>" not in planned
    shown = pages(kitchen).open("conditions").choose("Measure", "certainty").markup
    assert "<h2>Exploratory</h2>" in shown
    assert "<h2>Planned</h2>" not in shown


def test_the_measure_chosen_stays_when_one_comes_back(pages, kitchen):
    shown = pages(kitchen).open("conditions").choose("Measure", "effort").open("preferences").open("conditions")
    assert next(one for one in shown.at.selectbox if one.label == "Measure").value == "effort"


def test_reliability_shows_both_levels_of_the_scale_chosen(pages, kitchen):
    shown = pages(kitchen).open("reliability").choose("Scale", "effort").markup
    assert "Within persons" in shown
    assert "Between persons" in shown
    assert "effort4" in shown
    assert "fish for items" in shown


def test_origin_names_file_row_and_column_of_an_answer(pages, kitchen):
    shown = pages(kitchen).open("responses").view("Origin").choose("Participant", "A03").choose("Condition", "slosh")
    markup = shown.markup
    line = next(
        number
        for number, line in enumerate((kitchen / "responses/after_version_week1.csv").read_text().splitlines(), start=1)
        if line.startswith("A03,") and "slosh" in line
    )
    row = markup[markup.index(">real1</") :].split("</tr>")[0]
    assert "responses/after_version_week1.csv" in row
    assert f">{line}</td>" in row


def test_an_exclusion_is_written_with_its_reason_and_taken_back(pages, small):
    before = (small / "study.toml").read_text()
    shown = pages(small).open("responses").view("Exclusions")
    next(one for one in shown.at.selectbox if one.label == "Participant").set_value("A02")
    next(one for one in shown.at.text_input if one.label.startswith("Reason")).set_value("fell ill")
    shown.press("Leave out")
    assert "its comments are as they were" in shown.markup
    excluded = open_study(small).declared.exclusions[-1]
    assert (excluded.participant, excluded.condition, excluded.reason) == ("A02", None, "fell ill")
    assert (small / "study.toml").read_text().startswith(before)
    shown.press("Take the last one back")
    assert (small / "study.toml").read_text() == before


def test_an_exclusion_is_written_once_and_its_reason_stands_beside_n(pages, small):
    shown = pages(small).open("responses").view("Exclusions")
    for reason in ("fell ill", "again"):
        next(one for one in shown.at.selectbox if one.label == "Participant").set_value("A02")
        next(one for one in shown.at.text_input if one.label.startswith("Reason")).set_value(reason)
        shown.press("Leave out")
    assert "That is left out already" in shown.markup
    assert [one.reason for one in open_study(small).declared.exclusions] == ["fell ill"]
    assert "Left out: A02: fell ill." in shown.open("conditions").markup


def test_answers_that_ran_the_wrong_way_are_turned_round_and_back(pages, kitchen, tmp_path):
    folder = tmp_path / "kitchen"
    shutil.copytree(kitchen, folder)
    before = (folder / "study.toml").read_text()
    shown = pages(folder).open("conditions")
    assert "class='caution'" in shown.markup
    shown.press(next(one.label for one in shown.at.button if one.label.startswith("See the item")))
    shown.open("responses").press("Turn them round")
    assert "Say how that is known." in shown.markup
    next(one for one in shown.at.text_input if one.label.startswith("How that is known")).set_value("form checked")
    shown.press("Turn them round")
    turned = [one for asked in open_study(folder).declared.questionnaires for one in asked.turned_round]
    assert [(one.file, one.item, one.reason) for one in turned] == [
        ("responses/after_version_week2.csv", "real4", "form checked")
    ]
    assert "answers to real4 are turned round: form checked." in shown.markup
    assert "Turn them round" not in [one.label for one in shown.at.button]
    shown.press("Take the last one back")
    assert (folder / "study.toml").read_text() == before


def test_a_likely_wrong_key_is_told_wherever_its_scale_is_shown(pages, kitchen):
    shown = pages(kitchen)
    for name in ("conditions", "reliability"):
        assert "item real4" in shown.open(name).markup
    assert "class='caution'" not in shown.open("conditions").choose("Measure", "effort").markup


def test_a_plan_without_a_date_is_not_said_to_come_before_the_data(pages, kitchen, tmp_path):
    assert "which was fixed on 2026-03-06." in pages(kitchen).open("conditions").markup
    shutil.copytree(kitchen, tmp_path / "kitchen")
    path = tmp_path / "kitchen" / "study.toml"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith("frozen =")))
    assert open_study(path.parent).plan.frozen is None
    assert "which has no date" in pages(path.parent).open("conditions").markup


def test_each_figure_of_a_measure_can_be_saved(pages, kitchen):
    shown = pages(kitchen).open("conditions")
    assert [one.proto.label for one in shown.at.get("download_button")] == [
        "Save as SVG",
        "Save as PDF",
        "Save as PNG",
    ] * 2


def test_an_exclusion_without_a_reason_is_not_written(pages, small):
    before = (small / "study.toml").read_bytes()
    shown = pages(small).open("responses").view("Exclusions")
    next(one for one in shown.at.selectbox if one.label == "Participant").set_value("A02")
    shown.press("Leave out")
    assert "Say whose answers, and why." in shown.markup
    assert (small / "study.toml").read_bytes() == before


def test_an_instrument_is_made_checked_and_saved(pages, small):
    shown = pages(small).open("instruments").view("Make")
    fields = {one.label: one for one in shown.at.text_input}
    fields["Title"].set_value("Calm")
    fields["Id (letters, digits, _)"].set_value("calmness")
    shown.at.text_area[0].set_value("I felt calm.\nI was tense. (r)").run()
    assert "Sound" in shown.markup
    shown.press("Save into the study")
    saved = (small / "instruments" / "calmness.toml").read_text()
    assert 'text = "I was tense."' in saved
    assert saved.count("reverse = true") == 1
    assert "Saved as instruments/calmness.toml" in shown.markup


def test_an_id_is_made_of_the_title_and_a_wrong_one_is_told_once(pages, small):
    shown = pages(small).open("instruments").view("Make")
    fields = {one.label: one for one in shown.at.text_input}
    fields["Title"].set_value("7 ways to be Calm!")
    shown.at.text_area[0].set_value("I felt calm.").run()
    assert "ways_to_be_calm, version 1.0" in shown.markup
    next(one for one in shown.at.text_input if one.label.startswith("Id")).set_value("so calm").run()
    assert "The id begins with a letter" in shown.markup
    assert "Save into the study" not in [one.label for one in shown.at.button]


def test_an_unsound_instrument_is_told_and_cannot_be_saved(pages, small):
    shown = pages(small).open("instruments").view("Adapt").choose("Adapt which instrument", "effort")
    area = shown.at.text_area[0]
    area.set_value(area.value.replace("high = 7", "high = 0")).run()
    assert "role='alert'" in shown.markup
    assert "low is 1, high is 0" in shown.markup
    assert "Save into the study" not in [one.label for one in shown.at.button]


def test_the_report_is_built_and_holds_the_parts_chosen(pages, small):
    shown = pages(small).open("report").press("Build the report")
    shown.at.session_state[f"job report {held(small).stamp}"].wait(60)
    shown.at.run()
    assert "<h2>Its parts</h2>" in shown.markup
    before = shown.at.get("iframe")[0].proto.srcdoc
    next(one for one in shown.at.checkbox if one.label == "How it was done").uncheck().run()
    after = shown.at.get("iframe")[0].proto.srcdoc
    assert 'href="#method"' in before
    assert 'href="#method"' not in after


def test_building_is_stopped_when_asked(pages, small, monkeypatch):
    def endless(evidence, progress):
        while True:
            progress(1, 4)
            time.sleep(0.01)

    monkeypatch.setattr("workbench.results.parts.build", endless)
    shown = pages(small).open("report").press("Build the report")
    assert shown.at.session_state[f"job report {held(small).stamp}"].running
    shown.press("Stop")
    shown.at.session_state[f"job report {held(small).stamp}"].wait(10)
    shown.at.run()
    assert "Stopped; nothing was changed." in shown.markup
    assert "Build the report" in [one.label for one in shown.at.button]


# ------------------------------------------------------------------------------------------ empty and broken


@pytest.fixture
def empty_study(tmp_path: Path) -> Path:
    folder = tmp_path / "empty"
    study_in(folder)
    return folder


@pytest.mark.parametrize("name", [one.name for one in PAGES])
def test_an_empty_study_says_what_to_do_on_every_page(pages, empty_study, name):
    markup = pages(empty_study).open(name).markup
    assert "role='alert'" not in markup
    if name == "study":
        assert "Bring in a table of answers." in markup
    if name in ("reliability", "conditions", "preferences"):
        assert "class='lead'" in markup


def test_a_table_that_blocks_can_be_read_otherwise(pages, small):
    path = small / "calm.csv"
    path.write_text(path.read_text() + "TEST,still,1 - Not at all,2,3\n")
    shown = pages(small).open("conditions")
    assert "“TEST” is not a participant" in shown.markup
    shown.press("Read the table otherwise, or bring in a mended one").open("responses")
    assert [one.value for one in shown.at.radio] == ["Bring in", "A file in the study folder"]
    shown.press("Leave their rows out")
    assert "Say whose rows, and why." in shown.markup
    next(one for one in shown.at.multiselect if one.label.startswith("Whose")).set_value(["TEST"])
    next(one for one in shown.at.text_input if one.label.startswith("Why")).set_value("the form was tried")
    shown.press("Leave their rows out").press("Write it into study.toml")
    (left_out,) = open_study(small).declared.questionnaires[0].rows_left_out
    assert (left_out.participant, left_out.reason) == ("TEST", "the form was tried")
    assert "role='alert'" not in shown.open("conditions").markup


def test_a_word_is_said_to_count_as_a_number(pages, small):
    path = small / "calm.csv"
    path.write_text(path.read_text().replace("A02,still,", "A02,still,so so,", 1).replace("so so,2", "so so", 1))
    shown = pages(small).open("responses")
    shown.at.radio[1].set_value("A file in the study folder").run()
    shown.choose("File", "calm.csv")
    assert "“so so” is not an answer" in shown.markup
    next(one for one in shown.at.text_input if one.label.startswith("Words that count")).set_value("so so")
    assert "should be WORD=NUMBER" in shown.press("Read it so").markup
    next(one for one in shown.at.text_input if one.label.startswith("Words that count")).set_value("so so = 4")
    shown.press("Read it so").press("Write it into study.toml")
    assert open_study(small).declared.questionnaires[0].answer_words == {"so so": 4}


def test_what_is_found_in_several_places_is_told_once():
    one = Finding("blocks", "off the response scale", "a.csv", "row 2", "“x” is no answer.", "Mend it.")
    other = Finding("blocks", "off the response scale", "a.csv", "row 3", "“y” is no answer.", "Mend it.")
    together = told_together([one, other, replace(one, place="row 7")])
    assert together == [replace(one, place="row 2; row 7"), other]
    many = told_together([replace(one, place=f"row {row}") for row in range(20)])
    assert [finding.place.endswith("row 11; and 8 more places") for finding in many] == [True]


@pytest.mark.parametrize("name", ["study", "conditions", "report"])
def test_a_broken_study_file_is_told_with_its_place(pages, small, name):
    path = small / "study.toml"
    path.write_text(path.read_text().replace('asked = "per_condition"', 'asked = "daily"'))
    markup = pages(small).open(name).markup
    assert "role='alert'" in markup
    assert "questionnaires[1].asked" in markup


def test_no_toml_at_all_is_told(pages, small):
    (small / "study.toml").write_text("= nonsense")
    assert "TOML" in pages(small).open("study").markup


def test_a_folder_that_moved_is_told_and_nothing_is_made(pages, small):
    shown = pages(small)
    shutil.move(small, small.with_name("elsewhere"))
    assert "is no longer there" in shown.open("conditions").markup
    assert "is no longer there" in shown.open("responses").markup
    assert not small.exists()


def test_a_changed_file_is_read_again(pages, small):
    shown = pages(small).open("study")
    assert "0 of 1" not in shown.markup
    path = small / "calm.csv"
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(line for line in lines if not line.startswith("A02,still")))
    assert "0 of 1" in shown.open("study").markup


MARKUP = "<script>document.title='run'</script><img src=x onerror=alert(1)> ![i](https://example.org/i.png) **b**"


def test_markup_in_labels_and_answers_is_shown_as_it_was_written(pages, tmp_path):
    study_in(
        tmp_path / "study",
        instruments=[instrument("calm", ["q1", "q2"], texts=["why"])],
        files={
            "calm.csv": sheet(
                "participant condition q1 q2 why", "A01 still 1 2 .", "A01 slosh 3 4 .", "A02 still 2 2 ."
            )
            + f'A02,slosh,5,6,"{MARKUP}"\n'
        },
        questionnaires=[questionnaire("calm", ["calm"])],
        title=MARKUP,
        participants=["A01", "A02"],
        exclusions=[{"participant": "A01", "condition": "still", "reason": MARKUP}],
    )
    shown = pages(tmp_path / "study").open("study")
    seen = shown.markup
    for name in ("conditions", "reliability"):
        seen += shown.open(name).markup
    seen += shown.open("responses").view("Origin").choose("Participant", "A02").markup
    seen += shown.view("Exclusions").markup
    assert "<script" not in seen
    assert "<img src=x" not in seen
    assert seen.count("&lt;script&gt;") >= 3
    assert not [one.value for one in shown.at.markdown if "example.org" in one.value]


# ------------------------------------------------------------------------------------------ bringing in


def test_a_file_in_the_folder_can_be_looked_at(pages, kitchen):
    shown = pages(kitchen).open("responses")
    shown.at.radio[1].set_value("A file in the study folder").run()
    shown.choose("File", "responses/discomfort.csv")
    assert "It is declared in “body_before_after”" in shown.markup
    assert "study.toml reads this file already" in shown.markup
    assert "Write it into study.toml" not in [one.label for one in shown.at.button]


def test_a_file_of_something_else_is_refused_in_words(pages, kitchen):
    shown = pages(kitchen).open("responses")
    shown.at.radio[1].set_value("A file in the study folder").run()
    shown.choose("File", "responses/trials.csv")
    assert "is named under trials in study.toml" in shown.markup
