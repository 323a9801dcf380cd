"""The page Rounds: begun, handed in and reopened as by command; packets out and results in; and nobody sees an open round."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import streamlit as st
from app_server import Server, end, serve
from study_to_code import study_to_code
from typer.testing import CliRunner

from workbench.app.passphrases import set_passphrase
from workbench.cli import app
from workbench.coding.assignments import assignment_for
from workbench.coding.decisions import Applied, RaterView, rate_unit
from workbench.coding.material import read_material
from workbench.coding.packet import hashed, make_packet_workbook
from workbench.coding.rounds import round_states
from workbench.store.opening import has_store, open_store
from workbench.study import Study, open_study

WHO = "Who decides (your name or initials; it is kept with the decision)"
PASSPHRASE = "four calm words here"
CODE, MEMO = "SWAY", "PLANTED-BY-THE-OTHER"
"""What R2 decides in the packet, and must reach nobody while the round is open."""


def practice(folder: Path, name: str = "tiny") -> Study:
    """Three transcripts of eight units, with a pilot and a main round beside the others."""
    study = study_to_code(folder)
    further = "".join(f'\n[[interviews.rounds]]\nid = "{kind}"\nkind = "{kind}"\n' for kind in ("pilot", "main"))
    path = folder / "study.toml"
    words = path.read_text(encoding="utf-8").replace('id = "tiny"', f'id = "{name}"')
    path.write_text(words.replace("\n[interviews.speakers]", f"{further}\n[interviews.speakers]"), encoding="utf-8")
    return open_study(study.folder)


@pytest.fixture
def study(tmp_path):
    return practice(tmp_path)


@pytest.fixture
def downloads(monkeypatch) -> dict[str, Any]:
    """What the page offers to download, by the name of the file."""
    offered: dict[str, Any] = {}
    real = st.download_button

    def kept(label: str, data: Any, file_name: str, *further: Any, **keys: Any) -> Any:
        offered[file_name] = data() if callable(data) else data
        return real(label, data, file_name, *further, **keys)

    monkeypatch.setattr(st, "download_button", kept)
    return offered


class Rounds:
    """The page in one of its views."""

    def __init__(self, shown: Any, view: str):
        self.shown = shown.open("rounds").view(view)

    def set(self, label: str, value: Any) -> Rounds:
        at = self.shown.at
        boxes = (*at.text_input, *at.number_input, *at.multiselect, *at.selectbox, *at.radio, *at.checkbox)
        next(one for one in boxes if one.label == label).set_value(value)
        at.run()
        return self

    def bring(self, name: str, content: bytes) -> Rounds:
        self.shown.at.file_uploader[0].set_value((name, content, "application/octet-stream"))
        self.shown.at.run()
        return self

    def press(self, label: str) -> str:
        return str(self.shown.press(label).markup)

    @property
    def markup(self) -> str:
        return str(self.shown.markup)


@pytest.fixture
def rounds(study, rater, pages) -> Callable[[str], Rounds]:
    shown = pages(study.folder)
    return lambda view: Rounds(shown, view)


def entries(study, **chosen):
    with open_store(study) as journal:
        return journal.history(**chosen)


def command(*arguments: object) -> str:
    found = CliRunner().invoke(app, [str(one) for one in arguments])
    assert found.exit_code == 0, found.output
    return found.output


def begun(study: Study, round: str, *transcripts: str) -> None:
    named = [word for one in transcripts for word in ("--transcript", one)]
    command("round", study.folder, "begin", "--round", round, *named, "--by", "R1")


def rated(study: Study, rater: str, round: str, code: str = "") -> None:
    """All units of a round, by one rater."""
    with open_store(study) as journal:
        view, material = RaterView(journal, study, rater), read_material(study)
        made = assignment_for(material, journal, round, rater)
        for unit in made.units:
            rate_unit(view, round, unit, [Applied(code)] if code else [], codebook=made.codebook)


def told_by(study: Study, rater: str, round: str, codes: dict[str, str]) -> bytes:
    """What the packet's page saves, written here anew from what the handbook says of it; with a memo on each unit."""
    with open_store(study) as journal:
        made = assignment_for(read_material(study), journal, round, rater)
    listed = []
    for number, (unit, code) in enumerate(codes.items()):
        one = next(one for one in made.units if one.id == unit)
        place = {"by": rater, "round": round, "transcript": one.transcript, "version": made.version, "why": "", "at": "2026-03-02T09:30:00+00:00"}  # fmt: skip
        content: dict[str, Any] = {
            "participant": one.participant,
            "unit": unit,
            "start": None,
            "end": None,
            "quote": "",
        }
        content |= {"code": code, "about": [], "stance": ""}
        key = f"{round}/{one.transcript}/{unit}/-/{code}/{rater}"
        listed.append({"id": f"{number:032x}", "kind": "coding", "key": key, "content": content} | place)
        memo = {"on": "unit", "name": unit, "text": MEMO}
        listed.append({"id": f"{number + 99:032x}", "kind": "memo", "key": f"unit/{unit}/{number:032x}", "content": memo} | place)  # fmt: skip
    told = {
        "format": "workbench-packet-result",
        "format_version": 1,
        "packet": made.id,
        "study": made.study,
        "round": round,
        "rater": rater,
        "codebook_version": made.version,
        "units_sha256": made.units_sha256,
        "units": made.unit_hashes(),
        "operations_sha256": hashed(json.dumps(listed, ensure_ascii=False, separators=(",", ":"))),
        "operations": listed,
    }
    return json.dumps(told).encode()


