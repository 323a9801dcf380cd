"""How fast coding is in a browser: from key press to mark, and to what the journal has; and eight raters at once.

    python tests/latency_coding.py [--operations 50] [--eight]

The studies are made here; the words are drawn at random and mean nothing. What is printed are medians in milliseconds, with the
machine's load, which belongs to them.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

from app_server import FLAGS, Server, end, serve
from study_folders import study_in

from workbench.app.passphrases import set_passphrase
from workbench.codebook.model import Code, Codebook, Codebooks, with_changes
from workbench.codebook.tables import codebooks_csv
from workbench.coding.material import read_material
from workbench.store.opening import open_store
from workbench.store.operations import new_operation
from workbench.study import Study

WORDS = [
    "the",
    "pot",
    "feels",
    "heavy",
    "when",
    "soup",
    "sways",
    "left",
    "and",
    "I",
    "lift",
    "it",
    "slowly",
    "with",
    "both",
    "hands",
    "over",
    "there",
    "again",
]
CODES = [f"CODE{number:02d}" for number in range(1, 16)]
PASSPHRASE = "one pot of calm soup"

RECORDER = """() => {
  window.timing = []; let began = 0, marked = 0, count = 0;
  const notes = () => document.querySelectorAll('.wbp-note').length;
  addEventListener('keydown', (event) => {
    if (event.key !== '1') return;
    began = performance.now(); marked = 0; count = notes();
  }, true);
  const look = () => {
    if (!began) return;
    const now = performance.now();
    if (!marked && notes() > count) marked = now - began;
    if (marked && document.querySelector('.wbp-kept').textContent.startsWith('all ')) {
      window.timing.push([marked, now - began]); began = 0;
    }
  };
  new MutationObserver(look).observe(document.body, { subtree: true, childList: true, characterData: true });
}"""


def made_study(folder: Path, *, transcripts: int, turns: int, raters: int = 2) -> Study:
    """A study of transcripts with as many turns each, half of them the participant's."""
    people = [f"A{number:02d}" for number in range(1, transcripts + 1)]
    files = {}
    for place, person in enumerate(people):
        lines = [
            f"{'I' if turn % 2 == 0 else person}: {' '.join(WORDS[(turn * 7 + step + place) % len(WORDS)] for step in range(26))}."
            for turn in range(turns)
        ]
        files[f"transcripts/{person}.txt"] = "\n".join(lines) + "\n"
    book = Codebook("1", tuple(Code(code, f"Code {code[-2:]}", definition="Drawn at random.") for code in CODES))
    files["codebook.csv"] = codebooks_csv(Codebooks(with_changes([book])))
    study = study_in(
        folder,
        files=files,
        participants={"ids": people},
        interviews={
            "mode": "coding reliability",
            "raters": [f"R{number}" for number in range(1, raters + 1)],
            "primary_rater": "R1",
            "rounds": [{"id": "main", "kind": "main"}],
            "transcripts": ["transcripts/{participant}.txt"],
            "speakers": {"I": "interviewer"},
            "codebook": "codebook.csv",
        },
        language="en",
    )
    for number in range(1, raters + 1):
        set_passphrase(study, f"R{number}", PASSPHRASE)
    return study


def coded_by_all(study: Study, *, but: str) -> int:
    """Every unit coded by every rater, except the transcript `but`; returns how many units there are."""
    units = list(read_material(study).all_units())
    raters = study.declared.interviews.raters if study.declared.interviews else []
    with open_store(study) as journal:
        for rater in raters:
            journal.record(
                new_operation(
                    rater,
                    "coding",
                    f"main/{unit.transcript}/{unit.id}/-/{CODES[0]}/{rater}",
                    {"participant": unit.participant, "unit": unit.id, "start": None, "end": None, "quote": "",
                     "code": CODES[0], "about": [], "stance": ""},
                    round="main", transcript=unit.transcript, version="1",
                )
                for unit in units
                if unit.transcript != but
            )  # fmt: skip
    return len(units)


def signed_in(browser: Any, server: Server, rater: str) -> Any:
    """A page on which a rater has the panel before them."""
    page = browser.new_context(viewport={"width": 1280, "height": 900}).new_page()
    page.set_default_timeout(120_000)
    for _ in range(100):
        try:
            page.goto(f"{server.address}/signin")
            break
        except Exception:
            time.sleep(0.2)
    page.get_by_label("Rater").select_option(rater)
    page.get_by_label("Passphrase").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.locator(".wbp-hand").wait_for()
    return page


def first_code(page: Any) -> None:
    """The first unit coded, so that the code has a digit."""
    page.locator(".wbp-unit[tabindex='0']").first.focus()
    page.keyboard.press("Enter")
    page.keyboard.type(CODES[1])
    page.keyboard.press("Enter")
    all_stored(page)


def all_stored(page: Any) -> None:
    page.locator(".wbp-kept", has_text="all stored").wait_for()


def latencies(browser: Any, server: Server, operations: int) -> tuple[float, float]:
    """Medians from key press to mark, and to confirmed."""
    page = signed_in(browser, server, "R1")
    first_code(page)
    page.evaluate(RECORDER)
    for done in range(operations):
        page.keyboard.press("ArrowDown")
        page.keyboard.press("1")
        while page.evaluate("window.timing.length") <= done:
            page.wait_for_timeout(10)
    timing = page.evaluate("window.timing")
    page.context.close()
    return statistics.median(one for one, _ in timing), statistics.median(two for _, two in timing)


def eight_at_once(browser: Any, folder: Path, *, codes: int = 20, every: float = 2.0) -> tuple[int, int]:
    """How many codes eight raters gave, one each in `every` seconds, and how many the journal has."""
    raters = 8
    study = made_study(folder, transcripts=2, turns=2 * codes + 10, raters=raters)
    server = serve(folder)
    try:
        pages = [signed_in(browser, server, f"R{number}") for number in range(1, raters + 1)]
        for page in pages:
            first_code(page)
        for _ in range(codes):
            began = time.monotonic()
            for page in pages:
                page.keyboard.press("ArrowDown")
                page.keyboard.press("1")
            time.sleep(max(0.0, every - (time.monotonic() - began)))
        for page in pages:
            all_stored(page)
            page.context.close()
    finally:
        end(server)
    with open_store(study) as journal:
        return raters * (codes + 1), len(journal.present("coding"))


def main() -> None:
    from playwright.sync_api import sync_playwright

    told = argparse.ArgumentParser(description=__doc__)
    told.add_argument("--operations", type=int, default=50)
    told.add_argument("--eight", action="store_true", help="also eight raters at once")
    asked = told.parse_args()
    with sync_playwright() as driver, tempfile.TemporaryDirectory() as place:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        for name, transcripts, turns in (("600 turns", 1, 600), ("5,000 units in the study", 25, 400)):
            folder = Path(place) / f"study{transcripts}"
            study = made_study(folder, transcripts=transcripts, turns=turns)
            units = coded_by_all(study, but="A01") if transcripts > 1 else turns // 2
            server = serve(folder)
            try:
                mark, confirmed = latencies(browser, server, asked.operations)
            finally:
                end(server)
            load = os.getloadavg()[0]
            print(
                f"{name} ({units} units): mark {mark:.0f} ms, confirmed {confirmed:.0f} ms (load {load:.1f})",
                flush=True,
            )
        if asked.eight:
            given, kept = eight_at_once(browser, Path(place) / "eight")
            print(f"eight raters at once: {kept} of {given} codes are in the journal (load {os.getloadavg()[0]:.1f})")
        browser.close()


if __name__ == "__main__":
    main()
