"""Whole reports of studies that lack something, or whose words are awkward: they say what they lack and stay whole."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from study_folders import instrument, questionnaire, sheet, study_in
from typer.testing import CliRunner

from workbench.cli.main import app
from workbench.errors import UsageError
from workbench.results.documents import formats_of, grain
from workbench.results.folder import self_check_told, write_results

pytestmark = pytest.mark.xdist_group("test_documents")
"""What the whole module shares is made once."""

PEOPLE = [f"A{number:02}" for number in range(1, 8)]
AWKWARD = {
    "markup": "<script>alert(1)</script> & **bold** | `x`",
    "latex": r"\input{x} 50 % _under_ $x^2$ #1 {",
    "hebrew": "שלום עולם",
    "long": "long name " * 20,
    "emoji": "🧪 =SUM(A1)",
}


def answers(conditions: list[str]) -> str:
    rows = [
        f"{who} {condition} {1 + (place + 2 * shift) % 7} {1 + (2 * place + shift) % 7}"
        for place, who in enumerate(PEOPLE)
        for shift, condition in enumerate(conditions)
    ]
    return sheet("participant condition q1 q2", *rows)


def awkward(folder: Path, words: dict[str, str]) -> Path:
    study_in(
        folder,
        instruments=[instrument("real", ["q1", "q2"], label=words["long"])],
        questionnaires=[questionnaire("after", ["real"])],
        files={"after.csv": answers(["still", "slosh", "ladle"])},
        conditions=("still", "slosh", "ladle"),
        participants=PEOPLE,
        plan={"primary": ["real"], "departures": [{"what": words["latex"], "why": words["markup"]}]},
        note=words["emoji"],
    )
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for condition, label in (("still", words["markup"]), ("slosh", words["hebrew"]), ("ladle", words["latex"])):
        text = text.replace(f'"The {condition} one"', json.dumps(label, ensure_ascii=False))
    (folder / "study.toml").write_text(text.replace('"A tiny study"', json.dumps(words["long"])), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    folder = awkward(tmp_path_factory.mktemp("awkward") / "study", AWKWARD)
    write_results(folder)
    return folder / "results"


def test_awkward_words_leave_the_report_whole(made):
    assert "nothing that does not fit" in self_check_told(made)
    page = (made / "report.html").read_text(encoding="utf-8")
    assert "<script>" not in page
    assert "שלום עולם" in page
    assert r"\input{x}" not in (made / "report.tex").read_text(encoding="utf-8")
    assert "&lt;script&gt;" in (made / "report.md").read_text(encoding="utf-8")


@pytest.mark.full
@pytest.mark.skipif(shutil.which("pdflatex") is None, reason="pdflatex is not installed")
def test_awkward_words_compile(made, tmp_path):
    shutil.copytree(made, tmp_path / "r")
    run = ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", "-no-shell-escape", "report.tex"]
    found = subprocess.run(run, cwd=tmp_path / "r", capture_output=True, check=False)
    assert found.returncode == 0, found.stdout[-1500:]


def test_a_study_with_nothing_says_so(tmp_path):
    study_in(tmp_path)
    write_results(tmp_path)
    page = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "Nothing was compared." in page
    assert "no questionnaire, no trials, no preference, no interviews, no primary measure in the plan" in page
    for name in ("report.docx", "report.tex", "report.md", "tables.docx", "numbers.tex", "trace.json"):
        assert (tmp_path / "results" / name).stat().st_size > 0


def test_one_condition_and_no_interviews(tmp_path):
    study_in(
        tmp_path,
        instruments=[instrument("real", ["q1", "q2"])],
        questionnaires=[questionnaire("after", ["real"])],
        files={"after.csv": answers(["still"])},
        conditions=("still",),
        participants=PEOPLE,
    )
    write_results(tmp_path)
    results = tmp_path / "results"
    assert "no comparison of conditions, as there is one condition" in (results / "report.md").read_text(
        encoding="utf-8"
    )
    assert "nothing that does not fit" in self_check_told(results)


def test_formats_are_those_asked_for_and_figures_come_wide(tmp_path):
    folder = awkward(tmp_path / "study", {key: key for key in AWKWARD})
    result = CliRunner().invoke(app, ["report", str(folder), "--format", "markdown", "--further-figures"])
    assert result.exit_code == 0, result.output
    assert "The report was read back" in result.output
    names = {
        path.relative_to(folder / "results").as_posix() for path in (folder / "results").rglob("*") if path.is_file()
    }
    assert "report.md" in names
    assert not {"report.html", "report.docx", "report.tex", "numbers.tex"} & names
    assert {"figures/points_real.png", "figures/wide/points_real.svg", "figures/wide/points_real.pdf"} <= names
    wide = (folder / "results" / "figures" / "wide" / "points_real.svg").read_text(encoding="utf-8")
    assert 'width="661"' in wide[:300]
    assert b"MediaBox [0 0 495.75" in (folder / "results" / "figures" / "wide" / "points_real.pdf").read_bytes()
    assert pytest.approx(175, abs=0.5) == 495.75 / 72 * 25.4


def test_an_unknown_format_lists_those_there_are():
    assert formats_of("all") == formats_of("html,docx,latex,markdown")
    with pytest.raises(UsageError, match="html, docx, latex, markdown"):
        formats_of("rtf")


def test_trace_and_diff_on_the_command_line(made):
    study = str(made.parent)
    result = CliRunner().invoke(app, ["trace", study, "omnibus/real/p", "--format", "json", "--table", "trace_rows"])
    assert result.exit_code == 0, result.output
    assert len(json.loads(result.output)["rows"]) == len(PEOPLE) * 3 * 2
    result = CliRunner().invoke(app, ["diff", study, str(made), str(made)])
    assert result.exit_code == 0, result.output
    assert "No cell of the results differs" in result.output
    assert CliRunner().invoke(app, ["trace", study, "omnibus/reel/p"]).exit_code == 2


def test_steps_of_a_scale_come_from_its_values(demo):
    measures = {one.id: one for one in demo.analysis.evidence.measures}
    assert grain(measures["lift_seconds"]).step == 0
    assert grain(measures["comfort"]).step == 1
    assert (grain(measures["comfort"]).low, grain(measures["comfort"]).high) == (1, 7)
