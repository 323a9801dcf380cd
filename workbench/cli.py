"""The command line: a command collects, calls one function and shows the result.

Heavy libraries load inside the commands, so that help is quick. Exit codes: 0 done, 1 findings that
block, 2 wrong use.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from workbench.errors import StudyError, UsageError, WorkbenchError

if TYPE_CHECKING:
    from workbench.report.table import Table
    from workbench.responses.guesses import Corrections
    from workbench.responses.mapping import Proposal
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


class Asked(StrEnum):
    """When the questions of a questionnaire were asked."""

    once = "once"
    before_after = "before_after"
    per_condition = "per_condition"


class Layout(StrEnum):
    """What a row of a response file is."""

    row_per_participant = "row_per_participant"
    row_per_session = "row_per_session"
    row_per_answer = "row_per_answer"


class FormFormat(StrEnum):
    """How an instrument is shown."""

    text = "text"
    markdown = "markdown"
    html = "html"
    json = "json"
    csv = "csv"


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


@app.command("map")
def map_file(
    study: StudyFolder,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="The table to map, CSV or XLSX; with --write it is copied into the study folder if it lies elsewhere.",
            show_default=False,
        ),
    ],
    instrument: Annotated[
        list[str] | None,
        typer.Option(help="Instrument in the table; give it once for each, in order.", show_default="guessed"),
    ] = None,
    asked: Annotated[Asked | None, typer.Option(help="When the questions were asked.", show_default="guessed")] = None,
    layout: Annotated[Layout | None, typer.Option(help="What a row is.", show_default="guessed")] = None,
    participant: Annotated[
        str | None, typer.Option(metavar="COLUMN", help="Column of participants.", show_default="guessed")
    ] = None,
    condition: Annotated[
        str | None, typer.Option(metavar="COLUMN", help="Column of conditions.", show_default="guessed")
    ] = None,
    set_: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="COLUMN=WHAT",
            help="What a column holds: an item (real1, effort.tired, real1@still), occasion, item, answer, or ignore.",
            show_default=False,
        ),
    ] = None,
    condition_name: Annotated[
        list[str] | None,
        typer.Option(metavar="WORD=CONDITION", help="Which condition a word stands for.", show_default=False),
    ] = None,
    missing_word: Annotated[
        list[str] | None, typer.Option(metavar="WORD", help="An answer that means skipped.", show_default=False)
    ] = None,
    not_applicable_word: Annotated[
        list[str] | None, typer.Option(metavar="WORD", help="An answer that means not applicable.", show_default=False)
    ] = None,
    read: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=VALUE",
            help="How the table is read: sheet, first_row, header_rows, encoding, delimiter or decimal.",
            show_default="found",
        ),
    ] = None,
    id: Annotated[str | None, typer.Option(help="Name of the questionnaire.", show_default="from the file")] = None,
    add_participants: Annotated[
        bool, typer.Option("--add-participants", help="Declare participants of the file that study.toml does not list.")
    ] = False,
    ask: Annotated[bool, typer.Option("--ask", help="Ask, on a terminal, about what is unclear.")] = False,
    write: Annotated[bool, typer.Option("--write", help="Write the entry into study.toml.")] = False,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Show what the columns of a table from elsewhere seem to hold, and write that into study.toml with --write.

    Every guess says why and how sure it is; correct it by the options. The preview is made by the reader that `check` uses.
    Without --write nothing is changed. A file declared already, or a newer export of it, is compared with the one in the
    study folder; the older one stays beside it when it is replaced. Exit code 1 when something blocks.
    """
    from workbench.report.map_tables import map_tables
    from workbench.responses.mapping import propose, write_proposal
    from workbench.study import open_study

    def proposed(said: Corrections) -> Proposal:
        proposal: Proposal = _guarded(lambda: propose(opened, file, said, add_participants=add_participants))
        return proposal

    if ask and not sys.stdin.isatty():
        _stop(UsageError("--ask needs a terminal; use --set, --condition-name and the other options instead."))
    opened = _guarded(lambda: open_study(study))
    said = _guarded(
        lambda: _corrections(
            instrument,
            asked,
            layout,
            participant,
            condition,
            set_,
            condition_name,
            missing_word,
            not_applicable_word,
            read,
            id,
        )
    )
    proposal = proposed(said)
    if ask:
        proposal = _dialogue(proposal, said, proposed)
    if format is Form.text and table is None and out is None:
        _show_proposal(proposal)
    else:
        _show(map_tables(proposal), format, table, out)
    if write:
        for line in _guarded(lambda: write_proposal(proposal)):
            _say(line)
        if proposal.faults:
            _say(
                f"In the data {len(proposal.faults)} findings still block the analysis: workbench check {study}",
                err=True,
            )
    elif proposal.faults or proposal.questionnaire is None:
        typer.echo(f"Findings that block: {len(proposal.faults)}. Nothing is written.", err=True)
        raise typer.Exit(1)
    elif proposal.text or proposal.copies:
        typer.echo("Nothing is written yet; --write does it.", err=True)


