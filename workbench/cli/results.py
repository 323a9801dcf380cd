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
    `contrasts`, `factors`, `equivalence`, `anova`, `robustness_summary`, `complete_cases`, `order_effects`, `order_balance`, `described`.

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
    study: StudyFolder,
    half_width: Annotated[
        float, typer.Option("--half-width", help="Half-width of kappa's interval that further units are planned for.")
    ] = 0.10,
    words: Annotated[
        bool,
        typer.Option(
            "--words",
            help="Show what was said in units that all find hard, and words of disputed units; of those who allow quotes.",
        ),
    ] = False,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Agreement between raters before consensus: tables `agreement_rounds`, `agreement`, and what the study has of `agreement_by_round`,
    `agreement_about`, `agreement_spans`, `agreement_drift`, `agreement_sample`, `agreement_confusions`, `agreement_disagreements`,
    `agreement_hard_units`, `agreement_words`.

    Per code: percent agreement, kappa, AC1 and alpha, with intervals that resample participants; what changed between rounds and while
    coding; how many more units each code needs; what to settle first. A reflexive study gets none of this.
    Agreement is not validity and rates no rater.
    """
    from workbench.results.chain import agreement_of, agreement_tables, quotable_texts

    def made(evidence: Evidence) -> list[Table]:
        found = agreement_of(evidence, half_width=half_width, progress=progress_on_screen("agreement"))
        return agreement_tables(evidence.study, found, quotable_texts(evidence.material) if words else None)

    tables_of(study, made, format, table, out)


@app.command()
def joint(
    study: StudyFolder,
    kind: Annotated[
        list[str] | None,
        typer.Option(
            "--kind",
            metavar="KIND",
            help="Only this kind of display: “statistics by themes”, “side by side”, “participants by themes” or “condition by code”; may be given several times.",
            show_default=False,
        ),
    ] = None,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Scores and interviews side by side: tables `joint`, `joint_quotes`, `links`, `side_by_side`, `side_by_side_numbers`, `participants_by_theme`,
    `participants_by_code`, `code_by_condition`, `code_exemplars`, `code_stances`, `codes_across`.

    Counts are participants who raised a code. Not mentioning something is not disagreeing with it. Quotes are chosen by a stated rule
    or by hand in study.toml, of those who allow it. Without --kind, study.toml says under `joint.kinds` which displays are made; all
    that have data where it says nothing.
    """
    from workbench.report.tables.joint import kinds_of
    from workbench.results.chain import (
        comparison_of,
        exemplars_of,
        joint_of,
        joint_tables,
        links_of,
        presence_of,
        spoken_of,
    )

    wanted = guarded(lambda: kinds_of(kind)) if kind else None

    def both(evidence: Evidence) -> list[Table]:
        presence, spoken = presence_of(evidence), spoken_of(evidence)
        rows = joint_of(evidence, comparison_of(evidence), presence, spoken)
        exemplary = exemplars_of(evidence, presence, spoken)
        return joint_tables(evidence, rows, presence, exemplary, links_of(evidence, rows), wanted)

    tables_of(study, both, format, table, out)


@app.command()
def report(
    study: StudyFolder,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Results folder to write; STUDY/results where not given.", show_default=False),
    ] = None,
    format: Annotated[
        str, typer.Option("--format", help="html, docx, latex or markdown, several joined by commas, or all.")
    ] = "all",
    further_figures: Annotated[
        bool,
        typer.Option("--further-figures", help="Also write figures as PNG, and all of them two columns wide (175 mm)."),
    ] = False,
) -> None:
    """Write all results: tables, figures, the report (HTML, Word, LaTeX, Markdown) and a manifest of inputs, plan, versions and seed.

    Earlier results stay whole until the new ones are complete. A second run on the same inputs gives the same bytes. The written
    report is read back, and numbers that do not fit together are told.
    """
    from workbench.results.documents import formats_of
    from workbench.results.folder import self_check_told, write_results
    from workbench.study import RESULTS

    formats = guarded(lambda: formats_of(format))
    guarded(
        lambda: write_results(
            study, out, progress_on_screen("report"), formats=formats, further_figures=further_figures
        )
    )
    target = out or study / RESULTS
    opened = f" Open {target / 'report.html'} in a browser." if "html" in formats else ""
    say(f"Results are in {target}.{opened}")
    say(self_check_told(target))


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to copy the demo study.")] = Path(
        "practice-kitchen"
    ),
    uncoded: Annotated[
        bool,
        typer.Option("--uncoded", help="Only copy it, with interviews that nobody has coded yet, to try coding on."),
    ] = False,
) -> None:
    """Copy the demo study (invented people, invented data), analyse it and say what it found."""
    from workbench.results.demo import copy_demo, run_demo

    if uncoded:
        guarded(lambda: copy_demo(folder, coded=False))
        say(
            f"{folder} is ready, without codings. Look at workbench transcripts {folder}, then workbench round {folder}."
        )
        return
    for line in guarded(lambda: run_demo(folder, progress_on_screen("demo"))):
        say(line)
