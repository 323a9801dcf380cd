"""Every command on the demo, in every format, as a person runs it."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from datetime import date

import pytest
from typer.testing import CliRunner

from workbench.cli import app
from workbench.study import open_study, plan_hash

runner = CliRunner()

TABLES = {
    "check": ["findings", "participants", "missing", "missing_items"],
    "score": ["measures", "scores"],
    "reliability": ["scales", "reliability", "reliability_levels", "items"],
    "compare": [
        "headlines",
        "descriptives",
        "omnibus",
        "pairs",
        "contrasts",
        "equivalence",
        "anova",
        "robustness_summary",
        "complete_cases",
        "order_effects",
        "order_balance",
        "described",
    ],
    "preference": ["preference", "preference_tests", "preference_pairs", "preference_worth"],
    "agreement": [
        "agreement_rounds",
        "agreement",
        "agreement_by_round",
        "agreement_about",
        "agreement_drift",
        "agreement_sample",
        "agreement_confusions",
        "agreement_disagreements",
        "agreement_hard_units",
    ],
    "joint": [
        "joint",
        "joint_quotes",
        "links",
        "side_by_side",
        "side_by_side_numbers",
        "participants_by_theme",
        "participants_by_code",
        "code_by_condition",
        "code_exemplars",
        "code_stances",
        "codes_across",
    ],
}


def run(*arguments):
    return runner.invoke(app, [str(argument) for argument in arguments])


def in_results(demo, table, suffix):
    return (demo.results / "tables" / f"{table}.{suffix}").read_bytes().decode()


@pytest.mark.parametrize("verb", TABLES)
def test_json_is_that_of_the_results_folder(demo, verb):
    found = run(verb, demo.folder, "--format", "json")
    assert found.exit_code == 0, found.output
    assert json.loads(found.stdout) == [json.loads(in_results(demo, table, "json")) for table in TABLES[verb]]


@pytest.mark.parametrize("verb", ["score", "joint"])
def test_csv_of_all_tables_goes_into_a_folder(demo, verb, tmp_path):
    found = run(verb, demo.folder, "--format", "csv", "--out", tmp_path / "tables")
    assert found.exit_code == 0, found.output
    written = {path.stem: path.read_bytes().decode() for path in (tmp_path / "tables").iterdir()}
    assert written == {table: in_results(demo, table, "csv") for table in TABLES[verb]}


@pytest.mark.parametrize("verb", ["check", "preference"])
def test_markdown_has_every_table(demo, verb):
    found = run(verb, demo.folder, "--format", "markdown")
    assert found.exit_code == 0, found.output
    for table in TABLES[verb]:
        assert f"**{json.loads(in_results(demo, table, 'json'))['title']}**" in found.stdout


@pytest.mark.parametrize("verb", TABLES)
def test_text_has_every_table_and_fits_the_screen(demo, verb, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    found = run(verb, demo.folder)
    assert found.exit_code == 0, found.output
    titles = [json.loads(in_results(demo, table, "json"))["title"] for table in TABLES[verb]]
    assert all(title in found.stdout for title in (titles[1:] if verb == "check" else titles))
    assert max(map(len, found.stdout.splitlines())) <= 100


def test_one_table_goes_to_a_file(demo, tmp_path):
    out = tmp_path / "measures.csv"
    found = run("score", demo.folder, "--table", "measures", "--format", "csv", "--out", out)
    assert (found.exit_code, found.stdout) == (0, "")
    assert out.read_bytes().decode() == in_results(demo, "measures", "csv")


def test_several_tables_as_csv_on_the_screen_are_refused(demo):
    found = run("score", demo.folder, "--format", "csv")
    assert found.exit_code == 2
    assert "--table" in found.stderr
    assert "scores" in found.stderr


def test_an_unknown_table_names_the_nearest(demo):
    found = run("score", demo.folder, "--table", "scored")
    assert found.exit_code == 2
    assert "Did you mean “scores”?" in found.stderr


def test_check_lists_findings_and_says_that_nothing_blocks(demo):
    found = run("check", demo.folder)
    assert found.exit_code == 0
    assert "likely wrong key" in found.stdout
    assert "Nothing blocks." in found.stderr


def test_a_plan_is_frozen_once_with_comments_kept(demo, tmp_path):
    folder = tmp_path / "study"
    shutil.copytree(demo.folder, folder)
    frozen = (folder / "study.toml").read_text(encoding="utf-8")
    assert "unchanged since then" in run("plan", folder).stdout
    before = re.sub(r"frozen = .*\n", "", frozen)
    (folder / "study.toml").write_text(before, encoding="utf-8")
    hash_before = plan_hash(open_study(folder).plan)
    assert "Not frozen" in run("plan", folder).stdout
    assert hash_before in run("plan", folder, "freeze").stdout
    after = (folder / "study.toml").read_text(encoding="utf-8")
    kept = [line for line in before.splitlines() if line.startswith("#")]
    assert kept
    assert [line for line in after.splitlines() if line.startswith("#")] == kept
    study = open_study(folder)
    assert study.plan.frozen is not None
    assert study.plan.frozen.on == date.today()
    assert study.plan.frozen.hash == plan_hash(study.plan) == hash_before
    again = run("plan", folder, "freeze")
    assert again.exit_code == 1
    assert "frozen on" in again.stderr
    (folder / "study.toml").write_text(after.replace("level = 0.05", "level = 0.1"), encoding="utf-8")
    assert "changed since then" in run("plan", folder).stdout
    assert "plan changed" in run("check", folder).stdout


def test_demo_refuses_a_folder_that_exists(tmp_path):
    found = run("demo", tmp_path)
    assert found.exit_code == 2
    assert "exists already" in found.stderr


@pytest.mark.parametrize("verb", [*TABLES, "new", "plan", "report", "demo"])
def test_help_teaches(verb):
    found = run(verb, "--help")
    assert found.exit_code == 0
    assert len(found.stdout) > 200


def test_help_loads_no_heavy_library():
    code = (
        "import sys; from typer.testing import CliRunner; from workbench.cli import app; "
        "print(CliRunner().invoke(app, ['--help']).stdout[:5]); "
        "print([name for name in ('pandas', 'numpy', 'scipy', 'pydantic', 'altair', 'streamlit') if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines() == ["Usage", "[]"]
