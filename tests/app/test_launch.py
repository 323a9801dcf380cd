"""The command `open`: where it listens, what it sends, and that it leaves nothing behind."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from app_server import end, serve
from typer.testing import CliRunner

from workbench.app.launch import HEADERS, settings
from workbench.app.look import DARK, LIGHT
from workbench.cli import app


def answer(address: str, path: str = "/_stcore/health") -> urllib.request.addinfourl:
    for _ in range(200):
        try:
            return urllib.request.urlopen(address + path, timeout=5)
        except urllib.error.URLError:
            time.sleep(0.1)
    raise AssertionError("the app does not answer")


@pytest.fixture
def served_small(small):
    server = serve(small)
    yield server
    end(server)


def test_it_answers_on_this_machine_alone_with_headers_that_let_nothing_in(served_small):
    found = answer(served_small.address, "/")
    for name, value in HEADERS.items():
        assert found.headers[name] == value
    port = int(served_small.address.rsplit(":", 1)[1])
    listening = [line.split()[1] for line in Path("/proc/net/tcp").read_text().splitlines() if line.split()[3] == "0A"]
    assert [one for one in listening if one.endswith(f":{port:04X}")] == [f"0100007F:{port:04X}"]


def test_it_ends_when_the_one_that_started_it_ends(small):
    code = (
        "import subprocess, sys, time; "
        f"child = subprocess.Popen([sys.executable, '-m', 'workbench.cli', 'open', {str(small)!r}, '--no-browser']); "
        "print(child.pid, flush=True); time.sleep(60)"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    address = parent.stdout.readline().split(" at ")[1].split()[0]
    answer(address)
    parent.kill()
    parent.wait(5)
    for _ in range(100):
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    os.kill(child, signal.SIGKILL)
    raise AssertionError("the app outlived its parent")


def test_a_missing_folder_and_a_taken_port_are_told_without_a_traceback(small):
    missing = CliRunner().invoke(app, ["open", str(small / "nowhere")])
    assert missing.exit_code == 1
    assert "There is no such folder." in missing.output
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        found = CliRunner().invoke(app, ["open", str(small), "--no-browser", "--port", str(taken.getsockname()[1])])
    assert found.exit_code == 2
    assert "is taken" in found.output


def test_help_loads_no_server():
    code = "import sys, workbench.cli; print([one for one in ('streamlit', 'pandas') if one in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_no_statistics_of_use_are_sent():
    chosen = settings(1)
    assert chosen["browser.gatherUsageStats"] is False
    assert chosen["server.address"] == "127.0.0.1"


def luminance(color: str) -> float:
    """Relative luminance by WCAG 2.2."""
    parts = [int(color[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_text_stands_out_from_its_ground(theme):
    for text in ("textColor", "linkColor"):
        for ground in ("backgroundColor", "secondaryBackgroundColor"):
            light, dark = sorted((luminance(theme[text]), luminance(theme[ground])), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5