# ------------------------------------------------------------------------------------ what is there


def test_looking_begins_no_database_and_says_what_to_do_next(study, rounds):
    for view in ("Begin", "Hand in, reopen", "Packet", "Bring in", "Export"):
        assert rounds(view).markup
    markup = rounds("How far they are").markup
    assert "No round is begun. Choose “Begin” above" in markup
    assert not has_store(study)


def test_a_study_without_rounds_is_told_which_lines_it_needs(small, rater, pages):
    markup = pages(small).open("rounds").markup
    assert "declares no rounds of coding yet" in markup
    assert "{ id = &quot;pilot&quot;, kind = &quot;pilot&quot; }" in markup


def test_an_open_round_shows_how_far_it_is_and_nothing_else(study, rounds):
    begun(study, "first", "A03")
    rated(study, "R2", "first", CODE)
    for view in ("Begin", "Hand in, reopen", "Packet", "Bring in", "Export"):
        assert CODE not in rounds(view).markup
    markup = rounds("How far they are").markup
    assert CODE not in markup
    assert "R1 0, R2 3" in markup
    assert "3 units in A03, coded by R1 and R2." in markup
    assert "first is open and waits for R1 and R2: on the page Coding" in markup


# ------------------------------------------------------------------------------------------- begin


def test_a_round_of_transcripts_is_the_one_the_command_begins(study, rounds, tmp_path_factory):
    shown = rounds("Begin").set("Round", "pilot").set("From these transcripts (none named: all)", ["A03"])
    assert "(O&#x27;Connor &amp; Joffe 2020)" in shown.markup
    assert "3 units." in shown.markup
    assert "Say who decides" in shown.press("Begin")
    assert not has_store(study)
    assert "pilot has 3 units" in shown.set(WHO, "MK").press("Begin")
    other = practice(tmp_path_factory.mktemp("by command"))
    begun(other, "pilot", "A03")
    (mine,), (theirs,) = entries(study), entries(other)
    assert (mine.kind, mine.key, mine.content, mine.by) == ("round", "pilot", theirs.content, "MK")


