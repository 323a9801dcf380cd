"""Write the real output of the commands in README.md anew: `python tests/make_readme.py`.

A block that begins with `$ workbench …` (or the one after the first command) holds the beginning of what that command
prints at 100 columns; a last line `…` says that more follows.
"""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from typer.testing import CliRunner

README = Path(__file__).parent.parent / "README.md"
BLOCK = re.compile(r"```\n(\$ workbench (?P<command>.+)\n)(?P<shown>(?:.*\n)*?)```\n")
MORE = "…\n"
TITLE = "A practice kitchen in mixed reality: "


def output_of(command: str, folder: Path) -> str:
    """What `workbench COMMAND` prints, run beside the demo study."""
    from workbench.cli import app

    before = Path.cwd()
    os.chdir(folder)
    try:
        found = CliRunner().invoke(app, command.split(), env={"COLUMNS": "100"})
    finally:
        os.chdir(before)
    if found.exit_code:
        raise RuntimeError(f"workbench {command}: exit code {found.exit_code}\n{found.output}")
    return found.stdout


def with_real_output(page: str, folder: Path) -> str:
    """The page with every block's output made anew, as many lines of it as it shows now."""

    def renewed(block: re.Match[str]) -> str:
        return f"```\n{block[1]}{as_long_as(block['shown'], output_of(block['command'], folder))}```\n"

    return BLOCK.sub(renewed, page)


def as_long_as(shown: str, output: str) -> str:
    """As many lines of an output as a page shows of it now."""
    lines = shown.splitlines(keepends=True)
    if lines[-1:] != [MORE]:
        return output
    return "".join(output.splitlines(keepends=True)[: len(lines) - 1]) + MORE


def with_what_the_demo_says(page: str, said: str) -> str:
    """The page with the block that tells what `workbench demo` prints."""
    return re.sub(rf"```\n{TITLE}(?:.*\n)*?```\n", lambda _: f"```\n{said}```\n", page)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        said = output_of("demo", Path(place))
        page = with_what_the_demo_says(README.read_text(encoding="utf-8"), said)
        README.write_text(with_real_output(page, Path(place)), encoding="utf-8")
