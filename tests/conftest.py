"""Shared fixtures: published reference cases and seeded randomness."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

with suppress(ImportError):  # the statistics are tested without it too
    from hypothesis import settings

    # the same examples in every ordinary run, so that it fails for a change and not by chance; --full draws new ones
    settings.register_profile("same", derandomize=True, database=None, deadline=None)
    settings.register_profile("drawn", print_blob=True, deadline=None)
    settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))

REFERENCES = Path(__file__).parent / "references"


@dataclass(frozen=True)
class Demo:
    """Where the demo study and its results lie, what the command says about it, and the analysis itself."""

    folder: Path
    results: Path
    lines: tuple[str, ...]
    analysis: Any

    def rows(self, table: str) -> list[dict]:
        """The rows of a table of the results."""
        return json.loads((self.results / "tables" / f"{table}.json").read_text(encoding="utf-8"))["rows"]


@pytest.fixture(scope="session")
def published() -> dict[str, dict]:
    """The published cases: {name: {inputs, expected, published, tolerance, source, from_memory, note}}."""
    return json.loads((REFERENCES / "published_cases.json").read_text(encoding="utf-8"))


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261125)


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """The demo study in a temporary folder, with its results written once."""
    from workbench.results import demo as module

    folder = tmp_path_factory.mktemp("demo") / "practice-kitchen"
    kept, write = [], module.write_results
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "write_results", lambda *given, **named: kept.append(write(*given, **named)) or kept[0])
        lines = module.run_demo(folder)
    return Demo(folder, folder / "results", tuple(lines), kept[0])


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A browser, one for all tests of a process; a test is skipped where Playwright or Chromium is not installed."""
    from app_server import FLAGS

    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        pytest.skip("no Chromium is installed here, so nothing can be tried in a browser")
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=found, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(autouse=True)
def a_screen_of_100_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """What commands print does not hang on the terminal that the tests run in."""
    monkeypatch.setenv("COLUMNS", "100")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that look at the demo's results run in one process, which makes them once (`--dist loadgroup`)."""
    for item in items:
        if "demo" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.xdist_group("demo"))
