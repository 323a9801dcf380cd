"""Commands that compute: score, reliability, compare, preference, agreement, joint, report, demo."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from workbench.cli.common import (
    Form,
    FormatOption,
    OutOption,
    StudyFolder,
    TableOption,
    app,
    guarded,
    progress_on_screen,
    say,
    tables_of,
)

if TYPE_CHECKING:
    from workbench.report.table import Table
    from workbench.results.chain import Evidence


@app.command()
def score(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Score the scales and summarize the trials: tables `measures` and `scores`.

    Reversed items are turned round first, then the missing rule is applied; a score without enough answers says why it is missing.
    """
    from workbench.results.chain import score_tables

    tables_of(study, score_tables, format, table, out)


@app.command()
def reliability(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Reliability of each scale: tables `reliability`, `reliability_levels`, `items`.

    Each condition apart, then within and between persons; rows of several conditions are never pooled. Reliability is not validity.
    """
    from workbench.results.chain import reliability_of, reliability_tables

    tables_of(study, lambda evidence: reliability_tables(evidence.study, reliability_of(evidence)), format, table, out)


@app.command()
def compare(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Compare the conditions, what was found first: tables `headlines`, `descriptives`, `omnibus`, `pairs`, and what the study has of
    `contrasts`, `factors`, `equivalence`, `anova`, `robustness_summary`, `order_effects`, `order_balance`, `described`.

    Friedman tests with Kendall's W, signed-rank pairs, contrasts and factors, corrected inside the families of the plan.
    Planned and exploratory tests are told apart. No significance is no proof of no difference.
    """
    from workbench.results.chain import compared_of, comparison_tables

    tables_of(study, lambda evidence: comparison_tables(evidence.study, compared_of(evidence)), format, table, out)


@app.command()
def preference(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """How the conditions were ranked or chosen: tables `preference`, `preference_tests`, `preference_pairs`, `preference_worth`.

    First choices, agreement of the rankings, exact sign tests of pairs and Plackett-Luce abilities. A split preference is a result too.
    """
    from workbench.results.chain import preference_of, preference_tables

    tables_of(study, lambda evidence: preference_tables(evidence.study, preference_of(evidence)), format, table, out)


@app.command()
def agreement(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Agreement between raters before consensus: tables `agreement_rounds`, `agreement`.

    Per code: percent agreement, kappa, AC1 and alpha, with intervals that resample participants. A reflexive study gets none of this.
    Agreement is not validity and rates no rater.
    """
    from workbench.results.chain import agreement_of, agreement_tables

    tables_of(study, lambda evidence: agreement_tables(evidence.study, agreement_of(evidence)), format, table, out)


@app.command()
def joint(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Scores and interviews side by side: tables `joint`, `code_by_condition`.

    Counts are participants who raised a code. Not mentioning something is not disagreeing with it.
    """
    from workbench.joint_display import joint_rows
    from workbench.results.chain import comparison_of, joint_tables, presence_of

    def both(evidence: Evidence) -> list[Table]:
        presence = presence_of(evidence)
        return joint_tables(
            evidence.study, joint_rows(evidence.study.declared.constructs, comparison_of(evidence), presence), presence
        )

    tables_of(study, both, format, table, out)


@app.command()
def report(
    study: StudyFolder,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Results folder to write; STUDY/results where not given.", show_default=False),
    ] = None,
) -> None:
    """Write all results: tables, figures, one HTML report and a manifest of inputs, plan, versions and seed.

    Earlier results stay whole until the new ones are complete. A second run on the same inputs gives the same bytes.
    """
    from workbench.results.folder import write_results
    from workbench.study import RESULTS

    guarded(lambda: write_results(study, out, progress_on_screen("report")))
    target = out or study / RESULTS
    say(f"Results are in {target}. Open {target / 'report.html'} in a browser.")


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to copy the demo study.")] = Path(
        "practice-kitchen"
    ),
) -> None:
    """Copy the demo study (invented people, invented data), analyse it and say what it found."""
    from workbench.results.demo import run_demo

    for line in guarded(lambda: run_demo(folder, progress_on_screen("demo"))):
        say(line)
