"""The app in a browser: from a file to a sentence, a report to take away, for everyone, and with no word to the outside."""

from __future__ import annotations

import json
import zipfile
from importlib import resources
from importlib.util import find_spec

import numpy as np
import pytest
from app_server import end, serve
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.app.navigation import PAGES
from workbench.template import new_study

HEADINGS = [one.title for one in PAGES]
WORDING = (
    "By the end of this round my arms wanted a break.",
    "I had to pull myself together to carry on lifting.",
    "Judging the pots kept my head busy.",
    '"As soon as my thoughts wandered, I lost track of the pots."',
)


def foreign_file() -> str:
    """Answers of twelve people to three versions, with headers in words, versions called by letters and a note."""
    rng = np.random.default_rng(11)
    lines = [f"Timestamp,Code,Version,{','.join(WORDING)},Remarks"]
    for person in range(1, 13):
        for version, level in (("A", 2), ("B", 3), ("C", 5)):
            answers = np.clip(rng.normal(level, 1, 4).round(), 1, 7).astype(int)
            lines.append(f"2026-03-02 09:{person:02d},P{person:02d},{version},{','.join(map(str, answers))},")
    return "\n".join(lines) + "\n"


@pytest.mark.full
def test_from_a_foreign_file_to_a_sentence(screen, tmp_path):
    folder = tmp_path / "weights"
    conditions = ("Plain", "With sound", "With tremor")
    new_study(folder, title="Weights", conditions=conditions, participants=12, instruments=("effort",))
    brought = tmp_path / "forms.csv"
    brought.write_text(foreign_file())
    comments = [line for line in (folder / "study.toml").read_text().splitlines() if line.startswith("#")]
    server = serve(folder)
    try:
        window = screen(server)
        window.open("Responses")
        window.page.locator("input[type=file]").set_input_files(brought)
        window.page.get_by_text("Only you can say").wait_for()
        window.settle()
        for number, condition in ((1, "plain"), (2, "with_sound"), (3, "with_tremor")):
            window.page.get_by_label(f"Answer to {number}").click()
            window.page.keyboard.type(condition)
            window.page.keyboard.press("Enter")
        window.press("Take these answers")
        window.page.get_by_text("is the wording of effort1").first.wait_for()
        window.press("Write it into study.toml")
        window.page.get_by_text("its comments are as they were").wait_for()
        window.page.get_by_text("effort1: By the end of this round").first.wait_for()
        window.open("Conditions")
        window.page.get_by_text("For the paper").wait_for()
        sentence = window.page.get_by_test_id("stCode").inner_text()
        assert "Effort differed between the conditions (χ²(2, n = 12)" in sentence
        assert "With tremor above Plain" in sentence
        assert (folder / "responses" / "forms.csv").read_text() == foreign_file()
        now = (folder / "study.toml").read_text().splitlines()
        assert [line for line in comments if line not in now] == []
        assert window.elsewhere == []
    finally:
        end(server)


@pytest.mark.full
def test_a_report_is_built_and_taken_away(screen, small, tmp_path):
    server = serve(small)
    try:
        window = screen(server)
        window.open("Report")
        window.press("Build the report")
        window.page.get_by_text("A look at it").wait_for(timeout=60_000)
        window.settle()
        for name, button in (
            ("report.html", "Download the report (HTML)"),
            ("all.zip", "Download report, tables and figures (ZIP)"),
        ):
            with window.page.expect_download() as download:
                window.page.get_by_role("button", name=button).click()
            download.value.save_as(tmp_path / name)
        assert "A tiny study" in (tmp_path / "report.html").read_text()
        with zipfile.ZipFile(tmp_path / "all.zip") as archive:
            assert {"report.html", "tables/pairs.csv", "figures/points_calm.svg"} <= set(archive.namelist())
        assert window.elsewhere == []
    finally:
        end(server)


