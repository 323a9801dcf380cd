"""Starts the app for one study folder, on this machine alone, and ends with the process that started it."""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
import time
import webbrowser
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.errors import StudyError, UsageError
from workbench.files import fault

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

STUDY_VARIABLE = "WORKBENCH_STUDY"
"""Environment variable by which the pages learn the study folder."""

ADDRESS = "127.0.0.1"
LARGEST_UPLOAD = 64
"""Megabytes of a file that is brought in."""

SCRIPT = Path(__file__).with_name("main.py")

POLICY = "; ".join(
    (
        "default-src 'self'",
        "script-src 'self' blob: 'wasm-unsafe-eval'",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self' ws: blob: data:",
        "worker-src 'self' blob:",
        "frame-src 'self' blob:",
        "frame-ancestors 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "object-src 'none'",
    )
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class SafeHeaders:
    """ASGI middleware that sends `HEADERS` with every answer: nothing is fetched from elsewhere, no page frames this one."""

    def __init__(self, app: ASGIApp):
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                kept = [pair for pair in message.get("headers", []) if pair[0].decode().lower() not in HEADERS]
                message = {**message, "headers": [*kept, *((k.encode(), v.encode()) for k, v in HEADERS.items())]}
            await send(message)

        await self.app(scope, receive, with_headers)


def open_app(folder: Path, port: int | None, *, browser: bool, told: Callable[[str], None]) -> None:
    """Serve the app for `folder` until it is stopped; `told` gets the address.

    A broken study.toml is shown in the app. Raises StudyError where there is no such folder, UsageError where the
    port is taken.
    """
    if not folder.is_dir():
        found = "This is a file, not a study folder." if folder.exists() else "There is no such folder."
        raise StudyError([fault(str(folder), "", found, "Give the folder that holds study.toml.", "missing folder")])
    chosen = free_port() if port is None else checked_port(port)
    os.environ[STUDY_VARIABLE] = str(folder.resolve())
    address = f"http://{ADDRESS}:{chosen}"
    told(f"The app is at {address} (Ctrl+C ends it). It is on this machine alone.")
    _in_background(end_with_parent, os.getppid())
    if browser:
        _in_background(_open_when_ready, chosen, address)
    _serve(chosen)


def free_port() -> int:
    """A port that nobody uses now."""
    with socket.socket() as probe:
        probe.bind((ADDRESS, 0))
        port: int = probe.getsockname()[1]
        return port


def checked_port(port: int) -> int:
    """`port`, if it is free; else UsageError."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((ADDRESS, port))
        except (OSError, OverflowError):
            raise UsageError(
                f"Port {port} is taken or not allowed; leave --port out and a free one is found."
            ) from None
    return port


def end_with_parent(parent: int, every: float = 1.0) -> None:
    """End this process when the one that started it is gone, so that no server is left over."""
    while os.getppid() == parent:
        time.sleep(every)
    os.kill(os.getpid(), signal.SIGTERM)


def _in_background(act: Callable[..., object], *arguments: object) -> None:
    threading.Thread(target=act, args=arguments, daemon=True).start()


def _open_when_ready(port: int, address: str) -> None:
    for _ in range(300):
        with socket.socket() as probe:
            if probe.connect_ex((ADDRESS, port)) == 0:
                webbrowser.open(address)
                return
        time.sleep(0.1)


def _serve(port: int) -> None:
    import streamlit as st
    from starlette.middleware import Middleware

    # Loaded before any thread starts: libraries that import each other in circles can fail when two threads load them.
    import workbench.app.page
    import workbench.report.form
    import workbench.results.sections  # noqa: F401
    from workbench.app import held, interviews
    from workbench.app.signin import routes

    sys.argv = [str(SCRIPT)]
    _in_background(_warm, [held.warm, interviews.warm], Path(os.environ[STUDY_VARIABLE]))
    st.App(str(SCRIPT), routes=routes(), middleware=[Middleware(SafeHeaders)]).run(config=settings(port))


def _warm(steps: Sequence[Callable[[Path], None]], folder: Path) -> None:
    for step in steps:
        step(folder)


def settings(port: int) -> Mapping[str, Any]:
    """How the server runs and looks."""
    from workbench.app.look import theme

    return {
        "server.address": ADDRESS,
        "server.port": port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.allowedHosts": [ADDRESS, "localhost"],
        "server.maxUploadSize": LARGEST_UPLOAD,
        "browser.serverAddress": ADDRESS,
        "browser.gatherUsageStats": False,
        "runner.magicEnabled": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "type",
        "client.showErrorLinks": False,
        "logger.level": "warning",
        "logger.hideWelcomeMessage": True,
        **theme(),
    }
