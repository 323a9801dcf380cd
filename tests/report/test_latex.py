"""LaTeX: what is escaped comes back, tables compile, and each number has a command of its own."""

from __future__ import annotations

import re
import shutil
import subprocess
import unicodedata

import pytest
from awkward_words import COLUMNS, awkward_report
from hypothesis import given
from hypothesis import strategies as st

from workbench.report.latex import PREAMBLE, escaped, macro_name, macros, to_latex, to_latex_document, unescaped
from workbench.report.table import Table


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126)))
def test_escaped_text_comes_back(text):
    told = escaped(text)
    assert unescaped(told) == text
    assert not re.search(r"(?<!\\)[%#&_$](?!-\$)", told.replace("$-$", ""))


@given(st.text())
def test_no_text_is_a_command_of_its_own(text):
    commands = set(re.findall(r"\\[A-Za-z]+", escaped(text)))
    assert commands <= {
        "\\textbackslash", "\\textasciicircum", "\\textasciitilde", "\\textless", "\\textgreater", "\\textbar",
        "\\textquotedbl", "\\textquotesingle", "\\textasciigrave", "\\ldots", "\\quotedblbase", "\\textquoteright",
        "\\textquoteleft", "\\times", "\\pm", "\\textperiodcentered", "\\textdegree", "\\textsuperscript", "\\chi",
        "\\eta", "\\varepsilon", "\\alpha", "\\beta", "\\kappa", "\\omega", "\\rho", "\\infty", "\\le", "\\ge",
        "\\rightarrow", "\\textbullet", "\\texteuro", "\\newline", "\\otherletter",
    }  # fmt: skip


def test_a_table_has_booktabs_rules_numbers_at_the_right_and_notes():
    table = Table("t", "Title", COLUMNS, ({"label": "a", "n": 3, "p": 0.0123},), ("Mind this.",))
    made = to_latex(table)
    assert "\\begin{tabular}{@{}lrr@{}}" in made
    assert "a & 3 & .012 \\\\" in made
    assert [made.count(rule) for rule in ("\\toprule", "\\midrule", "\\bottomrule")] == [1, 1, 1]
    assert "\\emph{Note.} Mind this." in made
    assert "\\label{tab:t}" in made


def test_a_long_table_runs_over_pages_with_its_header():
    rows = tuple({"label": str(place), "n": place, "p": 0.5} for place in range(60))
    made = to_latex(Table("t", "Title", COLUMNS, rows))
    assert "\\begin{longtable}" in made
    assert made.count("\\endhead") == made.count("\\endfirsthead") == 1


@pytest.mark.parametrize(
    ("identity", "name"),
    [
        ("omnibus/effort/kendall_w", "omnibusEffortKendallW"),
        ("pairs/effort.Still.Slosh/p", "pairsEffortStillSloshP"),
        ("preference/Coach/rank_2", "preferenceCoachRankTwo"),
        ("omnibus/größe/p", "omnibusGroSseP"),
    ],
)
def test_a_command_is_named_after_its_number(identity, name):
    if "ß" in identity:
        assert re.fullmatch(r"[A-Za-z]+", macro_name(identity))
    else:
        assert macro_name(identity) == name


def test_each_number_has_a_command_of_its_own():
    made = macros({"t/a_b/p": "= .012", "t/aB/p": "< .001", "t/שלום/p": "= .500", "t/עולם/p": "= .600"})
    names = re.findall(r"\\newcommand\{\\([A-Za-z]+)\}", made)
    assert len(names) == len(set(names)) == 4
    assert "\\newcommand{\\tABP}{= .012}" in made
    assert "{\\textless{} .001}" in made


def test_every_number_of_the_demo_has_a_command(demo):
    made = (demo.results / "numbers.tex").read_text(encoding="utf-8")
    names = re.findall(r"^\\newcommand\{\\([A-Za-z]+)\}\{.*\}$", made, flags=re.MULTILINE)
    assert len(names) == len(set(names)) == made.count("\\newcommand{")
    (omnibus,) = (row for row in demo.rows("omnibus") if row["measure"] == "effort")
    assert f"\\newcommand{{\\omnibusEffortChiSquare}}{{{omnibus['chi_square']:.2f}}}" in made


def compiled(folder, name: str) -> str:
    run = ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", "-no-shell-escape", name]
    found = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=False, errors="replace")
    assert found.returncode == 0, found.stdout[-2500:]
    return found.stdout


@pytest.mark.full
@pytest.mark.skipif(shutil.which("pdflatex") is None, reason="pdflatex is not installed")
def test_awkward_text_and_the_demo_compile(demo, tmp_path):
    (tmp_path / "awkward.tex").write_text(to_latex_document(awkward_report()), encoding="utf-8")
    compiled(tmp_path, "awkward.tex")
    shutil.copytree(demo.results, tmp_path / "demo")
    compiled(tmp_path / "demo", "report.tex")
    paper = (
        PREAMBLE + "\\input{numbers}\n\\begin{document}$p$~\\omnibusEffortP\n\\input{tables/omnibus}\\end{document}\n"
    )
    (tmp_path / "demo" / "paper.tex").write_text(paper, encoding="utf-8")
    compiled(tmp_path / "demo", "paper.tex")


def test_what_pdflatex_has_no_letters_for_is_kept_for_others():
    assert escaped("ש") == "\\otherletter{5E9}"
    assert unescaped(escaped("שלום")) == "שלום"
    assert unicodedata.normalize("NFC", "é") == unescaped(escaped("e\u0301"))
