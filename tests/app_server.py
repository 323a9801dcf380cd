"""The app as a process of its own, for tests and for pictures."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
from dataclasses import dataclass
from pathlib import Path

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
IDLE = "[data-testid=stApp][data-test-connection-state=CONNECTED][data-test-script-state=notRunning]"


@dataclass(frozen=True)
class Server:
    """A running app, and what it has printed."""

    address: str
    process: subprocess.Popen[str]
    lines: list[str]


def serve(folder: Path, *options: str) -> Server:
    command = [sys.executable, "-m", "workbench.cli", "open", str(folder), "--no-browser", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    lines = [process.stdout.readline()]
    found = re.search(r"http://127\.0\.0\.1:\d+", lines[0])
    assert found, lines
    threading.Thread(target=lambda: lines.extend(process.stdout or ()), daemon=True).start()
    return Server(found[0], process, lines)


def end(server: Server) -> None:
    server.process.terminate()
    server.process.wait(20)