def test_a_sample_is_drawn_as_by_command_and_never_from_pilot_units(study, rounds, tmp_path_factory):
    other = practice(tmp_path_factory.mktemp("by command"))
    for one in (study, other):
        begun(one, "pilot", "A03")
    shown = rounds("Begin").set("Round", "first")
    assert "5 of 8 units can be drawn; 3 were used in pilot rounds" in shown.markup
    shown.set("How many units", 3).set("Seed (the same seed draws the same units)", 11).set(WHO, "MK")
    assert "first has 3 units" in shown.press("Draw and begin")
    command("round", other.folder, "draw", "--round", "first", "--size", 3, "--seed", 11, "--by", "R1")
    mine, theirs = entries(study)[-1].content, entries(other)[-1].content
    assert mine == theirs
    assert not any(unit.startswith("A03") for unit in mine["units"])
    assert "Drawn with seed 11 from 5 units; 3 more were used" in rounds("How far they are").markup


def test_units_of_a_pilot_round_in_a_file_are_not_drawn_either(study, rounds):
    header = "participant,transcript,unit,start,end,rater,round,codebook_version,code,about,stance\n"
    (study.folder / "pilot.csv").write_text(f"{header}A03,A03,A03-002,,,R1,pilot,1,SWAY,,\n", encoding="utf-8")
    path = study.folder / "study.toml"
    words = path.read_text(encoding="utf-8").replace('units = "answers"', 'units = "answers"\ncodings = ["pilot.csv"]')
    path.write_text(words, encoding="utf-8")
    assert "7 of 8 units can be drawn; 1 were used in pilot rounds" in rounds("Begin").set("Round", "first").markup


def test_too_many_units_are_refused_in_words(study, rounds):
    shown = rounds("Begin").set("Round", "first").set("How many units", 9).set(WHO, "MK")
    assert "between 1 and 8 units can be drawn" in shown.press("Draw and begin")
    assert entries(study) == []


def test_units_of_a_table_and_without_those_of_a_round(study, rounds):
    begun(study, "pilot", "A03")
    shown = rounds("Begin").set("Round", "main").set("Without the units of", "pilot")
    assert "5 units." in shown.markup
    assert "2 units." in shown.bring("wanted.csv", b"unit\nA01-002\nA01-004\nA03-002\n").markup
    assert "names 1 units that are not there: X" in shown.bring("wanted.csv", b"unit\nX\n").markup
    shown.bring("wanted.csv", b"unit\nA01-002\nA03-002\n").set(WHO, "MK")
    assert "main has 1 units" in shown.press("Begin")
    content = entries(study)[-1].content
    assert (list(content["units"]), content["raters"]) == (["A01-002"], ["R1"])


def test_a_reliability_round_over_pilot_units_is_warned_of(study, rounds):
    begun(study, "pilot", "A03")
    shown = rounds("Begin").set("Round", "first").set("How", "Take all of them")
    assert "3 of them were used in a pilot round: agreement leaves them out" in shown.markup


def test_a_round_with_codings_keeps_its_units_and_a_consensus_round_has_none(study, rounds):
    begun(study, "first", "A03")
    rated(study, "R1", "first")
    shown = rounds("Begin").set("Round", "first")
    assert "has codings already, so its units stay" in shown.markup
    assert not shown.shown.at.button
    assert "takes its units from the closed round" in shown.set("Round", "agreed").markup


def test_nobody_decides_under_the_name_of_a_rater_who_signs_in(study, rounds):
    set_passphrase(study, "R1", PASSPHRASE)
    shown = rounds("Begin").set("Round", "pilot").set(WHO, "R1")
    assert "R1 has a passphrase" in shown.markup
    assert "Say who decides" in shown.press("Begin")
    assert entries(study) == []


# ------------------------------------------------------------------------------- hand in and reopen


