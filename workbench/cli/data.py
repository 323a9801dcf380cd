"""Commands on a study and its data: new, map, instrument, check, plan, withdraw."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from enum import StrEnum
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
    say,
    show,
    stop,
    width,
)
from workbench.errors import StudyError, UsageError

if TYPE_CHECKING:
    from workbench.responses.guesses import Corrections
    from workbench.responses.mapping import Proposal


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

    guarded(
        lambda: new_study(
            folder,
            title=title,
            conditions=condition or DEFAULT_CONDITIONS,
            participants=participants,
            instruments=instrument or DEFAULT_INSTRUMENTS,
        )
    )
    say(f"{folder} is ready. Put your files in, adapt {folder / 'study.toml'}, then: workbench check {folder}")


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
    answer_word: Annotated[
        list[str] | None,
        typer.Option(metavar="WORD=NUMBER", help="An answer in words and the number it counts as.", show_default=False),
    ] = None,
    leave_out: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ID=REASON",
            help="Somebody in the file whose rows do not count, such as a test of the form, and why.",
            show_default=False,
        ),
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
        proposal: Proposal = guarded(lambda: propose(opened, file, said, add_participants=add_participants))
        return proposal

    if ask and not sys.stdin.isatty():
        stop(UsageError("--ask needs a terminal; use --set, --condition-name and the other options instead."))
    opened = guarded(lambda: open_study(study))
    said = guarded(
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
            answer_word,
            leave_out,
        )
    )
    proposal = proposed(said)
    if ask:
        proposal = _dialogue(proposal, said, proposed)
    if format is Form.text and table is None and out is None:
        _show_proposal(proposal)
    else:
        show(map_tables(proposal), format, table, out)
    if write:
        for line in guarded(lambda: write_proposal(proposal)):
            say(line)
        if proposal.faults:
            say(
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
    answer_words: Sequence[str] | None,
    left_out: Sequence[str] | None,
) -> Corrections:
    """The options of `map` as corrections; UsageError for one that is not of the form NAME=WHAT."""
    from workbench.declared import parse
    from workbench.responses.guesses import Corrections, counted_word
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
        dict(counted_word(one) for one in answer_words or ()),
        dict(_pair("--leave-out", one) for one in left_out or ()),
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
        say(f"\n{unclear.found}")
        if unclear.choices:
            say(f"Possible: {', '.join(unclear.choices)}")
        answer = input("Which? (Enter leaves it open) ").strip()
        if answer:
            try:
                further = answered(said, unclear, answer)
                proposal, said = proposed(further), further
            except (UsageError, typer.Exit) as error:
                say(str(error))
                left_open.discard((unclear.kind, unclear.name))


def _show_proposal(proposal: Proposal) -> None:
    """A proposal for reading: what the file is, its tables, the lines for study.toml, and what is open."""
    from workbench.report.map_tables import map_tables, summary
    from workbench.report.output import findings_text

    say(summary(proposal) + "\n")
    tables = [table for table in map_tables(proposal) if table.name not in ("entry", "findings")]
    show(tables, Form.text, None, None)
    if proposal.entry:
        say(f"\nFor study.toml:\n\n{proposal.entry}")
    if proposal.findings:
        typer.echo("\n" + findings_text(proposal.findings, width=width()))


@app.command()
def check(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Read everything and say what is wrong or worth a look: findings, then tables `participants`, `missing`, `missing_items`.

    Exit code 1 when something blocks.

    What cannot be read, undeclared participants or conditions, duplicates and contradictions block. Missing answers, drop-outs and
    odd patterns are findings that the analysis states and goes on with. Answering alike is no proof of carelessness.
    """
    from workbench.report.output import findings_text
    from workbench.report.tables.data import findings_table
    from workbench.results.chain import check_tables, collect

    as_list = format is Form.text and table is None and out is None

    try:
        evidence = guarded(lambda: collect(study), but=StudyError)
    except StudyError as error:
        if as_list:
            typer.echo(findings_text(error.findings, width=width()), nl=False)
        else:
            show([findings_table(error.findings)], format, "findings" if table else None, out)
        typer.echo(f"Findings that block the analysis: {len(error.findings)}.", err=True)
        raise typer.Exit(1) from None
    findings, *further = check_tables(evidence)
    if as_list:
        typer.echo(findings_text(evidence.findings, width=width()))
    show(further if as_list else [findings, *further], format, table, out)
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
        stop(UsageError(f"There is no action “{action}”; show and freeze are known."))
    opened = guarded(lambda: open_study(study))
    if action == "freeze":
        typer.echo(f"Frozen today, hash {guarded(lambda: freeze_plan(opened, date.today()))}.")
        return
    frozen = opened.plan.frozen
    typer.echo(f"Hash of the plan: {plan_hash(opened.plan)}")
    typer.echo(
        "Not frozen."
        if frozen is None
        else f"Frozen on {frozen.on}; {'changed since then' if plan_changed(opened.plan) else 'unchanged since then'}."
    )


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
            return write_tables([library_table(study)], format.value, None, out, width=width())
        return show_form(name, study, format.value, scoring=scoring, out=out, width=width())

    if text := guarded(shown):
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

    It takes their rows out of every collected file that study.toml names, removes their transcripts, translations and packets, empties
    decisions about them, takes names that only they said out of the key and the private list, their id out of study.toml, and removes
    the results. A count without a name is left. This is the one command that changes collected files. Copies elsewhere (backups, shared
    drives, archives, packets sent out, paper) are yours to find; what must be erased, and until when, is for the ethics board and
    local law to say.
    """
    from workbench import withdrawal

    act = withdrawal.withdraw if confirm else withdrawal.planned_withdrawal
    erased = guarded(lambda: act(study, participant))
    show([withdrawal.withdrawal_table(erased)], format, None, out)
    say("Erased." if confirm else "Nothing is changed yet; --confirm does it, for good.", err=True)
