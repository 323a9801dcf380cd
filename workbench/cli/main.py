"""Every command of the command line; importing a module adds its commands, in the order of the help."""

from __future__ import annotations

import io
import sys

from workbench.cli import browser, coding, data, interviews, paper, raters, reading, results
from workbench.cli.common import app

__all__ = ["app", "browser", "coding", "data", "interviews", "main", "paper", "raters", "reading", "results"]


def main() -> None:
    """Run the command line; every fault of a person's files is told without a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a character shows "?" instead
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