@pytest.mark.full
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.full)])
def test_no_page_keeps_anybody_out(screen, served_kitchen, scheme):
    if find_spec("axe_playwright_python") is None:
        pytest.skip("axe-core (axe-playwright-python) is not installed")
    script = resources.files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    window = screen(served_kitchen, scheme)
    serious = {}
    for title in HEADINGS:
        window.open(title)
        views = ["Distributions", "Origin", "Exclusions"] if title == "Responses" else []
        for view in [*views, ""]:
            if view:
                window.view(view)
            window.page.evaluate(script)
            found = window.page.evaluate("axe.run(document, {resultTypes: ['violations']})")
            for one in found["violations"]:
                if one["impact"] in ("serious", "critical"):
                    nodes = [node["html"][:200] for node in one["nodes"]][:3]
                    serious[f"{title} {view}: {one['id']}"] = nodes
    assert serious == {}, json.dumps(serious, indent=1)


@pytest.mark.full
def test_each_page_is_reached_and_worked_by_keyboard(screen, served_kitchen):
    window = screen(served_kitchen)
    for _ in range(12):
        window.page.keyboard.press("Tab")
        if window.page.evaluate("document.activeElement.innerText") == "Conditions":
            break
    window.page.keyboard.press("Enter")
    window.page.locator(".wb h1", has_text="Conditions").wait_for()
    window.settle()
    window.page.get_by_label("Measure", exact=True).focus()
    window.page.keyboard.press("ArrowDown")
    window.page.keyboard.type("Effort")
    window.page.keyboard.press("Enter")
    window.page.locator(".wb h2", has_text="Effort").first.wait_for()


@pytest.mark.full
def test_at_twice_the_size_nothing_is_cut_off(screen, served_kitchen):
    window = screen(served_kitchen)
    window.page.set_viewport_size({"width": 640, "height": 450})
    for title in ("Conditions", "Study"):
        window.page.goto(f"{served_kitchen.address}/{title.lower()}")
        window.page.locator(".wb h1", has_text=title).wait_for()
        window.settle()
        wide = window.page.evaluate("document.querySelector('[data-testid=stMain]').scrollWidth")
        assert wide <= window.page.evaluate("window.innerWidth")


MARKUP = "<script>document.title='run'</script><img src='https://example.org/i.png' onerror=alert(1)> ![i](https://example.org/m.png)"


@pytest.mark.full
def test_nothing_in_a_label_or_an_answer_runs_or_is_fetched(screen, tmp_path):
    answers = sheet("participant condition q1 q2 why", "A01 still 1 2 .", "A01 slosh 3 4 .", "A02 still 2 2 .")
    study_in(
        tmp_path / "study",
        instruments=[instrument("calm", ["q1", "q2"], texts=["why"])],
        files={"calm.csv": answers + f'A02,slosh,5,6,"{MARKUP}"\n'},
        questionnaires=[questionnaire("calm", ["calm"])],
        title=MARKUP,
        participants=["A01", "A02"],
        exclusions=[{"participant": "A01", "condition": "still", "reason": MARKUP}],
    )
    server = serve(tmp_path / "study")
    try:
        window = screen(server)
        for title in HEADINGS:
            window.open(title)
        window.open("Responses").view("Origin").choose("Participant", "A02")
        window.page.get_by_text("document.title='run'").first.wait_for()
        window.view("Exclusions")
        assert window.page.title() != "run"
        assert window.dialogs == []
        assert window.elsewhere == []
    finally:
        end(server)


@pytest.mark.full
def test_two_tabs_see_each_others_change_and_lose_nothing(screen, small):
    server = serve(small)
    try:
        first, second = screen(server), screen(server)
        for window, person, reason in ((first, "A01", "fell ill"), (second, "A02", "left early")):
            window.open("Responses").view("Exclusions")
            window.choose("Participant", person)
            window.page.get_by_label("Reason (it is printed)").fill(reason)
            window.press("Leave out")
            window.page.get_by_text("its comments are as they were").wait_for()
        first.open("Study").open("Responses")
        first.page.get_by_text("left early").first.wait_for()
        text = (small / "study.toml").read_text()
        assert "fell ill" in text
        assert "left early" in text
    finally:
        end(server)
