"""The results folder: the same bytes again, whole or not at all, and never a collected file written."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import shutil
from pathlib import Path

import pytest
from demo_generator import FOLDER
from study_folders import study_in

from workbench.errors import StudyError, UsageError
from workbench.results.folder import write_results


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def inputs(folder: Path) -> dict[str, str]:
    return {name: digest for name, digest in hashes(folder).items() if not name.startswith("results/")}


def test_a_second_run_gives_the_same_bytes(demo, tmp_path):
    write_results(demo.folder, tmp_path / "again")
    assert hashes(tmp_path / "again") == hashes(demo.results)


def test_collected_files_are_as_they_were(demo):
    assert inputs(demo.folder) == hashes(FOLDER)


def test_the_manifest_names_every_input_with_its_hash(demo):
    manifest = json.loads((demo.results / "manifest.json").read_text())
    declared = inputs(demo.folder)
    assert manifest["inputs"] == {
        name: digest for name, digest in declared.items() if not name.startswith("instruments/")
    }
    assert set(manifest["tables"]) == {path.stem for path in (demo.results / "tables").glob("*.csv")}
    assert set(manifest["figures"]) == {path.stem for path in (demo.results / "figures").glob("*.svg")}
    assert set(manifest["instruments"]) >= {"weight_realism", "effectiveness", "effort", "comfort", "discomfort"}


def test_csv_and_json_hold_the_same_unrounded_values(demo):
    for path in sorted((demo.results / "tables").glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            read = list(csv.DictReader(stream))
        rows = demo.rows(path.stem)
        assert len(read) == len(rows)
        for line, row in zip(read, rows, strict=True):
            for key, value in row.items():
                if isinstance(value, float):
                    assert float(line[key]) == value, (path.stem, key)
                elif value is None:
                    assert line[key] == ""


def test_the_report_fetches_nothing_and_runs_nothing(demo):
    page = (demo.results / "report.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert not re.search(r"""(?:src|href)\s*=\s*["'](?!#)""", page)
    assert not re.search(r"url\((?!#|'#|\"#)", page)
    assert page.count("<svg") == len(list((demo.results / "figures").glob("*.svg")))
    assert page.count("The figure in words") == page.count("<svg")


def test_cautions_stand_in_the_report(demo):
    page = (demo.results / "report.html").read_text(encoding="utf-8")
    for caution in (
        "No significance is no proof of no difference",
        "exploratory",
        "unvalidated",
        "no diagnosis",
        "Agreement is not validity",
        "Answering alike is no proof of carelessness",
        "ethics board",
        "All people and all data in this study are invented",
    ):
        assert caution in page, caution


@pytest.fixture
def copy(tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(FOLDER, folder)
    return folder


def test_a_failing_run_leaves_the_earlier_results_whole(copy):
    (copy / "results").mkdir()
    (copy / "results" / "manifest.json").write_text("earlier")
    (copy / "responses" / "ranking.csv").unlink()
    with pytest.raises(StudyError, match=r"ranking\.csv"):
        write_results(copy)
    assert hashes(copy / "results") == {"manifest.json": hashlib.sha256(b"earlier").hexdigest()}
    assert [path.name for path in copy.iterdir() if path.name.startswith(".")] == []


def test_a_run_that_is_stopped_leaves_the_earlier_results_whole(copy):
    (copy / "results").mkdir()
    (copy / "results" / "manifest.json").write_text("earlier")

    def stop(done, total):
        if done > total / 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_results(copy, progress=stop)
    assert [path.name for path in (copy / "results").iterdir()] == ["manifest.json"]
    assert [path.name for path in copy.iterdir() if path.name.startswith(".")] == []


def test_a_folder_that_holds_something_else_is_not_replaced(copy, tmp_path):
    elsewhere = tmp_path / "thesis"
    elsewhere.mkdir()
    (elsewhere / "chapter.txt").write_text("years of work")
    with pytest.raises(UsageError, match="no results folder"):
        write_results(copy, elsewhere)
    assert (elsewhere / "chapter.txt").read_text() == "years of work"


def test_progress_ends_where_it_says(tmp_path):
    seen = []
    folder = study_in(tmp_path / "s", participants=["A01", "A02"]).folder
    write_results(folder, progress=lambda done, total: seen.append((done, total)))
    assert seen == sorted(seen)
    assert seen[-1][0] == seen[-1][1]
    assert len({total for _, total in seen}) == 1


def test_every_table_is_in_the_handbook(demo):
    page = (Path(__file__).parents[2] / "workbench" / "handbook" / "results.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| `(\w+)` \|", page, flags=re.MULTILINE))
    not_in_the_demo = {"factors", "agreement_spans", "agreement_words"}
    assert {path.stem for path in (demo.results / "tables").glob("*.csv")} == named - not_in_the_demo
    assert not_in_the_demo < named


def test_every_test_says_whether_it_was_planned(demo):
    for table in (
        "omnibus",
        "pairs",
        "contrasts",
        "equivalence",
        "anova",
        "robustness",
        "robustness_summary",
        "first_exposure",
        "preference_pairs",
    ):
        assert {row["planned"] for row in demo.rows(table)} <= {"planned", "exploratory"}
    planned = {row["measure"] for row in demo.rows("pairs") if row["planned"] == "planned"}
    assert planned == {"weight_realism", "effectiveness", "effort"}


def test_the_most_pressing_findings_come_first_and_pilots_are_told_once(demo):
    severities = [row["severity"] for row in demo.rows("findings")]
    assert severities == sorted(severities, key=["blocks", "attention", "note"].index)
    assert set(severities) == {"attention", "note"}
    (pilots,) = (row for row in demo.rows("findings") if row["kind"] == "pilots")
    for file in ("session_log.csv", "responses/background.csv", "responses/trials.csv", "responses/ranking.csv"):
        assert file in pilots["found"]
