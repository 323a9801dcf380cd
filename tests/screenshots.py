"""Pictures of every page of the app, light and dark, from the demo study: python tests/screenshots.py [FOLDER]

Made by Chromium through Playwright, 1280 pixels wide and as high as the page. Nothing but the demo study, whose people
and data are invented, is shown. The tops of those that README shows go to workbench/handbook/pictures/ as well, with a figure of the report.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from app_server import FLAGS, IDLE, end, serve
from PIL import Image

from workbench.app.navigation import PAGES
from workbench.app.passphrases import begin_session, cookie_name
from workbench.files import shipped
from workbench.results.folder import write_results

WIDTH, HEIGHT, HIGHEST = 1280, 900, 6000
VIEWS = {
    "instruments": ("Make", "Adapt"),
    "responses": ("Distributions", "Origin", "Exclusions"),
    "interviews": ("Bring in", "One transcript", "Units", "Pseudonyms", "Permissions"),
    "rounds": ("Begin", "Hand in, reopen", "Packet", "Bring in", "Export"),
    "coding": ("To be coded anew", "Codebook", "Hand in"),
    "reading": ("Codes together", "Themes", "Memos"),
    "agreement": ("Agreement", "Differences"),
}

IN_README = ("conditions-light", "coding-light", "study-dark")
FIGURE = "side_by_side_realism.svg"
PICTURES = Path(__file__).parent.parent / "workbench" / "handbook" / "pictures"
COLOURS = 64


def main(folder: Path) -> None:
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is None:
        sys.exit("No Chromium is installed here.")
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as aside, sync_playwright() as driver:
        study = Path(shutil.copytree(shipped("demo_responses"), Path(aside) / "practice-kitchen"))
        server = serve(study)
        browser = driver.chromium.launch(executable_path=chromium, args=FLAGS)
        try:
            for scheme in ("light", "dark"):
                context = browser.new_context(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme=scheme)
                token = begin_session(study, "R1")
                context.add_cookies([{"name": cookie_name(study), "value": token, "url": server.address}])
                for name in take(context.new_page(), server.address, folder, scheme):
                    print(folder / name)
                context.close()
            write_results(study, formats=["html"])
            PICTURES.mkdir(exist_ok=True)
            shutil.copy(study / "results" / "figures" / FIGURE, PICTURES)
        finally:
            browser.close()
            end(server)
    for name in IN_README:
        top_of(folder / f"{name}.png").save(PICTURES / f"{name}.png", optimize=True)


def top_of(path: Path) -> Image.Image:
    """What a window shows of a picture before anything is scrolled, in few colours, so that the file is small."""
    with Image.open(path) as whole:
        return whole.convert("RGB").crop((0, 0, WIDTH, min(HEIGHT, whole.height))).quantize(COLOURS)


def take(page: Any, address: str, folder: Path, scheme: str) -> list[str]:
    """Every page and view of one colour scheme; returns the files' names."""
    made = []
    start(page, address)
    for entry in PAGES:
        side = page.get_by_test_id("stSidebar")
        if side.locator("p.here").inner_text() != entry.title:
            side.get_by_role("link", name=entry.title, exact=True).click()
        page.locator(".wb h1", has_text=entry.title).wait_for()
        if entry.name == "coding" and scheme == "light":
            code_some(page)
        made.append(picture(page, folder / f"{entry.name}-{scheme}.png"))
        for view in VIEWS.get(entry.name, ()):
            page.get_by_test_id("stRadio").first.get_by_text(view, exact=True).click()
            if view == "Make":
                fill_in(page)
            made.append(picture(page, folder / f"{entry.name}-{view.lower().replace(' ', '-')}-{scheme}.png"))
        if entry.name == "report":
            page.get_by_role("button", name="Build the report").click()
            page.get_by_text("A look at it").wait_for(timeout=180_000)
            made.append(picture(page, folder / f"report-built-{scheme}.png"))
    return made


def start(page: Any, address: str) -> None:
    for _ in range(600):
        try:
            page.goto(address)
            break
        except Exception:
            page.wait_for_timeout(100)
    page.get_by_text("Participants, step by step").wait_for(timeout=60_000)


def code_some(page: Any) -> None:
    """Two units as R1 might code them, by keys."""
    page.locator("[data-unit='A01-002']").first.focus()
    for word in ("kitchen", "strain"):
        page.keyboard.press("Enter")
        page.keyboard.type(word)
        page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("0")
    page.locator(".wbp-kept", has_text="all stored").wait_for()


def fill_in(page: Any) -> None:
    page.get_by_label("Title").fill("Calm")
    page.get_by_label("Id (letters, digits, _)").fill("calm")
    page.get_by_label("Statements").fill("I felt calm.\nI was tense. (r)\nI could wait.")
    page.get_by_label("Higher means").fill("calmer")
    page.get_by_label("Title").focus()
    page.get_by_text("As a participant sees it").wait_for()


def picture(page: Any, path: Path) -> str:
    """The whole of the page, once nothing moves any more."""
    page.wait_for_timeout(400)
    page.wait_for_selector(IDLE, timeout=120_000)
    page.wait_for_timeout(300)
    height = int(page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight"))
    page.set_viewport_size({"width": WIDTH, "height": min(height + 20, HIGHEST)})
    page.wait_for_timeout(300)
    page.screenshot(path=path)
    page.set_viewport_size({"width": WIDTH, "height": HEIGHT})
    return path.name


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("screenshots"))