def _corrections(
    instruments: Sequence[str] | None,
    asked: Asked | None,
    layout: Layout | None,
    participant: str | None,
    condition: str | None,
    columns: Sequence[str] | None,
    condition_names: Sequence[str] | None,
    missing: Sequence[str] | None,
    not_applicable: Sequence[str] | None,
    read: Sequence[str] | None,
    id: str | None,
) -> Corrections:
    """The options of `map` as corrections; UsageError for one that is not of the form NAME=WHAT."""
    from workbench.declared import parse
    from workbench.responses.guesses import Corrections
    from workbench.study import Reading

    reading = {
        key: int(value) if value.isdecimal() else value for key, value in (_pair("--read", one) for one in read or ())
    }
    held = dict(_pair("--set", one) for one in columns or ())
    held |= {participant: "participant"} if participant else {}
    held |= {condition: "condition"} if condition else {}
    names = dict(_pair("--condition-name", one) for one in condition_names or ())
    return Corrections(
        tuple(instruments or ()),
        asked.value if asked else None,
        layout.value if layout else None,
        held,
        names,
        tuple(missing or ()),
        tuple(not_applicable or ()),
        id,
        parse(Reading, reading, "--read"),
    )


def _pair(option: str, given: str) -> tuple[str, str]:
    name, equals, what = (part.strip() for part in given.rpartition("="))
    if not equals or not name or not what:
        raise UsageError(f"{option} “{given}” should be NAME=WHAT.")
    return name, what


def _dialogue(proposal: Proposal, said: Corrections, proposed: Callable[[Corrections], Proposal]) -> Proposal:
    """Ask about what is unclear, one thing after the other; an empty answer leaves it so."""
    from workbench.responses.guesses import answered

    left_open: set[tuple[str, str]] = set()
    while True:
        open_now = [one for one in proposal.guessed.unclear if (one.kind, one.name) not in left_open]
        if not open_now:
            return proposal
        unclear = open_now[0]
        left_open.add((unclear.kind, unclear.name))
        _say(f"\n{unclear.found}")
        if unclear.choices:
            _say(f"Possible: {', '.join(unclear.choices)}")
        answer = input("Which? (Enter leaves it open) ").strip()
        if answer:
            try:
                further = answered(said, unclear, answer)
                proposal, said = proposed(further), further
            except (UsageError, typer.Exit) as error:
                _say(str(error))
                left_open.discard((unclear.kind, unclear.name))


