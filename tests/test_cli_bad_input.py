"""Bad input through the command line: a clear word and the right exit code, never a traceback, nothing half-written."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random

import pytest
from typer.testing import CliRunner

from workbench.cli import app
from workbench.instrument import library, read_instrument

PEOPLE = tuple(f"A{number:02d}" for number in range(1, 7))
CONDITIONS = ("still", "slosh", "coach")
COMMANDS = (
    "new",
    "map",
    "instrument",
    "check",
    "plan",
    "score",
    "reliability",
    "compare",
    "preference",
    "agreement",
    "joint",
    "report",
    "trace",
    "diff",
    "withdraw",
    "demo",
    "transcripts",
    "units",
    "pseudonyms",
    "codebook",
    "round",
    "packet",
    "code",
    "consensus",
    "recode",
    "trail",
    "excerpts",
    "export",
    "import",
    "rater",
    "open",
)
TABLE_COMMANDS = ("check", "score", "reliability", "compare", "preference", "agreement", "joint")
ITEMS = [item.id for item in read_instrument(library()["weight_realism"], "weight_realism.toml").items]
STUDY = """
format = 1
id = "kitchen"
title = "Kitchen"
conditions = [{ id = "still", label = "Still" }, { id = "slosh", label = "Slosh" }, { id = "coach", label = "Coach" }]
sequences = { S1 = ["still", "slosh", "coach"], S2 = ["coach", "still", "slosh"] }

[participants]
file = "participants.csv"
sequence_column = "sequence"

[session_log]
file = "log.csv"

[[questionnaires]]
id = "after"
asked = "per_condition"
instruments = [{ id = "weight_realism", version = "1.0" }]
files = ["after.csv"]

[[trials]]
id = "lifts"
files = ["trials.csv"]
measures = [{ id = "guess_error", label = "Error", column = "guess", minus = "filling", absolute = true, summary = "mean" }]

[preference]
file = "ranking.csv"
columns = { still = "still", slosh = "slosh", coach = "coach" }

[interviews]
mode = "coding reliability"
raters = ["R1", "R2"]
rounds = [{ id = "main", kind = "reliability" }]
codings = ["codings.csv"]

[[constructs]]
id = "realism"
label = "Realism"
measure = "weight_realism"
codes = ["HEAVY"]

[plan]
primary = ["weight_realism"]
"""
CODING_COLUMNS = [
    "participant",
    "transcript",
    "unit",
    "start",
    "end",
    "rater",
    "round",
    "codebook_version",
    "code",
    "about",
    "stance",
]


def sheet(header: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out).writerows([header, *rows])
    return out.getvalue()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small sound study with every kind of file."""
    rng = Random(4)
    place = tmp_path / "study"
    place.mkdir()
    rows = [[who, condition, *(rng.randint(1, 7) for _ in ITEMS)] for who in PEOPLE for condition in CONDITIONS]
    trials = [[who, condition, rng.randint(0, 100), 50] for who in PEOPLE for condition in CONDITIONS for _ in range(3)]
    codings = [
        [who, f"t_{who}", f"{who}_u{unit}", 0, 9, rater, "main", "1", rng.choice(["HEAVY", "SWAY", ""]), "still", ""]
        for who in PEOPLE[:4]
        for unit in range(3)
        for rater in ("R1", "R2")
    ]
    contents = {
        "study.toml": STUDY,
        "participants.csv": sheet(["participant", "sequence"], [[who, "S1"] for who in PEOPLE]),
        "after.csv": sheet(["participant", "condition", *ITEMS], rows),
        "log.csv": sheet(
            ["participant", "position", "condition"],
            [[who, number, one] for who in PEOPLE for number, one in enumerate(CONDITIONS, 1)],
        ),
        "trials.csv": sheet(["participant", "condition", "guess", "filling"], trials),
        "ranking.csv": sheet(["participant", *CONDITIONS], [[who, *rng.sample([1, 2, 3], 3)] for who in PEOPLE]),
        "codings.csv": sheet(CODING_COLUMNS, codings),
    }
    for name, text in contents.items():
        (place / name).write_text(text, encoding="utf-8")
    return place


