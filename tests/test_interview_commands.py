"""Transcripts, units, pseudonyms and codebook by command, on a copy of the demo's interviews."""

from __future__ import annotations

import json
import shutil
import stat
from pathlib import Path

import pytest
from typer.testing import CliRunner

from workbench.cli import app

runner = CliRunner()
DEMO = Path(__file__).parent.parent / "demo_responses"


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(DEMO, tmp_path / "kitchen")
    return tmp_path / "kitchen"


def run(*arguments, code=0):
    found = runner.invoke(app, [str(argument) for argument in arguments])
    assert found.exit_code == code, found.output
    return found


def rows(*arguments) -> list[dict]:
    told = json.loads(run(*arguments, "--format", "json").stdout)
    return told[0]["rows"] if isinstance(told, list) else told["rows"]


def test_transcripts_are_counted_and_say_whose_words_may_be_quoted(folder):
    found = rows("transcripts", folder, "--table", "transcripts")
    assert len(found) == 14
    assert [one["transcript"] for one in found if not one["quotes"]] == ["A07"]
    assert sum(one["units"] for one in found) == 389


def test_words_in_context_stand_in_the_text(folder):
    found = rows("transcripts", folder, "--find", "stock*")
    text = {(one["unit"]): one["text"] for one in rows("units", folder)}
    assert found
    for one in found:
        assert (one["before"] + one["words"] + one["after"]) in text[f"{one['transcript']}-{int(one['turn']):03d}"]


def test_a_correction_is_kept_beside_the_file(folder):
    before = {path: path.read_bytes() for path in (folder / "transcripts").rglob("*.*")}
    (turn,) = [one for one in rows("transcripts", folder, "--transcript", "A01") if one["turn"] == "2"]
    words = turn["text"].split()[0]
    run("transcripts", folder, "correct", "--transcript", "A01", "--turn", "2", "--words", turn["text"], "--replace", "Pardon.", "--by", "R1", "--why", "heard again")  # fmt: skip
    (after,) = [one for one in rows("transcripts", folder, "--transcript", "A01") if one["turn"] == "2"]
    assert after["text"] == "Pardon."
    assert words not in after["text"]
    assert {path: path.read_bytes() for path in (folder / "transcripts").rglob("*.*")} == before


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--transcript", "A01", "--turn", "2", "--words", "zzz", "--replace", "y"], "“zzz” stands 0 times in turn 2"),
        (["--transcript", "A99", "--turn", "2", "--join"], "There is no transcript “A99”."),
        (["--transcript", "A01", "--turn", "999", "--join"], "`turn` is “999”; A01 has no such turn."),
        (["--transcript", "A01", "--turn", "2"], "Say one thing to correct"),
        (["--turn", "2", "--join"], "Name the place"),
    ],
)
def test_a_correction_that_cannot_be_is_refused_and_nothing_is_kept(folder, arguments, told):
    found = run("transcripts", folder, "correct", *arguments, "--by", "R1", code=2)
    assert told in found.output
    assert rows("transcripts", folder, "--transcript", "A01")


def test_who_decides_has_to_be_said(folder):
    for command in (
        ["transcripts", folder, "correct", "--transcript", "A01", "--turn", "2", "--join"],
        ["units", folder, "fix"],
        ["pseudonyms", folder, "confirm", "--phrase", "Orrin"],
    ):
        assert "--by" in run(*command, code=2).output


def test_units_are_fixed_and_a_later_change_is_told(folder):
    assert "389 units (answers) are fixed" in run("units", folder, "fix", "--by", "R1").output
    assert "units changed" not in run("transcripts", folder).output
    run("units", folder, "join", "--unit", "A01-002", "--by", "R1")
    assert "units changed" in run("transcripts", folder).output
    assert len(rows("units", folder)) == 388


def test_a_unit_is_split_before_words(folder):
    text = {one["unit"]: one["text"] for one in rows("units", folder)}["A01-002"]
    words = " ".join(text.split()[4:8])
    run("units", folder, "split", "--unit", "A01-002", "--before", words, "--by", "R1")
    parts = [one["text"] for one in rows("units", folder) if one["unit"].startswith("A01-002")]
    assert len(parts) == 2
    assert parts[1].startswith(words)


def test_parts_are_cut_again_and_joined_by_words_as_they_are_typed(folder):
    def parts() -> list[str]:
        return [one["text"][:12] for one in rows("units", folder) if one["unit"].startswith("A05-006")]

    for words in ("She's the best", "I do what"):  # the transcript has the apostrophe of print
        run("units", folder, "split", "--unit", "A05-006", "--before", words, "--by", "R1")
    assert parts() == ["Soups and sa", "I do what Il", "She’s the be"]
    run("units", folder, "join", "--unit", "A05-006:2", "--by", "R1")
    assert parts() == ["Soups and sa", "I do what Il"]
    run("units", folder, "join", "--unit", "A05-006", "--by", "R1")
    assert parts() == ["Soups and sa"]
    assert len(rows("units", folder)) == 389


def test_a_confirmed_phrase_is_gone_from_every_table_and_known_to_the_key_alone(folder):
    assert rows("transcripts", folder, "--find", "Orrin")
    run("pseudonyms", folder, "confirm", "--phrase", "Orrin", "--replacement", "Maren", "--by", "R1")
    assert rows("transcripts", folder, "--find", "Orrin") == []
    assert rows("transcripts", folder, "--find", "Maren")
    assert "Orrin" not in json.dumps(rows("pseudonyms", folder, "list"))
    key = folder / "private" / "pseudonyms.csv"
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert b"Orrin" in key.read_bytes()
    assert b"Orrin" not in (folder / "decisions.sqlite").read_bytes()


def test_a_rejected_phrase_is_not_proposed_again(folder):
    phrases = {one["phrase"] for one in rows("pseudonyms", folder)}
    assert "Orrin" in phrases
    run("pseudonyms", folder, "reject", "--phrase", "Orrin", "--by", "R1", "--why", "a pot's name")
    assert "Orrin" not in {one["phrase"] for one in rows("pseudonyms", folder)}
    assert rows("transcripts", folder, "--find", "Orrin")


def test_the_codebook_goes_out_and_comes_back(folder, tmp_path):
    assert {one["kind"] for one in rows("codebook", folder, "changes")} >= {"split", "redefined"}
    for form in ("csv", "markdown", "qdc"):
        ending = {"csv": "csv", "markdown": "md", "qdc": "qdc"}[form]
        out = tmp_path / f"book.{ending}"
        run("codebook", folder, "export", "--to", form, "--out", out)
        back = tmp_path / f"{form}.csv"
        run("codebook", folder, "import", "--file", out, "--out", back)
        assert "HEFT" in back.read_text(encoding="utf-8")
        assert "is there already" in run("codebook", folder, "import", "--file", out, "--out", back, code=2).output


@pytest.mark.parametrize("command", ["transcripts", "units", "pseudonyms", "codebook"])
def test_an_unknown_action_is_named(folder, command):
    assert "There is no action “fly”" in run(command, folder, "fly", code=2).output


def test_a_study_without_interviews_is_told_so(tmp_path):
    run("new", tmp_path / "s")
    found = run("transcripts", tmp_path / "s", code=1)
    assert "declares no interviews" in found.output
