"""The packet page in Chromium, driven by mouse and keys as a rater would; what it saves is compared with what was done.

The script knows the packet file alone. All words are invented.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from packets import COMBINED, FAMILY, FLAG, LINES, OTHER_RATER, assignment, working

from workbench.coding.packet import Assignment, codes_shown, make_packet, transcript_shown
from workbench.coding.packet_result import PacketResult, read_packet_result
from workbench.store.operations import Operation

NAME = re.compile("[0-9a-f]{32}")


@pytest.fixture(scope="module")
def browser(chromium: Any) -> Any:
    return chromium


@dataclass
class Rater:
    """Somebody at a packet page, and all that the page asked for or complained about."""

    page: Any
    made: Assignment
    folder: Path
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def press(self, *keys: str) -> None:
        for key in keys:
            self.page.keyboard.press(key)

    def code(self, words: str) -> None:
        self.press("Enter")
        self.page.keyboard.type(words)
        self.press("Enter")

    def kept(self, count: int) -> None:
        """Wait until the page says that so many changes are kept."""
        self.page.get_by_text(f"of {count} changes are not in a saved file yet").wait_for(timeout=30_000)
        self.page.locator(".wbp-kept", has_text="all kept").wait_for(timeout=30_000)

    def save(self) -> Path:
        with self.page.expect_download() as download:
            self.page.get_by_role("button", name="Save to a file").click()
        path = self.folder / download.value.suggested_filename
        download.value.save_as(path)
        return path

    def saved(self) -> PacketResult:
        return read_packet_result(self.save(), self.made)

    def notes(self) -> list[str]:
        """The notes under the text, without how they stand."""
        found = self.page.locator(".wbp-note").all_inner_texts()
        return [re.sub(r"\s*\b(remove|kept|not stored yet)\b\s*", " ", one).strip() for one in found]

    def focused(self) -> str | None:
        return self.page.evaluate("document.activeElement.dataset.unit")

    def drag(self, words: str, upto: str = "", *, shift: int = 0) -> None:
        """Select words with the mouse, from their beginning to their end or to the end of others."""
        begin, stop = self.page.evaluate(
            """([words, upto]) => {
                const find = (words) => {
                    const walker = document.createTreeWalker(document.querySelector('.wbp-text'), NodeFilter.SHOW_TEXT);
                    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
                        const at = node.data.indexOf(words);
                        if (at < 0) continue;
                        const range = document.createRange();
                        range.setStart(node, at);
                        range.setEnd(node, at + words.length);
                        return range;
                    }
                };
                const edge = (range, isEnd) => {
                    const box = isEnd ? Array.from(range.getClientRects()).at(-1) : range.getClientRects()[0];
                    const isFromRight = /^[\\u0590-\\u05ff]/.test(range.toString());
                    return [isEnd === isFromRight ? box.left + 0.5 : box.right - 0.5, box.top + box.height / 2];
                };
                const [begin, stop] = [find(words), find(upto || words)];
                begin.startContainer.parentElement.scrollIntoView({ block: 'nearest' });
                scrollBy(0, begin.getClientRects()[0].top - 300);
                return [edge(begin, false), edge(stop, true)];
            }""",
            [words, upto],
        )
        self.page.mouse.move(*begin)
        self.page.mouse.down()
        self.page.mouse.move(stop[0], stop[1], steps=4)
        self.page.mouse.up()


def at_page(browser: Any, folder: Path, made: Assignment, *, before: str = "") -> Rater:
    path = folder / "packet.html"
    path.write_text(make_packet(made), encoding="utf-8")
    context = browser.new_context(viewport={"width": 1100, "height": 900}, accept_downloads=True)
    context.set_default_timeout(30_000)  # a busy machine is no fault of the page
    page = context.new_page()
    rater = Rater(page, made, folder)
    context.on("request", lambda request: rater.requests.append(request.url))
    page.on("console", lambda one: rater.complaints.append(one.text) if one.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: rater.complaints.append(str(error)))
    if before:
        page.add_init_script(before)
    page.goto(path.as_uri())
    page.locator(".wbp-hand").wait_for()
    return rater


def told(found: PacketResult) -> list[tuple[str, str, Any, str]]:
    """Operations in order, without what is drawn at random."""
    return [(one.kind, NAME.sub("*", one.key), one.content, one.why) for one in found.operations]


def coded(unit: str, code: str, about: tuple[str, ...] = (), stance: str = "", words: str = "", text: str = "") -> Any:
    """What a coding should say, from the words alone."""
    start = text.index(words) if words else None
    end = start + len(words) if start is not None else None
    place = "-" if start is None else f"{start}-{end}"
    content = {"participant": "A03", "unit": unit, "start": start, "end": end, "quote": words}
    content |= {"code": code, "about": list(about), "stance": stance}
    return "coding", f"reliability/A03/{unit}/{place}/{code}/R2", content


def test_by_keyboard_alone_and_the_file_says_what_was_done(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    page = rater.page
    for _ in range(30):
        rater.press("Tab")
        if rater.focused():
            break
    assert rater.focused() == "A03-002"
    rater.code("heft / slosh still against")
    rater.code("sway")
    rater.press("n")
    assert rater.focused() == "A03-006"
    rater.press("1", "ArrowDown", "0", "z", "y", "m")
    page.keyboard.type("Is this one?")
    rater.press("Control+Enter", "ArrowUp", "Tab", "Delete")
    assert rater.focused() == "A03-006"
    rater.press("Home", "Tab", "Enter", "Tab", "Tab", "Space", "Enter")
    rater.kept(9)
    nothing = "rated", "reliability/A03/A03-008/R2", {"participant": "A03", "unit": "A03-008"}
    heft = coded("A03-006", "HEFT")
    assert told(rater.saved()) == [
        (*coded("A03-002", "HEFT", ("still", "slosh"), "against"), ""),
        (*coded("A03-002", "SWAY"), ""),
        (*heft, ""),
        (*nothing, ""),
        (*nothing[:2], None, "undo"),
        (*nothing, "redo"),
        ("memo", "unit/A03-008/*", {"on": "unit", "name": "A03-008", "text": "Is this one?"}, ""),
        (*heft[:2], None, ""),
        (*coded("A03-002", "HEFT", ("still",), "against"), ""),
    ]
    assert rater.complaints == []


def test_by_mouse_in_text_of_many_scripts(browser, tmp_path):
    made = assignment("spans")
    rater = at_page(browser, tmp_path, made)
    texts = {one.id: one.text for one in made.units}
    wanted = [
        ("A03-002", f"{FAMILY} and real {FLAG}", "HEFT"),
        ("A03-002", f"n{COMBINED}tt and warm", "SWAY"),
        ("A03-002", "Über alle Maßen", "ÜBER"),
        ("A03-008", "שלום למטבח", "VOICE"),
    ]
    for _, words, code in wanted:
        rater.drag(words)
        assert rater.page.locator(".wbp-quote").inner_text() == f"“{words}”"
        rater.page.get_by_role("option", name=code).click()
        rater.page.get_by_role("checkbox", name="Slosh").check()
        rater.page.get_by_role("radio", name="for").check()
        rater.page.get_by_role("button", name="Apply").click()
    rater.kept(4)
    assert told(rater.saved()) == [
        (*coded(unit, code, ("slosh",), "for", words, texts[unit]), "") for unit, words, code in wanted
    ]
    assert rater.page.locator(".wbp-text").inner_text().count(FAMILY) == 1


def test_a_selection_inside_a_letter_takes_the_whole_letter(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment("spans"))
    rater.page.evaluate(
        """(flag) => {
            const node = document.querySelector('.wbp-unit').firstChild;
            const at = node.data.indexOf(flag);
            getSelection().setBaseAndExtent(node, at + 2, node, at + 3);
            document.dispatchEvent(new PointerEvent('pointerup', { bubbles: true }));
        }""",
        FLAG,
    )
    assert rater.page.locator(".wbp-quote").inner_text() == f"“{FLAG}”"


def test_words_chosen_by_keys(browser, tmp_path):
    made = assignment("spans")
    rater = at_page(browser, tmp_path, made)
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("ArrowRight", "ArrowRight", "Shift+ArrowRight", ".", "Shift+ArrowLeft", ",")
    rater.code("heft")
    rater.press("ArrowRight", "1")
    rater.kept(2)
    text = made.units[0].text
    assert told(rater.saved()) == [
        (*coded("A03-002", "HEFT", words="and rea", text=text), ""),
        (*coded("A03-002", "HEFT", words="Heavy", text=text), ""),
    ]


def test_a_selection_over_turns_is_cut_at_their_ends_and_says_so(browser, tmp_path):
    made = assignment("spans")
    rater = at_page(browser, tmp_path, made)
    rater.drag("and warm.", "to the left")
    assert rater.page.locator(".wbp-quote").all_inner_texts() == ["“and warm.”", "“It pulled to the left”"]
    assert "they are cut there: 2 spans" in rater.page.locator(".wbp-slip").inner_text()
    rater.page.keyboard.type("heft")
    rater.press("Enter")
    rater.kept(2)
    text = made.units[0].text
    assert told(rater.saved()) == [
        (*coded("A03-002", "HEFT", words="and warm.", text=text), ""),
        (*coded("A03-002", "HEFT", words="It pulled to the left", text=text), ""),
    ]
    rater.page.locator(".wbp-unit").first.press("z")
    assert rater.notes() == []


def test_codes_on_the_same_words_have_rules_and_signs_of_their_own(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment("spans"))
    for words, code in (("and real", "heft"), ("real", "sway"), ("real", "voice")):
        rater.drag(words)
        rater.page.keyboard.type(code)
        rater.press("Enter")
    assert [one[0] for one in rater.notes()] == ["a", "b", "c"]
    signs = rater.page.locator(".wbp-cut[data-sign]").evaluate_all("all => all.map((one) => one.dataset.sign)")
    assert signs == ["a", "b c"]
    places = rater.page.locator(".wbp-cut").last.evaluate("one => getComputedStyle(one).backgroundPositionY")
    assert len(set(places.split(", "))) == 3


def test_undo_takes_back_one_move_at_a_time_and_redo_brings_it_again(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("0")
    rater.code("heft / slosh")
    seen = [rater.notes()]
    for key in ("Control+z", "z", "z", "y", "Control+Shift+z"):
        rater.press(key)
        seen.append(rater.notes())
    code, nothing = ["HEFT The pot has weight · about Slosh"], ["nothing applies"]
    assert [[one.lstrip("— ") for one in notes] for notes in seen] == [code, nothing, [], [], nothing, code]


def test_work_is_there_after_a_reload_with_undo(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.locator(".wbp-unit").first.focus()
    rater.code("heft / slosh for")
    rater.press("ArrowDown", "0")
    rater.kept(2)
    before = rater.notes()
    rater.page.reload()
    rater.page.locator(".wbp-note").first.wait_for()
    assert rater.notes() == before
    assert rater.page.get_by_role("button", name=re.compile("^A03")).locator("..").inner_text() == "A03 2 of 4 left"
    rater.page.get_by_role("button", name="Undo").click()
    assert rater.notes() == before[:1]


def test_what_the_rater_had_decided_is_shown_and_not_saved_again(browser, tmp_path):
    made = assignment()
    kind, key, content = coded("A03-002", "HEFT")
    before = Operation(
        "c" * 32, "R2", kind, key, content, "reliability", "A03", "2", "any reason", "2026-11-25T10:00:00+00:00"
    )
    rater = at_page(browser, tmp_path, replace(made, own=(before,)))
    assert rater.notes() == ["HEFT The pot has weight"]
    assert rater.page.locator("#packet-state").inner_text() == "Nothing is changed here yet."
    rater.page.locator(".wbp-unit").first.focus()
    rater.page.get_by_role("button", name="remove HEFT").click()
    rater.kept(1)
    assert told(rater.saved()) == [(kind, key, None, "")]


NO_STORAGE_EVENTS = """
const listen = window.addEventListener;
window.addEventListener = function (kind, ...further) {
  if (kind !== "storage") listen.call(this, kind, ...further);
};
"""
"""A browser that does not tell one window what another has kept."""


@pytest.mark.parametrize("comes_back", [True, False])
def test_two_windows_of_one_packet_lose_nothing(browser, tmp_path, comes_back):
    """Not even where the browser tells neither of the other: whoever comes back to a window, or saves, gets all."""
    rater = at_page(browser, tmp_path, assignment(), before=NO_STORAGE_EVENTS)
    other = rater.page.context.new_page()
    other.goto(rater.page.url)
    other.locator(".wbp-unit").first.press("0")
    other.get_by_text("1 of 1 changes are not in a saved file yet.").wait_for()
    other.locator(".wbp-kept", has_text="all kept").wait_for()
    rater.page.bring_to_front()
    assert rater.page.locator(".wbp-note").count() == 0
    rater.page.locator("[data-unit=A03-006]").press("0")
    rater.kept(1)
    if comes_back:
        rater.page.evaluate("window.dispatchEvent(new Event('focus'))")
        rater.page.locator(".wbp-note").nth(1).wait_for()
    assert len(rater.saved().operations) == 2
    rater.page.reload()
    rater.page.locator(".wbp-note").nth(1).wait_for()


@pytest.mark.full
def test_two_windows_of_one_packet_tell_each_other(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    other = rater.page.context.new_page()
    other.goto(rater.page.url)
    other.locator(".wbp-unit").first.press("0")
    rater.page.locator(".wbp-note").first.wait_for()
    rater.page.bring_to_front()
    rater.page.locator("[data-unit=A03-006]").press("0")
    other.bring_to_front()
    other.locator(".wbp-note").nth(1).wait_for()
    rater.page.bring_to_front()
    rater.kept(2)


def test_arrows_follow_the_direction_of_the_words(browser, tmp_path):
    lines = (("I", "Invented."), ("P", "המרק נע מצד לצד"), ("I", "Mhm."), ("P", "And then?"))
    rater = at_page(browser, tmp_path, assignment("spans", working(lines, language="he")))
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("ArrowLeft", "ArrowLeft", "Shift+ArrowLeft")
    rater.code("heft")
    rater.kept(1)
    content = rater.saved().operations[0].content
    assert content is not None
    assert content["quote"] == "נע מצד"
    language = rater.page.locator(".wbp-words").first.evaluate("one => [one.lang, one.dir]")
    assert language == ["he", "auto"]


def test_a_saved_file_is_opened_elsewhere_and_gone_on_with(browser, tmp_path):
    made = assignment()
    first = at_page(browser, tmp_path, made)
    first.page.locator(".wbp-unit").first.focus()
    first.code("heft")
    first.kept(1)
    file = first.save()
    second = at_page(browser, tmp_path, made)
    assert second.notes() == []
    for _ in range(2):
        second.page.get_by_label("Open a saved file").set_input_files(file)
    second.page.get_by_text("All that the file holds is here already.").wait_for()
    second.page.locator("[data-unit=A03-006]").focus()
    second.press("1")
    second.kept(2)
    assert [one[1] for one in told(second.saved())] == [coded(unit, "HEFT")[1] for unit in ("A03-002", "A03-006")]
    assert second.saved().operations[0] == read_packet_result(file, made).operations[0]


def test_a_file_of_something_else_is_not_opened(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("0")
    rater.kept(1)
    path = rater.save()
    saved = json.loads(path.read_text(encoding="utf-8"))
    for changed, said in (
        ({"rater": "R1"}, "It belongs to another rater: “R1”, not “R2”."),
        ({"packet": "0" * 32}, "It was saved from another packet."),
        ({"operations": [{"id": 1}]}, "the file was changed by hand or damaged"),
        ({"format": "x"}, "This is no file saved from a packet page."),
    ):
        path.write_text(json.dumps(saved | changed), encoding="utf-8")
        rater.page.get_by_label("Open a saved file").set_input_files(path)
        rater.page.locator("#packet-said", has_text=said).wait_for()
        assert len(rater.notes()) == 1


def test_nothing_leaves_and_what_people_said_runs_nothing(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.locator("[data-unit=A03-006]").focus()
    rater.code("heft")
    rater.kept(1)
    rater.save()
    assert rater.page.evaluate("window.hurt") is None
    assert LINES[5][1] in rater.page.locator(".wbp-text").inner_text()
    assert [one for one in rater.requests if not one.startswith(("file://", "blob:"))] == []
    assert sum(one.startswith("file://") for one in rater.requests) == 1
    assert rater.complaints == []
    assert OTHER_RATER not in rater.page.content()


def test_without_storage_the_page_says_so_and_still_saves(browser, tmp_path):
    broken = "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no'); } })"
    rater = at_page(browser, tmp_path, assignment(), before=broken)
    assert "does not keep your work" in rater.page.get_by_role("alert").inner_text()
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("0")
    assert rater.page.locator(".wbp-wait").first.inner_text() == "not stored yet"
    assert len(rater.saved().operations) == 1


def test_a_turn_of_5000_words_can_be_coded(browser, tmp_path):
    words = " ".join(f"word{number}" for number in range(5000))
    made = assignment("spans", working((("I", "Invented."), ("P", words))))
    rater = at_page(browser, tmp_path, made)
    rater.drag("word4990 word4991")
    rater.page.keyboard.type("heft")
    rater.press("Enter", "ArrowRight", "1")
    rater.kept(2)
    quotes = [one.content["quote"] for one in rater.saved().operations if one.content]
    assert quotes == ["word4990 word4991", "word0"]


def test_sentences_are_gone_through_one_by_one(browser, tmp_path):
    made = assignment("sentences")
    rater = at_page(browser, tmp_path, made)
    rater.page.locator(".wbp-unit").first.focus()
    rater.code("heft")
    rater.press("ArrowRight", "0")
    rater.kept(2)
    assert [one.content["unit"] for one in rater.saved().operations if one.content] == ["A03-002.1", "A03-002.2"]


def test_keys_of_the_host_reach_it_and_definitions_are_at_hand(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.evaluate("window.got = []; addEventListener('keydown', (e) => got.push([e.key, e.defaultPrevented]))")
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("r", "c", "0")
    assert rater.page.evaluate("got") == [["r", False], ["c", False]]
    rater.press("z", "Enter")
    rater.page.keyboard.type("weig")
    rules = rater.page.locator(".wbp-rules").inner_text()
    assert "Said to be heavy or light." in rules
    assert "Not for tired arms." in rules
    assert rater.page.get_by_role("option", selected=True).inner_text() == "HEFT The pot has weight"
    rater.press("Escape")
    assert rater.focused() == "A03-002"


def test_what_a_code_is_about_is_said_afterwards_and_what_is_not_said_stays(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    rater.page.locator(".wbp-unit").first.focus()
    rater.press("/")
    assert rater.page.locator(".wbp-slip").count() == 0
    rater.press("Enter", "Enter")
    assert "No code is chosen yet" in rater.page.locator(".wbp-rules").inner_text()
    rater.page.keyboard.type("heft")
    rater.press("Enter", "/")
    rater.page.keyboard.type("slosh")
    rater.press("Enter", "Tab", "Enter")
    rater.page.keyboard.type("/ against")
    rater.press("Enter")
    rater.kept(3)
    assert told(rater.saved())[1:] == [
        (*coded("A03-002", "HEFT", ("slosh",)), ""),
        (*coded("A03-002", "HEFT", ("slosh",), "against"), ""),
    ]


def test_keys_work_beside_the_text_too_and_are_listed_by_one(browser, tmp_path):
    rater = at_page(browser, tmp_path, assignment())
    listed = rater.page.get_by_text("a code used lately")
    rater.page.locator(".wbp-keys summary").click()
    listed.wait_for()
    rater.press("0", "Escape")
    assert rater.focused() == "A03-002"
    assert not listed.is_visible()
    rater.press("?")
    listed.wait_for()
    rater.press("?")
    assert not listed.is_visible()
    rater.page.get_by_role("button", name="Undo").click()
    rater.press("y", "n")
    assert rater.focused() == "A03-006"
    rater.page.locator(".wbp-other .wbp-words").first.click()
    rater.press("0")
    rater.kept(4)
    assert [(one.content or {}).get("unit") for one in rater.saved().operations] == [
        "A03-002",
        None,
        "A03-002",
        "A03-006",
    ]


def test_a_mark_is_drawn_at_once_and_called_stored_only_when_the_host_has_it(browser):
    made = assignment()
    page = browser.new_page()
    page.set_default_timeout(30_000)  # a busy machine is no fault of the page
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    panel = resources.files("workbench.coding").joinpath("panel", "panel.js").read_text(encoding="utf-8")
    page.set_content("<div id=here></div>")
    page.add_script_tag(content=f"{panel}\nwindow.mount = mount;", type="module")
    page.wait_for_function("'mount' in window")
    data = transcript_shown(made.transcripts[0], [one for one in made.units if one.transcript == "A03"])
    data |= {"round": "reliability", "by": "R2", "version": "2", "kind": "answers", "codes": codes_shown(made.codebook)}
    data |= {"conditions": [], "operations": []}
    page.evaluate(
        """(data) => {
            window.data = data; window.sent = [];
            window.here = document.getElementById('here');
            window.again = (more) => mount(here, { ...data, ...more }, { onOperations: (list) => sent.push(...list) });
            again({});
        }""",
        data,
    )
    page.locator(".wbp-unit").first.focus()
    page.keyboard.press("0")
    state = page.locator(".wbp-note span").last
    assert state.inner_text() == "not stored yet"
    page.evaluate("void again({})")
    assert state.inner_text() == "not stored yet"
    page.evaluate("void again({ stored: [sent[0].id] })")
    assert state.inner_text() == "stored"
    page.evaluate("window.off = again({ operations: sent }); 1")
    assert page.locator(".wbp-note").count() == 1
    page.evaluate("void off()")
    assert page.locator(".wbp-panel").count() == 0
    assert complaints == []
    page.close()


def test_the_page_is_accessible_as_far_as_a_program_can_tell(browser, tmp_path):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    rater = at_page(browser, tmp_path, assignment("spans"))
    rater.drag("and real")
    rater.page.keyboard.type("heft")
    rater.press("Enter", "ArrowDown", "0", "ArrowDown", "Enter")
    rater.page.keyboard.type("s")
    for scheme in ("light", "dark"):
        rater.page.emulate_media(color_scheme=scheme)
        found = axe.Axe().run(rater.page).response["violations"]
        assert [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found] == []