def _show_proposal(proposal: Proposal) -> None:
    """A proposal for reading: what the file is, its tables, the lines for study.toml, and what is open."""
    from workbench.report.map_tables import map_tables, summary
    from workbench.report.output import findings_text

    _say(summary(proposal) + "\n")
    tables = [table for table in map_tables(proposal) if table.name not in ("entry", "findings")]
    _show(tables, Form.text, None, None)
    if proposal.entry:
        _say(f"\nFor study.toml:\n\n{proposal.entry}")
    if proposal.findings:
        typer.echo("\n" + findings_text(proposal.findings, width=_width()))


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
    """Compare the conditions, what was found first: tables `headlines`, `descriptives`, `omnibus`, `pairs`, and what the study has of
    `contrasts`, `factors`, `equivalence`, `anova`, `robustness_summary`, `order_effects`, `order_balance`, `described`.

    Friedman tests with Kendall's W, signed-rank pairs, contrasts and factors, corrected inside the families of the plan.
    Planned and exploratory tests are told apart. No significance is no proof of no difference.
    """
    from workbench.results.chain import compared_of, comparison_tables

    _tables(study, lambda evidence: comparison_tables(evidence.study, compared_of(evidence)), format, table, out)


@app.command()
def preference(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """How the conditions were ranked or chosen: tables `preference`, `preference_tests`, `preference_pairs`, `preference_worth`.

    First choices, agreement of the rankings, exact sign tests of pairs and Plackett-Luce abilities. A split preference is a result too.
    """
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
    from workbench.results.folder import write_results
    from workbench.study import RESULTS

    _guarded(lambda: write_results(study, out, _progress("report")))
    target = out or study / RESULTS
    _say(f"Results are in {target}. Open {target / 'report.html'} in a browser.")


@app.command()
def instrument(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="The instrument to show; all are listed without it.")
    ] = None,
    study: Annotated[
        Path | None,
        typer.Option("--study", metavar="STUDY", help="A study folder, whose own instruments win.", show_default=False),
    ] = None,
    format: Annotated[
        FormFormat, typer.Option("--format", help="html is a page to print; csv is for the list alone.")
    ] = FormFormat.text,
    scoring: Annotated[bool, typer.Option("--scoring", help="Add the key, for the researcher.")] = False,
    out: Annotated[Path | None, typer.Option("--out", help="Write to this file.", show_default=False)] = None,
) -> None:
    """List the instruments, or show one as a participant reads it.

    Each comes with its source, licence and what is known of its validity. Where the licence does not let the wording be
    printed, items have short labels and the form says that it is not ready to hand out.
    """
    from workbench.report.form import library_table, show_form
    from workbench.report.output import write_tables

    def shown() -> str:
        if name is None:
            return write_tables([library_table(study)], format.value, None, out, width=_width())
        return show_form(name, study, format.value, scoring=scoring, out=out, width=_width())

    if text := _guarded(shown):
        typer.echo(text, nl=False)


@app.command()
def withdraw(
    study: StudyFolder,
    participant: Annotated[str, typer.Argument(metavar="PARTICIPANT", help="Who withdraws.", show_default=False)],
    confirm: Annotated[bool, typer.Option("--confirm", help="Do it: rewrite the collected files, for good.")] = False,
    format: FormatOption = Form.text,
    out: OutOption = None,
) -> None:
    """Say what erasing a participant would change, and with --confirm do it.

    It takes their rows out of every collected file that study.toml names, their id out of study.toml, and removes the
    results. A count without a name is left. This is the one command that changes collected files. Copies elsewhere (backups, shared drives, archives, paper) are
    yours to find; what must be erased, and until when, is for the ethics board and local law to say.
    """
    from workbench import withdrawal

    act = withdrawal.withdraw if confirm else withdrawal.planned_withdrawal
    erased = _guarded(lambda: act(study, participant))
    _show([withdrawal.withdrawal_table(erased)], format, None, out)
    _say("Erased." if confirm else "Nothing is changed yet; --confirm does it, for good.", err=True)


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
    from workbench.report.tables import words_of
    from workbench.results.chain import collect

    evidence = _guarded(lambda: collect(study))
    made = _guarded(lambda: step(evidence))
    if not made:
        typer.echo("The study has nothing for this: study.toml declares no such data.", err=True)
        return
    _show(made, format, name, out, words_of(evidence.study))


def _show(
    tables: Sequence[Table], format: Form, name: str | None, out: Path | None, words: Mapping[str, str] | None = None
) -> None:
    from workbench.report.output import write_tables

    text = _guarded(lambda: write_tables(tables, format.value, name, out, width=_width(), words=words))
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
