"""Write the real output of the commands in README.md anew: `python tests/make_readme.py`.

A block that begins with `$ workbench …` (or the one after the first command) holds the beginning of what that command
prints at 100 columns; a last line `…` says that more follows.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

README = Path(__file__).parent.parent / "README.md"
BLOCK = re.compile(r"```\n(\$ workbench (?P<command>.+)\n)(?P<shown>(?:.*\n)*?)```\n")
MORE = "…\n"


def output_of(command: str, folder: Path) -> str:
    """What `workbench COMMAND` prints, run beside the demo study."""
    run = [sys.executable, "-m", "workbench.cli", *command.split()]
    environment = os.environ | {"COLUMNS": "100"}
    found = subprocess.run(
        run, cwd=folder, env=environment, capture_output=True, text=True, encoding="utf-8", check=True
    )
    return found.stdout


def with_real_output(page: str, folder: Path) -> str:
    """The page with every block's output made anew, as many lines of it as it shows now."""

    def renewed(block: re.Match[str]) -> str:
        shown = block["shown"].splitlines(keepends=True)
        more = shown[-1:] == [MORE]
        lines = output_of(block["command"], folder).splitlines(keepends=True)
        kept = lines[: len(shown) - 1] if more else lines
        return f"```\n{block[1]}{''.join(kept)}{MORE if more else ''}```\n"

    return BLOCK.sub(renewed, page)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        output_of("demo", Path(place))
        README.write_text(with_real_output(README.read_text(encoding="utf-8"), Path(place)), encoding="utf-8")