def test_each_hands_in_their_own_part_and_it_is_reopened_with_a_reason(study, rounds, rater):
    begun(study, "first", "A03")
    rated(study, "R1", "first")
    shown = rounds("Hand in, reopen")
    assert "/signin?to=rounds" in shown.markup
    assert not shown.shown.at.button
    rater("R2")
    shown = rounds("Hand in, reopen")
    assert "R2 has rated 0 of 3 units" in shown.markup
    assert "3 of 3 units are not rated by R2" in shown.press("Hand in")
    rater("R1")
    assert "first is handed in as far as R1 goes" in rounds("Hand in, reopen").press("Hand in")
    (entry,) = entries(study, kind="submission")
    assert (entry.by, entry.content["rated"]) == ("R1", 3)
    shown = rounds("Hand in, reopen")
    assert "Give the reason" in shown.press("Reopen")
    assert "first is open again" in shown.set("Reason for reopening", "one was a slip").press("Reopen")
    with open_store(study) as journal:
        state = round_states(journal, study)["first"]
    assert (state.submitted, state.reopened) == ((), 1)
    assert entries(study)[-1].why == "one was a slip"


# --------------------------------------------------------------------------------- packets and back


def test_a_packet_is_the_one_of_the_command_with_the_caution_beside(study, rounds, downloads, tmp_path):
    begun(study, "first", "A03")
    markup = rounds("Packet").set("Rater", "R2").markup
    assert "Whoever can read the study folder can read the database in it" in markup
    assert "Encrypt the disks" in markup
    assert "3 units of 1 transcripts, under version 1 of the codebook" in markup
    command("packet", study.folder, "make", "--round", "first", "--rater", "R2", "--out", tmp_path / "out")
    assert downloads["tiny-first-R2.html"] == (tmp_path / "out" / "tiny-first-R2.html").read_text(encoding="utf-8")
    rounds("Packet").set("The packet as", "A spreadsheet (XLSX)")
    told = openpyxl.load_workbook(io.BytesIO(downloads["tiny-first-R2.xlsx"]))
    assert [row[0].value for row in told["coding"].iter_rows(min_row=2)] == ["A03-002", "A03-004", "A03-006"]


def test_what_a_rater_has_coded_goes_along_for_nobody_else(study, rounds, rater, downloads):
    begun(study, "first", "A03")
    rated(study, "R2", "first", CODE)
    marked = f"first/A03/A03-002/-/{CODE}/R2"
    markup = rounds("Packet").set("Rater", "R2").markup
    assert "R2 has rated 3 units of it already; they are not in this packet" in markup
    assert marked not in downloads["tiny-first-R2.html"]
    rater("R1")
    rounds("Packet").set("Rater", "R2")
    assert marked not in downloads["tiny-first-R2.html"]
    rater("R2")
    rounds("Packet").set("Rater", "R2")
    assert marked in downloads["tiny-first-R2.html"]


def test_a_result_is_shown_as_numbers_merged_once_and_seen_by_nobody(study, rounds):
    begun(study, "first", "A03")
    content = told_by(study, "R2", "first", {"A03-002": CODE, "A03-004": CODE})
    shown = rounds("Bring in").set("Rater", "R2").bring("tiny-first-R2-coded.json", content)
    assert "It would add 4 decisions of R2 on 2 units of first" in shown.markup
    assert CODE not in shown.markup
    assert MEMO not in shown.markup
    assert entries(study, by="R2") == []
    assert "4 decisions of R2 in first are recorded" in shown.press("Merge it")
    assert [one.kind for one in entries(study, by="R2")] == ["coding", "memo"] * 2
    again = rounds("Bring in").bring("again.json", content)
    assert "Everything in it is there already (4 decisions)" in again.markup
    assert not any(one.label == "Merge it" for one in again.shown.at.button)
    markup = rounds("How far they are").markup
    assert "R1 0, R2 2" in markup
    assert CODE not in markup
    assert MEMO not in markup


