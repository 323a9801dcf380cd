"""A participant who withdraws is erased everywhere, and nothing else is touched."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import openpyxl
import pytest
from demo_generator import FOLDER
from typer.testing import CliRunner

from workbench.cli import app
from workbench.errors import UsageError
from workbench.files import read_table, without_rows
from workbench.results.chain import collect
from workbench.withdrawal import planned_withdrawal, withdraw

runner = CliRunner()


@pytest.fixture
def study(tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(FOLDER, folder)
    return folder


def texts(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes().decode() for path in folder.rglob("*") if path.is_file()
    }


def test_planning_changes_nothing_and_names_every_place(study):
    before = texts(study)
    planned = planned_withdrawal(study, "A11")
    assert texts(study) == before
    rows = {one.file: len(one.rows) for one in planned.erasures}
    expected = {
        name: sum(line.startswith("A11,") for line in text.splitlines())
        for name, text in before.items()
        if name.endswith(".csv")
    }
    assert {name: n for name, n in rows.items() if name.endswith(".csv")} == {
        name: n for name, n in expected.items() if n
    }
    assert rows["responses/trials.csv"] == 4 * 42
    assert "study.toml" in rows


def test_their_rows_are_gone_and_all_others_are_as_they_were(study):
    before = texts(study)
    withdraw(study, "A11")
    after = texts(study)
    for name, text in before.items():
        if name.endswith(".csv"):
            lines = text.splitlines(keepends=True)
            assert after[name] == "".join(line for line in lines if not line.startswith("A11,"))
    assert not any("A11" in text for name, text in after.items() if name.endswith(".csv"))


def test_study_toml_keeps_its_comments_and_counts_one_more(study):
    before = (study / "study.toml").read_text(encoding="utf-8")
    withdraw(study, "A11")
    after = (study / "study.toml").read_text(encoding="utf-8")
    assert [line for line in after.splitlines() if line.startswith("#")] == [
        line for line in before.splitlines() if line.startswith("#")
    ]
    evidence = collect(study)
    assert evidence.study.declared.participants.withdrawn == 2
    assert "A11" not in evidence.study.participants
    assert not any(one.participant == "A11" for one in evidence.study.declared.exclusions)


def test_results_are_removed(study):
    (study / "results").mkdir()
    (study / "results" / "scores.csv").write_text("A11")
    withdraw(study, "A11")
    assert not (study / "results").exists()


def test_other_places_that_name_them_are_told(study):
    (study / "notes.txt").write_text("A11 was late.\nA110 was not.\n")
    planned = planned_withdrawal(study, "A11")
    assert ("notes.txt", 1) in planned.mentions


def test_an_unknown_participant_is_refused_with_the_nearest(study):
    with pytest.raises(UsageError, match=r"A99.*nowhere"):
        planned_withdrawal(study, "A99")


def test_the_command_needs_to_be_asked_twice(study):
    before = hashlib.sha256("".join(texts(study).values()).encode()).hexdigest()
    asked = runner.invoke(app, ["withdraw", str(study), "A07"])
    assert asked.exit_code == 0
    assert "Nothing is changed yet" in asked.stderr
    assert hashlib.sha256("".join(texts(study).values()).encode()).hexdigest() == before
    done = runner.invoke(app, ["withdraw", str(study), "A07", "--confirm"])
    assert done.exit_code == 0
    assert "Erased." in done.stderr
    again = runner.invoke(app, ["withdraw", str(study), "A07"])
    assert again.exit_code == 2


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_the_other_rows_keep_their_bytes(tmp_path, encoding, end):
    rows = ["id;wört", 'A1;"two', 'lines"', "A2;x", "A3;ü"]
    path = tmp_path / "table.csv"
    path.write_bytes((end.join(rows) + end).encode(encoding))
    table = read_table(path, "table.csv")
    (number,) = table.frame.index[table.frame["id"] == "A1"]
    kept = without_rows(path, "table.csv", [int(number)])
    assert kept == (end.join([rows[0], *rows[3:]]) + end).encode(encoding)


def test_rows_of_a_workbook(tmp_path):
    book = openpyxl.Workbook()
    for row in (["id", "n"], ["A1", 1], ["A2", 2], ["A1", 3]):
        book.active.append(row)
    path = tmp_path / "table.xlsx"
    book.save(path)
    table = read_table(path, "table.xlsx")
    rows = [int(row) for row in table.frame.index[table.frame["id"] == "A1"]]
    path.write_bytes(without_rows(path, "table.xlsx", rows))
    assert list(read_table(path, "table.xlsx").frame["id"]) == ["A2"]