def hashes(folder: Path) -> dict[str, str]:
    """Every file below a folder, and its hash."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def run(*arguments: str | Path, cwd: Path | None = None, **environment: str) -> subprocess.CompletedProcess[str]:
    """The command line as a process; it never ends in a traceback and never steers the terminal."""
    done = subprocess.run(
        [sys.executable, "-m", "workbench.cli", *map(str, arguments)],
        capture_output=True,
        cwd=cwd,
        env={**os.environ, "PYTHONUTF8": "1", **environment},
        check=False,
    )
    out, err = done.stdout.decode("utf-8", "replace"), done.stderr.decode("utf-8", "replace")
    assert "Traceback" not in out + err, err
    assert not steering(out + err), (out, err)
    return subprocess.CompletedProcess(done.args, done.returncode, out, err)


def steering(text: str) -> list[str]:
    """Control characters that a terminal would obey."""
    return re.findall(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", text)


def quickly(*arguments: str | Path, code: int | None = None) -> str:
    """The command line inside this process: what it says on both streams."""
    result = CliRunner().invoke(app, [str(one) for one in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert not steering(result.output), result.output
    if code is not None:
        assert result.exit_code == code, (arguments, result.output)
    return result.output


def flat(text: str) -> str:
    """Text with its line breaks and indents made single spaces."""
    return " ".join(text.split())


def rewrite(path: Path, old: str, new: str, times: int = 1) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, times), encoding="utf-8")


# ------------------------------------------------------------------------------------ findings


def test_the_sound_study_passes_every_command(folder: Path) -> None:
    before = hashes(folder)
    assert "Nothing blocks." in quickly("check", folder, code=0)
    for command in TABLE_COMMANDS:
        quickly(command, folder, "--format", "json", code=0)
    assert hashes(folder) == before


def empty(folder: Path) -> None:
    for path in folder.iterdir():
        path.unlink()


def no_folder(folder: Path) -> None:
    empty(folder)
    folder.rmdir()


def broken_toml(folder: Path) -> None:
    rewrite(folder / "study.toml", 'title = "Kitchen"', 'title = "Kitchen')


def unknown_keys(folder: Path) -> None:
    rewrite(folder / "study.toml", "primary =", "primry =")
    rewrite(folder / "study.toml", "[participants]", "[participants]\npermissions = { A01 = { quots = true } }")


def other_kind(folder: Path) -> None:
    (folder / "after.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)))


def missing_column(folder: Path) -> None:
    rewrite(folder / "after.csv", "participant", "Participants")


def missing_files(folder: Path) -> None:
    for name in ("after.csv", "trials.csv", "ranking.csv", "log.csv", "codings.csv"):
        (folder / name).unlink()


def folder_for_a_file(folder: Path) -> None:
    (folder / "trials.csv").unlink()
    (folder / "trials.csv").mkdir()


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (empty, ["There is no study.toml in this folder."]),
        (no_folder, ["There is no such folder."]),
        (broken_toml, ["study.toml, line 4, column", "not valid TOML"]),
        (unknown_keys, ["plan.primry", "Did you mean “primary”?", "participants.permissions.A01.quots", "“quotes”"]),
        (other_kind, ["after.csv", "These bytes are not UTF-8 text"]),
        (missing_column, ["after.csv, row 1", "There is no column “participant”.", "Did you mean “Participants”?"]),
        (missing_files, ["after.csv", "trials.csv", "ranking.csv", "log.csv", "codings.csv", "There is no such file."]),
        (folder_for_a_file, ["trials.csv", "This is a folder, not a file."]),
    ],
)
def test_what_blocks_is_told_with_exit_code_1(folder: Path, spoil: Callable[[Path], None], told: list[str]) -> None:
    spoil(folder)
    before = hashes(folder.parent)
    said = flat(quickly("check", folder, code=1))
    for words in told:
        assert words in said, said
    assert hashes(folder.parent) == before


def spoil_everything(folder: Path) -> dict[str, list[str]]:
    """One fault or more in every collected file, and what should be told of each file."""
    rewrite(folder / "after.csv", "A01,still", "A01x,still")
    rewrite(folder / "after.csv", "A02,slosh", "A02,slsh")
    text = (folder / "after.csv").read_text()
    lines = text.splitlines()
    lines[12] = ",".join([*lines[12].split(",")[:-1], "99"])
    (folder / "after.csv").write_text("\n".join([*lines, lines[-1]]) + "\n")
    rewrite(folder / "trials.csv", "A03,slosh,", "A03,slosh,many")
    rewrite(folder / "ranking.csv", "A04,", "A99,")
    rewrite(folder / "log.csv", "A01,2", "A01,two")
    rewrite(folder / "codings.csv", ",R2,main,", ",R9,main,")
    return {
        "after.csv": ["“A01x” is not a participant", "“slsh” is no condition", "“99” is not an answer", "twice"],
        "trials.csv": ["is not a number"],
        "ranking.csv": ["“A99” is not a participant"],
        "log.csv": ["“two” is not a position"],
        "codings.csv": ["“R9” is no rater"],
    }


def test_faults_of_all_files_are_told_at_once(folder: Path) -> None:
    told = spoil_everything(folder)
    before = hashes(folder)
    done = run("check", folder, "--format", "json")
    assert done.returncode == 1
    rows = json.loads(done.stdout)["rows"]
    assert {row["severity"] for row in rows} == {"blocks"}
    for file, words in told.items():
        found = " ".join(row["found"] for row in rows if row["file"] == file)
        for word in words:
            assert word in found, (file, word, found)
    assert all(row["remedy"] for row in rows)
    assert hashes(folder) == before


def test_every_command_stops_before_it_writes(folder: Path) -> None:
    spoil_everything(folder)
    before = hashes(folder.parent)
    for command in TABLE_COMMANDS:
        out = folder.parent / "out"
        text = quickly(command, folder, *(() if command == "check" else ("--out", out)), code=1)
        assert "A01x" in text
    assert "A01x" in quickly("report", folder, "--format", "html", code=1)
    quickly("plan", folder, "freeze", code=0)
    (folder / "study.toml").write_text(STUDY)
    assert hashes(folder.parent) == before


def test_a_report_that_blocks_leaves_the_earlier_results_whole(folder: Path) -> None:
    (folder / "results").mkdir()
    (folder / "results" / "manifest.json").write_text("{}")
    spoil_everything(folder)
    before = hashes(folder)
    assert run("report", folder, "--format", "html").returncode == 1
    assert hashes(folder) == before
    assert sorted(path.name for path in folder.iterdir()) == sorted({name.split("/")[0] for name in before})


def test_an_item_that_no_column_matches(folder: Path) -> None:
    rewrite(folder / "after.csv", ITEMS[2], "something_else")
    text = flat(quickly("check", folder, code=1))
    assert "after.csv, row 1 No column holds" in text
    assert ITEMS[2] in text
    assert "questionnaires[1].items" in text


# ------------------------------------------------------------------- findings that do not block


def test_a_participant_with_one_condition_is_a_finding(folder: Path) -> None:
    lines = (folder / "after.csv").read_text().splitlines()
    (folder / "after.csv").write_text(
        "\n".join(line for line in lines if not line.startswith(("A06,slosh", "A06,coach")))
    )
    before = hashes(folder)
    done = run("check", folder)
    assert done.returncode == 0
    assert "A06 has no answers in" in flat(done.stdout)
    for command in ("reliability", "compare", "joint"):
        quickly(command, folder, "--format", "json", code=0)
    assert hashes(folder) == before


def test_identical_answers_everywhere_are_findings(folder: Path) -> None:
    text = (folder / "after.csv").read_text()
    (folder / "after.csv").write_text(re.sub(r"(?m),\d+(?=,|$)", ",4", text))
    before = hashes(folder)
    done = run("check", folder)
    assert done.returncode == 0
    assert "4" in done.stdout
    assert "no proof of carelessness" in flat(done.stdout)
    for command in ("reliability", "compare", "joint"):
        quickly(command, folder, "--format", "json", code=0)
    assert hashes(folder) == before


def test_answers_without_rows(folder: Path) -> None:
    for name in ("after.csv", "trials.csv", "ranking.csv", "log.csv", "codings.csv"):
        (folder / name).write_text((folder / name).read_text().splitlines()[0] + "\n")
    for command in TABLE_COMMANDS:
        quickly(command, folder, "--format", "json", code=0)


# --------------------------------------------------------------------------------- wrong use


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["chek", "."], "chek"),
        (["check"], "STUDY"),
        (["check", ".", "--format", "docx"], "docx"),
        (["check", ".", "--formt", "csv"], "formt"),
        (["compare", ".", "--format", "csv"], "--table"),
        (["compare", ".", "--table", "piars"], "Did you mean “pairs”?"),
        (["compare", ".", "--table", "\x1b[31mred"], "There is no table"),
        (["compare", ".", "--out", "after.csv"], "never written over"),
        (["compare", ".", "--table", "pairs", "--out", "after.csv/x.txt"], "after.csv"),
        (["compare", ".", "--table", "pairs", "--format", "json", "--out", "\0".join(["a"]) + "x" * 300], "cannot be written"),
        (["plan", ".", "freez"], "freeze"),
        (["report", ".", "--out", "."], "no results folder"),
        (["report", ".", "--out", "after.csv"], "no results folder"),
        (["demo", "."], "exists already"),
        (["new", "."], "is not empty"),
        (["new", "after.csv"], "is not empty"),
        (["new", "after.csv/x"], "after.csv"),
        (["new", "x", "--participants", "many"], "--participants"),
        (["new", "x", "--participants", "0"], "cannot be planned"),
        (["new", "x", "--instrument", "efort"], "Did you mean “effort”?"),
        (["new", "x", "--condition", "A", "--condition", "a"], "distinct"),
    ],
)  # fmt: skip
def test_wrong_use_ends_with_exit_code_2(
    folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], told: str
) -> None:
    monkeypatch.chdir(folder)
    before = hashes(folder.parent)
    assert told in quickly(*arguments, code=2)
    assert hashes(folder.parent) == before
    assert sorted(path.name for path in folder.iterdir()) == sorted(before_name.split("/")[1] for before_name in before)


def test_a_wrong_table_name_does_not_hide_what_blocks(folder: Path) -> None:
    missing_column(folder)
    assert "missing column" in flat(quickly("check", folder, "--table", "flow", code=1))


def test_wrong_use_as_a_process(folder: Path) -> None:
    done = run("compare", folder, "--format", "csv")
    assert (done.returncode, done.stdout) == (2, "")
    assert "--table" in done.stderr
    assert run("nonsense").returncode == 2


# --------------------------------------------------------------------------- odd characters

ESCAPE = "\x1b]0;owned\x07\x1b[31m"


def test_labels_and_answers_cannot_steer_the_terminal(folder: Path) -> None:
    rewrite(folder / "study.toml", 'label = "Slosh"', r'label = "\u001b]0;owned\u0007\u001b[31m<b>=1+1</b> |*x*|"')
    rewrite(folder / "study.toml", 'title = "Kitchen"', r'title = "\u001b[31mK\u009b2J"')
    for command in ("check", "compare", "joint"):
        quickly(command, folder, code=0)
        quickly(command, folder, "--format", "markdown", code=0)
    assert "<b>=1+1" in quickly("compare", folder, "--format", "json", code=0)
    quickly("compare", folder, "--table", "pairs", "--format", "csv", code=0)
    rewrite(folder / "after.csv", "A01,still", f"{ESCAPE}A01,still")
    rewrite(folder / "after.csv", "A02,slosh", f"A02,{ESCAPE}slosh")
    done = run("check", folder)
    assert done.returncode == 1
    assert "owned" in done.stdout
    done = run("compare", folder)
    assert done.returncode == 1
    assert "owned" in done.stderr


def test_keys_and_values_of_study_toml_cannot_steer_the_terminal(folder: Path) -> None:
    rewrite(
        folder / "study.toml", "primary =", r'"\u001b[31mkey" = 1' + "\nzeros = " + r'"\u001b[31mvalue"' + "\nprimary ="
    )
    done = run("score", folder)
    assert done.returncode == 1
    assert "key" in done.stderr
    assert "value" in done.stderr


def test_names_of_files_and_folders_cannot_steer_the_terminal(tmp_path: Path) -> None:
    name = f"{ESCAPE}new"
    assert run("new", name, cwd=tmp_path).returncode == 0
    assert run("check", name, cwd=tmp_path).returncode == 0
    assert run("check", f"{name}er", cwd=tmp_path).returncode == 1


@pytest.mark.skipif(sys.platform != "linux", reason="other systems have no such names")
def test_a_folder_whose_name_is_no_text(tmp_path: Path) -> None:
    name = os.fsdecode(b"bad\xff")
    assert run("new", name, cwd=tmp_path).returncode == 0
    assert run("check", name, cwd=tmp_path).returncode == 0
    assert run("new", "x", "--title", name, cwd=tmp_path).returncode == 2


def test_a_terminal_that_knows_few_characters(folder: Path) -> None:
    done = run("check", folder, PYTHONUTF8="0", PYTHONIOENCODING="ascii")
    assert done.returncode == 0


# --------------------------------------------------------------------------------------- help


def test_help_of_every_command_loads_nothing_heavy() -> None:
    code = f"""
import sys
from workbench.cli import app
for command in {("", *COMMANDS)!r}:
    try:
        app([*([command] if command else []), "--help"])
    except SystemExit as done:
        assert not done.code, command
heavy = {{"pandas", "numpy", "scipy", "altair", "openpyxl", "pingouin", "sklearn"}} & set(sys.modules)
assert not heavy, heavy
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=False, env={**os.environ, "PYTHONUTF8": "1"}
    )
    assert done.returncode == 0, done.stderr.decode()
    out = done.stdout.decode()
    for command in COMMANDS:
        assert f"workbench {command}" in out or f"{command} [OPTIONS]" in out


def test_every_command_is_in_that_list() -> None:
    assert {one.name or (one.callback.__name__ if one.callback else "") for one in app.registered_commands} == set(
        COMMANDS
    )


def test_without_a_command_the_help_is_shown() -> None:
    assert "Usage" in quickly()