def other_study(folder: Path) -> bytes:
    other = practice(folder, "another")
    begun(other, "first", "A03")
    return told_by(other, "R2", "first", {"A03-002": CODE})


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("page.html", b"<!DOCTYPE html><p>Another page", "not in .html"),
        ("empty.json", b"", "The file is empty"),
        ("empty.xlsx", b"", "empty.xlsx"),
        ("coded.json", b"<!DOCTYPE html><p>Another page", "not valid JSON"),
        ("coded.json", other_study, "The study is “another”; this packet&#x27;s is “tiny”"),
        ("../../x.json", b"[]", "not what a packet saves"),
    ],
)
def test_a_file_that_is_no_result_is_told_and_nothing_is_recorded(study, rounds, tmp_path_factory, name, content, said):
    begun(study, "first", "A03")
    given = content if isinstance(content, bytes) else content(tmp_path_factory.mktemp("another"))
    shown = rounds("Bring in").set("Rater", "R2").bring(name, given)
    assert "This file is not taken in as the work of R2 in first; nothing was recorded" in shown.markup
    assert said in shown.markup
    assert not any(one.label == "Merge it" for one in shown.shown.at.button)
    assert entries(study, by="R2") == []


def filled(study: Study, words: str) -> bytes:
    """The spreadsheet of R2 with words under code1 of its first unit."""
    with open_store(study) as journal:
        made = assignment_for(read_material(study), journal, "first", "R2")
    book = openpyxl.load_workbook(io.BytesIO(make_packet_workbook(made)))
    book["coding"]["E2"] = words
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_what_is_wrong_in_a_result_shows_no_code_but_to_its_rater(study, rounds, rater):
    begun(study, "first", "A03")
    content = filled(study, "SWAYY")
    markup = rounds("Bring in").set("Rater", "R2").bring("filled.xlsx", content).markup
    assert "row 2, column code1" in markup
    assert "The codebook has no code “…”" in markup
    assert "SWAYY" not in markup
    rater("R2")
    assert "no code “SWAYY”" in rounds("Bring in").set("Rater", "R2").bring("filled.xlsx", content).markup


def test_a_spreadsheet_that_lacks_what_was_coded_says_so_before(study, rounds):
    begun(study, "first", "A03")
    rated(study, "R2", "first", CODE)
    shown = rounds("Bring in").set("Rater", "R2").bring("filled.xlsx", filled(study, "HEFT"))
    assert "It would add 7 decisions of R2 on 3 units" in shown.markup
    assert "Of what R2 has decided here, 6 would be taken away" in shown.markup
    markup = rounds("Packet").set("Rater", "R2").set("The packet as", "A spreadsheet (XLSX)").markup
    assert "what it lacks is taken away" in markup


def test_codings_made_elsewhere_are_taken_in_by_the_rater_they_are_of(study, rounds, rater):
    begun(study, "first", "A03")
    shown = rounds("Bring in").set("What came back", "Codings made elsewhere")
    assert "taken in by the rater whose they are" in shown.markup
    rater("R2")
    header = "participant,transcript,unit,start,end,rater,round,codebook_version,code,about,stance\n"
    rows = "A03,A03,A03-002,,,R2,first,1,SWAY,,\nA03,A03,A03-004,,,R1,first,1,SWAY,,\n"
    shown = rounds("Bring in").set("What came back", "Codings made elsewhere")
    shown.bring("theirs.csv", (header + rows).encode())
    assert "left out: codings by R1" in shown.markup
    assert "Recorded: 1 coding, 1 unit marked as rated" in shown.press("Record them")
    assert {(one.by, one.content["unit"]) for one in entries(study, by="R2")} == {("R2", "A03-002")}


# ------------------------------------------------------------------------------------------ export


