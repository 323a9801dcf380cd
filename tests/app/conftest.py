"""The app as a test sees it: pages run in this process, and a server with a browser where one is installed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from app_server import IDLE, Server, end, serve
from study_folders import instrument, questionnaire, sheet, study_in

from workbench.app import interviews
from workbench.app.launch import SCRIPT, STUDY_VARIABLE
from workbench.files import shipped


@pytest.fixture(scope="session")
def kitchen(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo study for reading: every test shares what was computed for it."""
    folder = tmp_path_factory.mktemp("app") / "practice-kitchen"
    shutil.copytree(shipped("demo_responses"), folder)
    return folder


@pytest.fixture
def rater(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Signs somebody in."""

    def sign_in(name: str) -> None:
        monkeypatch.setattr(interviews, "rater_signed_in", lambda folder, cookies: name)

    sign_in("")
    return sign_in


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A study of six people, three conditions and one scale, for writing; study.toml has a comment."""
    people, conditions = [f"A0{number}" for number in range(1, 7)], ("still", "slosh", "ladle")
    rows = [
        f"{person} {condition} {1 + (row + place) % 7} {1 + (2 * row + place) % 7} {1 + (row * place) % 7}"
        for row, person in enumerate(people)
        for place, condition in enumerate(conditions)
    ]
    study_in(
        tmp_path / "small",
        instruments=[instrument("calm", ["q1", "q2", "q3"])],
        files={"calm.csv": sheet("participant condition q1 q2 q3", *rows)},
        questionnaires=[questionnaire("calm", ["calm"])],
        conditions=conditions,
        participants=people,
    )
    path = tmp_path / "small" / "study.toml"
    path.write_text("# what we agreed on\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    return path.parent


class Pages:
    """The pages of the app for one study, run without a browser."""

    def __init__(self, folder: Path):
        from streamlit.testing.v1 import AppTest

        os.environ[STUDY_VARIABLE] = str(folder)
        self.at = AppTest.from_file(str(SCRIPT), default_timeout=60).run()

    def open(self, name: str) -> Pages:
        self.at.switch_page(f"screens/{name}.py").run()
        return self

    def view(self, name: str) -> Pages:
        self.at.radio[0].set_value(name).run()
        return self

    def choose(self, label: str, value: Any) -> Pages:
        next(one for one in self.at.selectbox if one.label == label).set_value(value).run()
        return self

    def press(self, label: str) -> Pages:
        next(one for one in self.at.button if one.label == label).click().run()
        return self

    @property
    def markup(self) -> str:
        """What the page shows as HTML, without the style sheet."""
        assert not self.at.exception, [one.value for one in self.at.exception]
        return "\n".join(one.proto.body for one in self.at.get("html") if not one.proto.body.startswith("<style>"))


@pytest.fixture
def pages(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], Pages]:
    monkeypatch.setenv(STUDY_VARIABLE, "")
    return Pages


@pytest.fixture(scope="session")
def served_kitchen(kitchen: Path) -> Iterator[Server]:
    server = serve(kitchen)
    yield server
    end(server)


class Screen:
    """A browser window on the app that remembers what was asked for over the network and what went wrong."""

    def __init__(self, browser: Any, server: Server, scheme: str = "light"):
        self.server = server
        self.context = browser.new_context(
            viewport={"width": 1280, "height": 900}, color_scheme=scheme, accept_downloads=True
        )
        self.context.set_default_timeout(90_000)  # a busy machine is no fault of the app
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.dialogs: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("websocket", lambda socket: self.asked.append(socket.url))
        self.page.on("dialog", lambda dialog: (self.dialogs.append(dialog.message), dialog.dismiss()))

    def start(self) -> Screen:
        for _ in range(600):
            try:
                self.page.goto(self.server.address)
                break
            except Exception:
                self.page.wait_for_timeout(100)
        try:
            self.page.locator(".wb h1").wait_for()
        except Exception:
            raise AssertionError("".join(["no page is shown\n", *self.server.lines[-40:]])) from None
        return self

    def open(self, title: str) -> Screen:
        side = self.page.get_by_test_id("stSidebar")
        if side.locator("p.here").inner_text() != title:
            side.get_by_role("link", name=title, exact=True).click()
        self.page.locator(".wb h1", has_text=title).wait_for()
        return self.settle()

    def settle(self) -> Screen:
        self.page.wait_for_timeout(250)
        self.page.wait_for_selector(IDLE, timeout=60_000)
        self.page.wait_for_timeout(150)
        return self

    def choose(self, label: str, value: str) -> Screen:
        self.page.get_by_label(label, exact=True).first.click()
        self.page.keyboard.type(value)
        self.page.keyboard.press("Enter")
        return self.settle()

    def view(self, name: str) -> Screen:
        self.page.get_by_test_id("stRadio").first.get_by_text(name, exact=True).click()
        return self.settle()

    def press(self, name: str) -> Screen:
        self.page.get_by_role("button", name=name, exact=True).click()
        return self.settle()

    @property
    def elsewhere(self) -> list[str]:
        """Addresses that are not of this server."""
        own = (self.server.address, self.server.address.replace("http", "ws"), "data:", "blob:", "about:")
        return [url for url in self.asked if not url.startswith(own)]


@pytest.fixture
def screen(chromium: Any) -> Iterator[Callable[[Server], Screen]]:
    opened: list[Screen] = []

    def open_screen(server: Server, scheme: str = "light") -> Screen:
        opened.append(Screen(chromium, server, scheme))
        return opened[-1].start()

    yield open_screen
    for one in opened:
        one.context.close()
