"""The command line: a command collects, calls one function and shows the result.

Heavy libraries load inside the commands, so that help is quick. Exit codes: 0 done, 1 findings that
block, 2 wrong use.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from workbench.errors import StudyError, UsageError, WorkbenchError

if TYPE_CHECKING:
    from workbench.report.table import Table
    from workbench.results.chain import Evidence

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="From the answers of a within-subject study to the tables, figures and sentences of a paper.\n\n"
    "A study is a folder with a study.toml. Begin with `workbench demo` to see one, or `workbench new DIR` to make your own; "
    "then `check` until nothing blocks, look at `reliability` and `compare`, and write everything with `report`.\n\n"
    "Collected files are never changed. Small samples, many tests and people's privacy need care: each report says where.",
)


class Form(StrEnum):
    """How a table is written."""

    text = "text"
    csv = "csv"
    json = "json"
    markdown = "markdown"


StudyFolder = Annotated[
    Path, typer.Argument(metavar="STUDY", help="The study folder (it holds study.toml).", show_default=False)
]
FormatOption = Annotated[
    Form,
    typer.Option("--format", help="text for reading; csv and json unrounded, for machines; markdown for documents."),
]
TableOption = Annotated[
    str | None,
    typer.Option(
        "--table", metavar="NAME", help="Only this table; the names are listed when none fits.", show_default=False
    ),
]
OutOption = Annotated[
    Path | None,
    typer.Option(
        "--out",
        help="Write to this file instead of the screen; with several tables, to this folder.",
        show_default=False,
    ),
]


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.", show_default=False)],
    title: Annotated[str, typer.Option(help="Title of the study.")] = "A new study",
    condition: Annotated[
        list[str] | None,
        typer.Option(help="Label of a condition; give it once for each.", show_default="three versions"),
    ] = None,
    participants: Annotated[
        int, typer.Option(help="Planned number of participants; a multiple of the number of orders balances them.")
    ] = 24,
    instrument: Annotated[
        list[str] | None,
        typer.Option(
            help="Instrument of the library asked after each condition; give it once for each.",
            show_default="weight_realism, effectiveness",
        ),
    ] = None,
) -> None:
    """Make a study folder that passes `check`, with orders of conditions and empty sheets."""
    from workbench.template import DEFAULT_CONDITIONS, DEFAULT_INSTRUMENTS, new_study

    _guarded(
        lambda: new_study(
            folder,
            title=title,
            conditions=condition or DEFAULT_CONDITIONS,
            participants=participants,
            instruments=instrument or DEFAULT_INSTRUMENTS,
        )
    )
    _say(f"{folder} is ready. Put your files in, adapt {folder / 'study.toml'}, then: workbench check {folder}")


@app.command()
def check(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Read everything and say what is wrong or worth a look; exit code 1 when something blocks.

    What cannot be read, undeclared participants or conditions, duplicates and contradictions block. Missing answers, drop-outs and
    odd patterns are findings that the analysis states and goes on with. Answering alike is no proof of carelessness.
    """
    from workbench.report.output import findings_text
    from workbench.report.tables import findings_table
    from workbench.results.chain import check_tables, collect

    as_list = format is Form.text and table is None and out is None

    try:
        evidence = _guarded(lambda: collect(study), but=StudyError)
    except StudyError as error:
        if as_list:
            typer.echo(findings_text(error.findings, width=_width()), nl=False)
        else:
            _show([findings_table(error.findings)], format, "findings" if table else None, out)
        typer.echo(f"Findings that block the analysis: {len(error.findings)}.", err=True)
        raise typer.Exit(1) from None
    findings, flow = check_tables(evidence)
    if as_list:
        typer.echo(findings_text(evidence.findings, width=_width()))
    _show([flow] if as_list else [findings, flow], format, table, out)
    typer.echo(
        f"Nothing blocks. Findings worth a look: {sum(one.severity == 'attention' for one in evidence.findings)}.",
        err=True,
    )


@app.command()
def plan(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[show|freeze]",
            help="show the plan's hash, or freeze: write today's date and the hash into study.toml.",
        ),
    ] = "show",
) -> None:
    """Show the hash of the analysis plan, or freeze the plan with today's date.

    Fix the plan before the data are seen. What changes later is declared under plan.departures and printed in the report.
    """
    from datetime import date

    from workbench.study import freeze_plan, open_study, plan_changed, plan_hash

    if action not in ("show", "freeze"):
        _stop(UsageError(f"There is no action “{action}”; show and freeze are known."))
    opened = _guarded(lambda: open_study(study))
    if action == "freeze":
        typer.echo(f"Frozen today, hash {_guarded(lambda: freeze_plan(opened, date.today()))}.")
        return
    frozen = opened.plan.frozen
    typer.echo(f"Hash of the plan: {plan_hash(opened.plan)}")
    typer.echo(
        "Not frozen."
        if frozen is None
        else f"Frozen on {frozen.on}; {'changed since then' if plan_changed(opened.plan) else 'unchanged since then'}."
    )


