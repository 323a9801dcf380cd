"""Coding in a browser: by mouse and by keys, over a reload and a server that is gone, and blind for others."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from app_server import IDLE, Server, end, serve
from latency_coding import eight_at_once
from packets import COMBINED, FAMILY, FLAG
from study_to_code import study_to_code

from workbench.app.passphrases import begin_session, cookie_name, set_passphrase
from workbench.store.opening import DECISIONS, open_store
from workbench.store.operations import Entry
from workbench.study import Study

PLANTED = "PLANTED-BY-THE-OTHER"


class Desk:
    """A rater in a browser of their own, and all that came over their network."""

    def __init__(self, browser: Any, server: Server, study: Study, rater: str, context: Any = None):
        self.server, self.study, self.rater = server, study, rater
        self.context = context or browser.new_context(viewport={"width": 1280, "height": 900})
        self.context.set_default_timeout(30_000)
        if rater and context is None:
            token = begin_session(study.folder, rater)
            self.context.add_cookies([{"name": cookie_name(study.folder), "value": token, "url": server.address}])
        self.page = self.context.new_page()
        self.heard: list[bytes] = []
        self.asked: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("websocket", lambda socket: socket.on("framereceived", self._hear))

    def _hear(self, frame: Any) -> None:
        self.heard.append(frame if isinstance(frame, bytes) else str(frame).encode())

    def open(self, address: str = "/coding") -> Desk:
        for _ in range(100):
            try:
                self.page.goto(self.server.address + address)
                break
            except Exception:
                self.page.wait_for_timeout(100)
        self.page.locator(".wb h1").wait_for()
        return self

    def at(self, transcript: str) -> Desk:
        self.page.locator(".wbp-hand").wait_for()
        self.page.get_by_label("Transcript", exact=True).first.click()
        self.page.keyboard.type(transcript)
        self.page.keyboard.press("Enter")
        self.page.locator(f".wbp-panel[aria-label='Transcript {transcript}']").wait_for()
        return self

    def focus(self, unit: str) -> Desk:
        self.page.locator(f"[data-unit='{unit}']").first.press("Home")
        self.page.locator(f"[data-unit='{unit}']").first.focus()
        return self

    def code(self, words: str) -> Desk:
        self.page.keyboard.press("Enter")
        self.page.keyboard.type(words)
        self.page.keyboard.press("Enter")
        return self

    def stored(self) -> Desk:
        self.page.locator(".wbp-kept", has_text="all stored").wait_for()
        return self

    def notes(self) -> list[str]:
        return [one.lstrip("— ") for one in self.page.locator(".wbp-note-words, .wbp-nothing").all_inner_texts()]

    def view(self, name: str) -> Desk:
        self.page.get_by_test_id("stRadio").first.get_by_text(name, exact=True).click()
        return self

    def entries(self, **chosen: str) -> list[Entry]:
        with open_store(self.study) as journal:
            return journal.history(**chosen)


Desks = Callable[..., Desk]


@pytest.fixture
def desks(chromium: Any) -> Iterator[Desks]:
    opened: list[Desk] = []

    def desk(server: Server, study: Study, rater: str, context: Any = None) -> Desk:
        opened.append(Desk(chromium, server, study, rater, context))
        return opened[-1]

    yield desk
    for one in opened:
        one.context.close()


@pytest.fixture
def serving() -> Iterator[Callable[..., Server]]:
    running: list[Server] = []

    def start(folder: Path, *options: str) -> Server:
        running.append(serve(folder, *options))
        return running[-1]

    yield start
    for one in running:
        if one.process.poll() is None:
            end(one)


@pytest.fixture(scope="module")
def spans(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, Study]]:
    """A study of free spans, served for all tests that take a transcript or a rater of their own."""
    study = study_to_code(tmp_path_factory.mktemp("spans"), units="spans", raters=6)
    server = serve(study.folder)
    yield server, study
    end(server)


def drag(page: Any, words: str) -> None:
    place = page.evaluate(
        """(words) => {
            const box = [...document.querySelectorAll('.wbp-unit')].find((one) => one.textContent.includes(words));
            const walker = document.createTreeWalker(box, NodeFilter.SHOW_TEXT);
            const find = (at) => {
                walker.currentNode = box;
                for (let node = walker.nextNode(); node; node = walker.nextNode()) {
                    if (at <= node.length) return [node, at];
                    at -= node.length;
                }
            };
            const from = box.textContent.indexOf(words);
            const rects = (start, end) => {
                const range = document.createRange();
                range.setStart(...find(start)); range.setEnd(...find(end));
                document.querySelector('[data-testid=stMain]').scrollBy(0, range.getBoundingClientRect().top - 400);
                return [...range.getClientRects()];
            };
            const all = rects(from, from + words.length);
            const [first, last] = [all[0], all.at(-1)];
            const rtl = /[\\u0590-\\u05ff]/.test(words);
            const y = (one) => one.top + one.height / 2;
            return rtl ? [first.right - 1, y(first), last.left + 1, y(last)] : [first.left + 1, y(first), last.right - 1, y(last)];
        }""",
        words,
    )
    page.mouse.move(place[0], place[1])
    page.mouse.down()
    page.mouse.move(place[2], place[3], steps=5)
    page.mouse.up()


@pytest.mark.full
def test_by_mouse_in_text_of_many_scripts(spans, desks):
    server, study = spans
    desk = desks(server, study, "R1").open().at("A01")
    wanted = [f"{FAMILY} and real {FLAG}", f"n{COMBINED}tt and warm", "שלום למטבח"]
    for words in wanted:
        drag(desk.page, words)
        assert desk.page.locator(".wbp-quote").inner_text() == f"“{words}”"
        desk.page.get_by_role("option", name="HEFT").click()
        desk.page.get_by_role("checkbox", name="slosh").check()
        desk.page.get_by_role("radio", name="against").check()
        desk.page.get_by_role("button", name="Apply").click()
    desk.stored()
    kept = [one.content for one in desk.entries(kind="coding", by="R1")]
    assert [(one["quote"], one["about"], one["stance"]) for one in kept] == [
        (words, ["slosh"], "against") for words in wanted
    ]
    text = study.path("transcripts/A01.txt").read_text(encoding="utf-8")
    assert all(one["quote"] in text and len(one["quote"]) == one["end"] - one["start"] for one in kept)


def test_by_keys_alone_with_undo_and_the_way_to_all_excerpts(spans, desks):
    server, study = spans
    desk = desks(server, study, "R2").open("/coding?round=first&transcript=A01")
    desk.page.locator("[data-unit='A01-002']:focus").wait_for()
    desk.page.keyboard.press("ArrowRight")
    desk.code("heft / still for")
    for key in ("ArrowDown", "0", "ArrowDown", "m"):
        desk.page.keyboard.press(key)
    desk.page.keyboard.type("Short.")
    for key in ("Control+Enter", "z", "y", "z"):
        desk.page.keyboard.press(key)
    desk.stored()
    told = [(one.kind, (one.content or {}).get("quote", ""), one.why) for one in desk.entries(by="R2")]
    assert told == [
        ("coding", "Heavy", ""),
        ("rated", "", ""),
        ("memo", "", ""),
        ("memo", "", "undo"),
        ("memo", "", "redo"),
        ("memo", "", "undo"),
    ]
    desk.focus("A01-002").page.keyboard.press("e")
    desk.page.locator(".wb h1", has_text="Reading").wait_for()
    desk.page.locator(".excerpt mark", has_text="Heavy").wait_for()


@pytest.mark.full
def test_nothing_that_was_said_runs_or_is_fetched_and_a_long_turn_is_coded(spans, desks):
    server, study = spans
    desk = desks(server, study, "R3").open().at("A02")
    assert "<script>" in desk.page.locator(".wbp-text").inner_text()
    drag(desk.page, "word4990 word4991")
    desk.page.keyboard.type("heft")
    desk.page.keyboard.press("Enter")
    desk.stored()
    assert [one.content["quote"] for one in desk.entries(kind="coding", by="R3")] == ["word4990 word4991"]
    desk.page.goto(f"{server.address}/reading")
    desk.page.locator(".excerpt", has_text="word4990").wait_for()
    desk.page.goto(f"{server.address}/interviews")
    desk.view("One transcript").page.get_by_label("Transcript", exact=True).first.click()
    desk.page.keyboard.type("A02")
    desk.page.keyboard.press("Enter")
    desk.page.get_by_text("onerror").first.wait_for()
    assert desk.page.title() != "run"
    own = (server.address, server.address.replace("http", "ws"), "data:", "blob:", "about:")
    assert [url for url in desk.asked if not url.startswith(own)] == []


@pytest.mark.full
def test_what_a_page_forges_is_refused_and_told(spans, desks):
    server, study = spans
    desk = desks(server, study, "R4").open().at("A03")
    desk.focus("A03-002").code("voice").stored()
    (one,) = desk.entries(by="R4")
    forged = {
        "id": "0" * 32, "by": "R5", "kind": "coding", "key": one.key.replace("R4", "R5"), "content": one.content, "round": "first",
        "transcript": "A03", "version": "1", "why": "", "at": "2026-03-02T09:30:00+00:00",
    }  # fmt: skip
    place = f"workbench {study.declared.id} R4 first A03"
    desk.page.evaluate("([place, told]) => sessionStorage.setItem(place, JSON.stringify([told]))", [place, forged])
    desk.page.reload()
    desk.at("A03")
    desk.page.locator(".wbp-trouble", has_text="`by` is “R5”").wait_for()
    assert desk.entries(by="R5") == []
    assert desk.page.evaluate("place => sessionStorage.getItem(place)", place) is None
    assert desk.notes() == ["a VOICE The voice helps"]


@pytest.mark.full
def test_two_tabs_of_one_rater_lose_nothing(spans, desks):
    server, study = spans
    first = desks(server, study, "R6").open().at("A03")
    second = desks(server, study, "R6", first.context).open().at("A03")
    first.focus("A03-002").code("heft").stored()
    second.focus("A03-004").code("sway").stored()
    first.focus("A03-006").page.keyboard.press("0")
    first.stored().page.locator(".wbp-note", has_text="SWAY").wait_for()
    kept = {(one.kind, one.content["unit"]) for one in first.entries(by="R6")}
    assert kept == {("coding", "A03-002"), ("coding", "A03-004"), ("rated", "A03-006")}


@pytest.mark.full
def test_over_a_reload_and_a_new_server_the_work_goes_on(serving, desks, tmp_path):
    study = study_to_code(tmp_path)
    server = serving(study.folder)
    desk = desks(server, study, "R1").open().at("A03")
    desk.focus("A03-002").code("heft")
    desk.page.reload()
    desk.at("A03").stored()
    assert desk.notes() == ["HEFT The pot has weight"]
    end(server)
    desk.focus("A03-004").code("sway")
    desk.page.locator(".wbp-kept", has_text="1 not stored yet").wait_for()
    serving(study.folder, "--port", server.address.rpartition(":")[2])
    desk.stored()
    assert [one.content["code"] for one in desk.entries(by="R1")] == ["HEFT", "SWAY"]


@pytest.mark.full
def test_a_database_locked_or_gone_is_told_and_the_work_is_kept(serving, desks, tmp_path):
    study = study_to_code(tmp_path)
    server = serving(study.folder)
    desk = desks(server, study, "R1").open().at("A03")
    desk.focus("A03-002").code("heft").stored()
    holder = sqlite3.connect(study.path(DECISIONS), isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    desk.focus("A03-004").code("sway")
    desk.page.locator(".wbp-trouble", has_text="holds the database locked").wait_for()
    desk.page.locator(".wbp-trouble", has_text="leave the tab open").wait_for()
    assert len(desk.notes()) == 2
    holder.execute("ROLLBACK")
    holder.close()
    desk.stored()
    away = tmp_path / "away"
    shutil.move(study.path(DECISIONS), away)
    desk.focus("A03-006").page.keyboard.press("0")
    desk.page.locator(".wbp-trouble", has_text="moved, removed or replaced").wait_for()
    shutil.move(away, study.path(DECISIONS))
    desk.stored()
    assert desk.page.locator(".wbp-trouble").inner_text() == ""
    assert [one.kind for one in desk.entries(by="R1")] == ["coding", "coding", "rated"]


@pytest.mark.full
def test_two_raters_are_blind_until_both_have_handed_in_and_then_agree(serving, desks, tmp_path):
    study = study_to_code(tmp_path)
    server = serving(study.folder)
    one, two = desks(server, study, "R1").open().at("A03"), desks(server, study, "R2").open().at("A03")
    one.focus("A03-002").code("heft / still")
    one.page.keyboard.press("m")
    one.page.keyboard.type(PLANTED)
    one.page.keyboard.press("Control+Enter")
    one.stored()
    two.focus("A03-002").code("sway").stored()
    for desk in (one, two):
        for unit in ("A03-004", "A03-006"):
            desk.focus(unit).page.keyboard.press("0")
        desk.stored()
    nobody = desks(server, study, "").open()
    nobody.page.get_by_text("Raters sign in to code").wait_for()
    for desk in (two, nobody):
        for address in ("/reading", "/agreement", "/coding"):
            desk.open(address)
            desk.page.wait_for_selector(IDLE)
            desk.page.wait_for_timeout(400)
        assert PLANTED.encode() not in b"".join(desk.heard)
        assert PLANTED not in desk.page.content()
        assert PLANTED not in desk.page.evaluate("JSON.stringify([{...sessionStorage}, {...localStorage}])")
    assert b"HEFT \xc2\xb7" not in b"".join(nobody.heard)
    for desk in (one, two):
        desk.open().page.locator(".wbp-hand").wait_for()
        desk.view("Hand in").page.get_by_label(re.compile("^Reason")).fill("only A03 was agreed on")
        desk.page.get_by_role("button", name="Hand in", exact=True).click()
        desk.page.get_by_text("first is handed in.").wait_for()
    two.open("/agreement").view("Differences")
    two.page.get_by_text("1 of 1 differences are open").wait_for()
    two.page.get_by_text("HEFT, about The still one").wait_for()
    two.page.get_by_role("button", name="Take this").first.click()
    two.page.get_by_text("1. HEFT").wait_for()
    two.page.get_by_text("The codebook has to change").click()
    two.page.get_by_label("Reason", exact=True).fill("It is about weight.")
    two.page.get_by_label("Reason", exact=True).press("Tab")
    two.page.get_by_role("button", name="Settle it").click()
    two.page.get_by_text("Agreed on A03-002: HEFT.").wait_for()
    (agreed,) = two.entries(kind="consensus")
    assert (agreed.by, agreed.round, agreed.why) == ("R2", "agreed", "It is about weight.")
    assert [(code["code"], code["about"]) for code in agreed.content["codes"]] == [("HEFT", ["still"])]
    assert agreed.content["outcome"] == "codebook change"
    two.view("Agreement").page.get_by_text("Agreement between raters by code").first.wait_for()


@pytest.mark.full
def test_a_hundred_units_coded_by_a_script_are_in_the_journal_as_it_did_them(serving, desks, tmp_path):
    study = study_to_code(tmp_path, long=100)
    desk = desks(serving(study.folder), study, "R1").open().at("A04")
    units = desk.page.locator(".wbp-unit").evaluate_all("all => all.map((one) => one.dataset.unit)")
    assert len(units) == 100
    desk.focus(units[0]).code("heft / slosh")
    desk.page.keyboard.press("ArrowDown")
    desk.code("sway")
    done = [("coding", units[0], "HEFT", ["slosh"]), ("coding", units[1], "SWAY", [])]
    for number, unit in enumerate(units[2:]):
        desk.page.keyboard.press("ArrowDown")
        desk.page.keyboard.press("120"[number % 3])
        code = ("HEFT", "SWAY", "")[number % 3]
        done.append(("coding" if code else "rated", unit, code, []))
    desk.stored()
    kept = [
        (one.kind, one.content["unit"], one.content.get("code", ""), one.content.get("about", []))
        for one in desk.entries()
    ]
    assert kept == done


@pytest.mark.full
def test_signing_in_and_out(serving, desks, tmp_path):
    study = study_to_code(tmp_path)
    set_passphrase(study, "R1", "four calm words here")
    desk = desks(serving(study.folder), study, "")
    desk.open().page.get_by_role("link", name="Sign in").click()
    desk.page.get_by_label("Passphrase").fill("four wrong words here")
    desk.page.get_by_role("button", name="Sign in").click()
    desk.page.get_by_role("alert").get_by_text("not the passphrase").wait_for()
    desk.page.get_by_label("Passphrase").fill("four calm words here")
    desk.page.get_by_role("button", name="Sign in").click()
    desk.page.locator(".wbp-hand").wait_for()
    (cookie,) = [one for one in desk.context.cookies() if one["name"] == cookie_name(study.folder)]
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert desk.page.evaluate("document.cookie") == "" or cookie["value"] not in desk.page.evaluate("document.cookie")
    other = desks(desk.server, study, "R1", desk.context).open().at("A03")
    desk.page.get_by_role("link", name="Sign out").click()
    desk.page.get_by_role("button", name="Sign out").click()
    desk.page.get_by_label("Passphrase").wait_for()
    other.focus("A03-002").code("heft")
    other.page.locator(".wbp-trouble", has_text="Nobody is signed in").wait_for()
    assert desk.entries() == []


@pytest.mark.full
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_coding_keeps_nobody_out_as_far_as_a_program_can_tell(spans, desks, scheme):
    axe = pytest.importorskip("axe_playwright_python", reason="axe-core (axe-playwright-python) is not installed")
    server, study = spans
    desk = desks(server, study, "R5")
    desk.page.emulate_media(color_scheme=scheme)
    desk.open().at("A01").focus("A01-002").code("heft")
    script = resources.files(axe.__name__).joinpath("axe.min.js").read_text(encoding="utf-8")
    for address in ("/coding", "/reading"):
        desk.open(address)
        if address == "/coding":
            desk.at("A01").focus("A01-004").page.keyboard.press("Enter")
        desk.page.wait_for_selector(IDLE)
        desk.page.wait_for_timeout(500)
        desk.page.evaluate(script)
        found = desk.page.evaluate("axe.run(document, {resultTypes: ['violations']})")["violations"]
        serious = [
            (one["id"], one["nodes"][0]["html"][:150]) for one in found if one["impact"] in ("serious", "critical")
        ]
        assert serious == []


@pytest.mark.full
def test_eight_raters_at_once_lose_nothing(chromium, tmp_path):
    given, kept = eight_at_once(chromium, tmp_path, codes=10)
    assert kept == given