@pytest.mark.parametrize(
    ("form", "option", "name"),
    [
        ("csv", "csv", "tiny-codings.csv"),
        ("annotations", "annotations", "tiny-annotations.jsonl"),
        ("qdpx", "qdpx", "tiny-codings.qdpx"),
        ("journal", "journal", "tiny-journal.jsonl"),
    ],
)
def test_what_leaves_is_what_the_command_writes(study, rounds, downloads, tmp_path, form, option, name):
    begun(study, "first", "A03")
    for one in ("R1", "R2"):
        rated(study, one, "first", CODE)
        if form != "journal":
            assert "there is nothing to write" in rounds("Export").set("The file as", form).markup
        command("round", study.folder, "submit", "--round", "first", "--by", one)
    shown = rounds("Export").set("The file as", form)
    assert ("entries." if form == "journal" else "6 codings.") in shown.markup
    command("export", study.folder, "--to", option, "--out", tmp_path / name)
    written = (tmp_path / name).read_bytes()
    assert (downloads[name] if form == "qdpx" else downloads[name].encode()) == written


# --------------------------------------------------------------------------------------- a browser


@pytest.fixture
def served(study) -> Iterator[Server]:
    for one in ("R1", "R2"):
        set_passphrase(study, one, PASSPHRASE)
    server = serve(study.folder)
    yield server
    end(server)


@pytest.mark.full
def test_from_beginning_a_round_to_merging_a_packet_in_a_browser(study, served, screen, chromium, tmp_path):
    at = screen(served).open("Rounds")
    page = at.page
    at.view("Begin").choose("Round", "first")
    page.get_by_text("Take all of them", exact=True).click()
    page.get_by_label("From these transcripts (none named: all)").click()
    page.keyboard.type("A03")
    page.keyboard.press("Enter")
    page.keyboard.press("Escape")
    page.get_by_text("3 units.", exact=True).wait_for()
    page.get_by_label(WHO).fill("MK")
    page.keyboard.press("Tab")
    at.press("Begin")
    page.get_by_role("status").get_by_text("first has 3 units").wait_for()
    at.view("Hand in, reopen")
    page.get_by_role("link", name="Sign in").click()
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.locator(".wb h1", has_text="Rounds").wait_for()
    at.open("Coding")
    page.locator("[data-unit='A03-002']").first.focus()
    page.keyboard.press("Enter")
    page.keyboard.type("heft")
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("0")
    page.locator(".wbp-kept", has_text="all stored").wait_for()
    at.open("Rounds").view("Hand in, reopen")
    page.get_by_text("R1 has rated 2 of 3 units").wait_for()
    page.get_by_label("Reason (only where units are left on purpose)").fill("the last is noise")
    page.keyboard.press("Tab")
    at.press("Hand in")
    page.get_by_text("first is handed in as far as R1 goes").wait_for()
    at.view("Packet")
    page.get_by_text("3 units of 1 transcripts").wait_for()
    with page.expect_download() as packet:
        page.get_by_role("button", name="Download the packet").click()
    packet.value.save_as(tmp_path / "packet.html")
    result = by_packet(chromium, tmp_path / "packet.html", tmp_path / "tiny-first-R2-coded.json")
    at.view("Bring in")
    page.locator("input[type=file]").set_input_files(result)
    page.get_by_text("It would add 3 decisions of R2 on 3 units of first").wait_for()
    assert CODE not in page.locator("[data-testid=stMain]").inner_text()
    at.press("Merge it")
    page.get_by_text("3 decisions of R2 in first are recorded").wait_for()
    kept = [(one.kind, one.content.get("code", "")) for one in entries(study, by="R2")]
    assert kept == [("coding", CODE), ("rated", ""), ("rated", "")]
    assert at.elsewhere == []


def by_packet(chromium: Any, packet: Path, result: Path) -> Path:
    """The packet coded by keys in a browser that has no network, and saved."""
    context = chromium.new_context(accept_downloads=True, offline=True)
    page = context.new_page()
    page.goto(packet.as_uri())
    page.locator("[data-unit='A03-002']").first.focus()
    page.keyboard.press("Enter")
    page.keyboard.type("sway")
    page.keyboard.press("Enter")
    for key in ("ArrowDown", "0", "ArrowDown", "0"):
        page.keyboard.press(key)
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save to a file").click()
    saved.value.save_as(result)
    context.close()
    return result