@app.command()
def score(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Score the scales and summarize the trials: tables `measures` and `scores`.

    Reversed items are turned round first, then the missing rule is applied; a score without enough answers says why it is missing.
    """
    from workbench.results.chain import score_tables

    _tables(study, score_tables, format, table, out)


@app.command()
def reliability(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Reliability of each scale: tables `reliability`, `reliability_levels`, `items`.

    Each condition apart, then within and between persons; rows of several conditions are never pooled. Reliability is not validity.
    """
    from workbench.results.chain import reliability_of, reliability_tables

    _tables(study, lambda evidence: reliability_tables(evidence.study, reliability_of(evidence)), format, table, out)


@app.command()
def compare(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Compare the conditions: tables `headlines`, `descriptives`, `omnibus`, `pairs`, `contrasts`, `described`.

    Friedman tests with Kendall's W, signed-rank pairs and planned contrasts, corrected inside the families of the plan.
    Planned and exploratory tests are told apart. No significance is no proof of no difference.
    """
    from workbench.results.chain import comparison_of, comparison_tables, described_of

    _tables(
        study,
        lambda evidence: comparison_tables(evidence.study, comparison_of(evidence), described_of(evidence)),
        format,
        table,
        out,
    )


@app.command()
def preference(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """How the conditions were ranked or chosen: tables `preference`, `preference_tests`."""
    from workbench.results.chain import preference_of, preference_tables

    _tables(study, lambda evidence: preference_tables(evidence.study, preference_of(evidence)), format, table, out)


@app.command()
def agreement(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Agreement between raters before consensus: tables `agreement_rounds`, `agreement`.

    Per code: percent agreement, kappa, AC1 and alpha, with intervals that resample participants. A reflexive study gets none of this.
    Agreement is not validity and rates no rater.
    """
    from workbench.results.chain import agreement_of, agreement_tables

    _tables(study, lambda evidence: agreement_tables(evidence.study, agreement_of(evidence)), format, table, out)


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

    _tables(study, both, format, table, out)


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
    from workbench.results.folder import RESULTS, write_results

    _guarded(lambda: write_results(study, out, _progress("report")))
    target = out or study / RESULTS
    _say(f"Results are in {target}. Open {target / 'report.html'} in a browser.")


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="[DIR]", help="Where to copy the demo study.")] = Path(
        "practice-kitchen"
    ),
) -> None:
    """Copy the demo study (invented people, invented data), analyse it and say what it found."""
    from workbench.results.demo import run_demo

    for line in _guarded(lambda: run_demo(folder, _progress("demo"))):
        _say(line)


def main() -> None:
    """Run the command line; every fault of a person's files is told without a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a terminal that lacks a character shows "?" instead
    try:
        app()
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)


def _tables(
    study: Path, step: Callable[[Evidence], Sequence[Table]], format: Form, name: str | None, out: Path | None
) -> None:
    """Collect a study, run one step and show its tables."""
    from workbench.results.chain import collect

    made = _guarded(lambda: step(collect(study)))
    if not made:
        typer.echo("The study has nothing for this: study.toml declares no such data.", err=True)
        return
    _show(made, format, name, out)


def _show(tables: Sequence[Table], format: Form, name: str | None, out: Path | None) -> None:
    from workbench.report.output import write_tables

    text = _guarded(lambda: write_tables(tables, format.value, name, out, width=_width()))
    if text:
        typer.echo(text, nl=False)


def _width() -> int:
    import shutil

    return max(60, min(shutil.get_terminal_size((100, 24)).columns, 160))


def _progress(what: str) -> Callable[[int, int], None]:
    """Progress on stderr, on one line, where that is a terminal."""

    def show(done: int, total: int) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{what}: {done / total:.0%} (Ctrl+C stops)" + ("\n" if done == total else ""))
            sys.stderr.flush()

    return show


def _guarded(action: Callable[[], Any], but: type[WorkbenchError] | tuple[()] = ()) -> Any:
    """Run an action; our own errors, all `but` one sort, end the command with their message and exit code."""
    try:
        return action()
    except but:
        raise
    except WorkbenchError as error:
        _stop(error)
    except KeyboardInterrupt:
        typer.echo("Stopped; nothing was changed.", err=True)
        raise typer.Exit(130) from None
    except OSError as error:
        _stop(UsageError(f"{error.filename or 'A file'} cannot be written or read: {error.strerror or error}."))


def _stop(error: WorkbenchError) -> NoReturn:
    if isinstance(error, StudyError):
        for finding in error.findings:
            _say(finding.sentence(), err=True)
        typer.echo(f"Findings that block: {len(error.findings)}. `workbench check` shows them as a list.", err=True)
        raise typer.Exit(1)
    _say(str(error), err=True)
    raise typer.Exit(2)


def _say(text: str, *, err: bool = False) -> None:
    """Echo text that may hold words from a person's files or command, without what could steer the terminal."""
    from workbench.report.table import printable

    typer.echo(printable(text), err=err)


if __name__ == "__main__":
    main()
