"""Write the real output of the commands in workbench/handbook/interviews.md anew: `python tests/make_walkthrough.py`.

The page is played from top to bottom on a copy of the demo that nobody has coded. Blocks are as in README.md; beside them,
a block of lines `workbench …` is run and its output not shown, and a block of TOML takes the place of lines of study.toml.
"""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import shlex
import tempfile
from collections.abc import Iterator
from contextlib import chdir
from dataclasses import asdict
from pathlib import Path

from make_readme import as_long_as
from typer.testing import CliRunner

from workbench.cli.main import app
from workbench.coding.assignments import assignment_for
from workbench.coding.material import read_material
from workbench.coding.packet import Assignment, packet_names
from workbench.store.opening import open_store
from workbench.store.operations import Operation, new_operation
from workbench.study import STUDY_FILE, open_study

PAGE = Path(__file__).parent.parent / "workbench" / "handbook" / "interviews.md"
STUDY = "coding-practice"
FENCED = re.compile(r"```(?P<language>\w*)\n(?P<body>.*?)```\n", re.DOTALL)
SHOWN = re.compile(r"\$ workbench (?P<command>.+)\n")
AT = "2026-05-04T10:00:00.000Z"


def output_of(command: str) -> str:
    """What `workbench COMMAND` prints at 100 columns, both streams as a terminal shows them."""
    words = shlex.split(command)
    if words[0] == "packet" and words[2] == "merge":
        code_elsewhere(Path(words[3]), words[words.index("--round") + 1], words[words.index("--rater") + 1])
    found = CliRunner(env={"COLUMNS": "100"}).invoke(app, words)
    if found.exit_code:
        raise SystemExit(f"workbench {command} ends with {found.exit_code}: {found.output}")
    return found.output


def played(page: str, folder: Path) -> str:
    """The page with every block's output made anew, by its commands in their order, run in an empty folder."""

    def renewed(block: re.Match[str]) -> str:
        body = block["body"]
        if block["language"] == "toml":
            set_in_study(body)
            return block[0]
        shown = SHOWN.match(body)
        if shown is None:
            for command in commands_without_output(body):
                output_of(command)
            return block[0]
        return f"```\n{shown[0]}{as_long_as(body[shown.end() :], output_of(shown['command']))}```\n"

    with chdir(folder):
        return FENCED.sub(renewed, page)


def commands_without_output(body: str) -> Iterator[str]:
    return (line.removeprefix("workbench ") for line in body.splitlines() if line.startswith("workbench "))


def set_in_study(lines: str) -> None:
    """Put `key = …` lines in the place of those with the same key in study.toml."""
    file = Path(STUDY) / STUDY_FILE
    text = file.read_text(encoding="utf-8")
    for line in filter(lambda one: " = " in one, lines.splitlines()):
        key = line.partition(" = ")[0]
        said = line.replace("\\", "\\\\")
        text, found = re.subn(rf"^{re.escape(key)} = .*$", said, text, flags=re.MULTILINE)
        if found != 1:
            raise SystemExit(f"study.toml has {found} lines {key} = …; the page changes one.")
    file.write_text(text, encoding="utf-8")


# ------------------------------------------------------------------------- a rater elsewhere


def code_elsewhere(file: Path, round: str, rater: str) -> None:
    """Write what the packet's page saves once a rater has coded there as the demo's files say."""
    study = open_study(Path(STUDY))
    with open_store(study) as journal:
        assignment = assignment_for(read_material(study), journal, round, rater)
    operations = [asdict(one) for one in _coded(assignment)]
    told = json.dumps(operations, ensure_ascii=False, separators=(",", ":"))
    result = {
        "format": "workbench-packet-result",
        "format_version": 1,
        "packet": assignment.id,
        "study": assignment.study,
        "round": round,
        "rater": rater,
        "codebook_version": assignment.version,
        "units_sha256": assignment.units_sha256,
        "units": assignment.unit_hashes(),
        "saved_at": AT,
        "operations_sha256": hashlib.sha256(told.encode()).hexdigest(),
        "operations": operations,
    }
    if file.name != packet_names(assignment).result:
        raise SystemExit(f"The page merges {file.name}; the packet saves {packet_names(assignment).result}.")
    file.write_text(json.dumps(result, ensure_ascii=False), encoding="utf-8")


def _coded(assignment: Assignment) -> Iterator[Operation]:
    round, rater = assignment.round, assignment.rater
    with (Path(STUDY) / "codings" / f"{round}.csv").open(encoding="utf-8", newline="") as codings:
        rows = [row for row in csv.DictReader(codings) if row["rater"] == rater]
    for row in rows:
        content = {"participant": row["participant"], "unit": row["unit"]}
        kind, middle = "rated", ""
        if row["code"]:
            kind, middle = "coding", f"-/{row['code']}/"
            about = row["about"].split("+") if row["about"] else []
            content |= {"start": None, "end": None, "quote": ""}
            content |= {"code": row["code"], "about": about, "stance": row["stance"]}
        key = f"{round}/{row['transcript']}/{row['unit']}/{middle}{rater}"
        place = {"round": round, "transcript": row["transcript"], "version": assignment.version, "at": AT}
        yield new_operation(rater, kind, key, content, **place)


if __name__ == "__main__":
    os.environ["COLUMNS"] = "100"
    with tempfile.TemporaryDirectory() as place:
        PAGE.write_text(played(PAGE.read_text(encoding="utf-8"), Path(place)), encoding="utf-8")
