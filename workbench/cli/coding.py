"""Commands on the work of coding: rounds, packets, consensus, codes to look at again, the trail of decisions."""

from __future__ import annotations

from functools import partial
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
)
from workbench.cli.interviews import ByOption, WhyOption, opened_journal, opened_material, required_by
from workbench.errors import UsageError

if TYPE_CHECKING:
    from workbench.coding.decisions import Applied
    from workbench.coding.material import Material
    from workbench.coding.units import Unit
    from workbench.store.journal import Journal
    from workbench.study import Study

RoundOption = Annotated[
    str | None,
    typer.Option("--round", metavar="NAME", help="The round, as study.toml declares it.", show_default=False),
]
RaterOption = Annotated[
    list[str] | None,
    typer.Option("--rater", help="Rater; give it once for each. All where not given.", show_default=False),
]


def _required(value: str | None, option: str, what: str) -> str:
    if not value:
        stop(UsageError(f"Name {what} with {option}."))
    return value


@app.command("round")
def round_(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[show|begin|draw|submit|reopen]",
            help="show how far each round is (the default); begin one with all units or some, draw a sample for one, submit or reopen one.",
        ),
    ] = "show",
    name: RoundOption = None,
    transcript: Annotated[
        list[str] | None,
        typer.Option(
            help="begin, draw: its units are those of this transcript; give it once for each.", show_default=False
        ),
    ] = None,
    listed: Annotated[
        Path | None,
        typer.Option(
            "--units",
            metavar="FILE",
            help="begin, draw: its units are those in the column `unit` of a table.",
            show_default=False,
        ),
    ] = None,
    without: Annotated[
        str | None,
        typer.Option(metavar="ROUND", help="begin, draw: without the units of that round.", show_default=False),
    ] = None,
    size: Annotated[int | None, typer.Option(help="draw: how many units.", show_default=False)] = None,
    seed: Annotated[
        int | None, typer.Option(help="draw: the seed; the plan's where not given.", show_default=False)
    ] = None,
    rater: RaterOption = None,
    by: ByOption = None,
    why: WhyOption = "",
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Rounds of coding: table `rounds`. A sample for reliability is drawn by seed, from each participant in proportion, and never
    from units that a pilot round used.

    While a round is open nobody sees another's codings. Submitting closes a rater's part; reopening needs a reason and stays on record.
    """
    from workbench.coding import rounds

    if action not in ("show", "begin", "draw", "submit", "reopen"):
        stop(UsageError(f"There is no action “{action}”; show, begin, draw, submit and reopen are known."))
    opened, material = opened_material(study)
    with opened_journal(opened) as journal:
        if action == "show":
            _show_rounds(opened, material, journal, format, table, out)
            return
        chosen, decided = _required(name, "--round", "the round"), required_by(by)
        if action == "begin":
            units = _chosen_units(material, journal, transcript, listed, without)
            guarded(lambda: rounds.begin_round(journal, opened, chosen, units, by=decided, raters=rater or (), why=why))
            say(f"Round {chosen} has {len(units)} units.")
        elif action == "draw":
            if size is None:
                stop(UsageError("Say how many units with --size."))
            used = opened.plan.seed if seed is None else seed
            units = _chosen_units(material, journal, transcript, listed, without)
            sample = guarded(
                lambda: rounds.draw_round(
                    journal, opened, chosen, units, size=size, seed=used, by=decided, raters=rater or (), why=why
                )
            )
            people = len({one.participant for one in sample})
            say(f"Round {chosen}: {len(sample)} units of {people} participants, drawn with seed {used}.")
        elif action == "submit":
            guarded(lambda: rounds.submit_round(journal, opened, chosen, rater=decided, why=why))
            state = guarded(lambda: rounds.state_of(journal, opened, chosen))
            waiting = f" Waiting for {', '.join(state.waiting_for)}." if state.waiting_for else " The round is closed."
            say(f"{decided} has submitted {chosen}.{waiting}")
        else:
            guarded(lambda: rounds.reopen_round(journal, opened, chosen, by=decided, why=why, raters=rater or ()))
            say(f"Round {chosen} is open again; that it was closed stays on record.")


def _show_rounds(
    opened: Study, material: Material, journal: Journal, format: Form, table: str | None, out: Path | None
) -> None:
    from workbench.coding.rounds import rated_counts, round_states
    from workbench.report.tables.coding import rounds_state_table

    states = list(guarded(lambda: round_states(journal, opened)).values())
    everything = sum(1 for _ in material.all_units())
    show([rounds_state_table(states, rated_counts(journal, states), everything)], format, table, out)


def _chosen_units(
    material: Material, journal: Journal, transcripts: list[str] | None, listed: Path | None, without: str | None
) -> list[Unit]:
    from workbench.coding.assignments import chosen_units, units_named

    named = None if listed is None else guarded(lambda: units_named(material, listed, listed.name))
    chosen: list[Unit] = guarded(
        lambda: chosen_units(material, journal, transcripts=transcripts or (), named=named, without=without or "")
    )
    return chosen


@app.command()
def packet(
    study: StudyFolder,
    action: Annotated[
        str, typer.Argument(metavar="[make|merge]", help="make a packet for a rater, or merge what came back.")
    ],
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="merge: the file that came back.", show_default=False)
    ] = None,
    name: RoundOption = None,
    rater: Annotated[str | None, typer.Option("--rater", help="For whom it is.", show_default=False)] = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="make: without what the rater has coded already.")] = False,
    write: Annotated[
        bool, typer.Option("--write", help="merge: record it; without it only what would be added is shown.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="make: folder to write to; STUDY/packets where not given.", show_default=False),
    ] = None,
) -> None:
    """A packet for a second rater: one HTML page that works without network in any browser, and the same as a spreadsheet.

    It holds the units, the codebook and nothing of another rater: the strongest blindness there is here. `merge` checks study,
    round, version and words, shows what it would add, and is safe to run twice. A packet holds participants' words: send it by a
    way that the ethics board accepts, and have it deleted afterwards.
    """
    from workbench.coding.assignments import assignment_for, merge_of
    from workbench.coding.packet import make_packet, make_packet_workbook, packet_names
    from workbench.files import write_atomically

    if action not in ("make", "merge"):
        stop(UsageError(f"There is no action “{action}”; make and merge are known."))
    opened, material = opened_material(study)
    chosen, whose = _required(name, "--round", "the round"), _required(rater, "--rater", "the rater")
    with opened_journal(opened) as journal:
        if action == "make":
            assignment = guarded(lambda: assignment_for(material, journal, chosen, whose, go_on=not fresh))
            folder, names = out or study / "packets", packet_names(assignment)
            guarded(lambda: write_atomically(folder / names.page, make_packet(assignment)))
            said = f"{len(assignment.units)} units for {whose}: {folder / names.page}"
            if assignment.kind == "spans":
                say(f"{said}. Free spans cannot be marked in a spreadsheet, so there is none.")
                return
            guarded(lambda: write_atomically(folder / names.workbook, make_packet_workbook(assignment)))
            say(f"{said}, or as a spreadsheet {folder / names.workbook}.")
            return
        if file is None:
            stop(UsageError("Name the file that came back."))
        given = file
        merge = guarded(lambda: merge_of(material, journal, chosen, whose, given, go_on=not fresh))
        for one in merge.findings:
            say(one.sentence(), err=True)
        say(f"{len(merge.new)} new decisions on {merge.units} units; {merge.known} are there already.")
        if merge.withdrawn:
            say(f"Of what {whose} has decided here, {merge.withdrawn} would be taken away.")
        if write:
            guarded(lambda: journal.record(merge.new))
            say("Recorded.")
        elif merge.new:
            say("Nothing is recorded yet; --write does it.", err=True)


@app.command()
def code(
    study: StudyFolder,
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit, such as A03-006.", show_default=False)],
    codes: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CODE[@CONDITION+CONDITION][:STANCE]]…",
            help="All codes that apply: SWAY, SWAY@slosh, HEFT@still+slosh:mixed. None: nothing applies.",
            show_default=False,
        ),
    ] = None,
    name: RoundOption = None,
    by: ByOption = None,
    why: WhyOption = "",
    undo: Annotated[bool, typer.Option("--undo", help="Take back your latest step in the round.")] = False,
    redo: Annotated[bool, typer.Option("--redo", help="Bring back what you took back last.")] = False,
) -> None:
    """Code one unit in a round: what is named applies, all else does not. The app and packets do the same by keyboard and mouse."""
    from workbench.coding.assignments import current_codebook, units_in_round
    from workbench.coding.decisions import RaterView, bring_back, rate_unit, take_back

    opened, material = opened_material(study)
    chosen, decided = _required(name, "--round", "the round"), required_by(by)
    with opened_journal(opened) as journal:
        view = guarded(lambda: RaterView(journal, opened, decided))
        if undo or redo:
            entry = guarded(lambda: (take_back if undo else bring_back)(view, chosen))
            say(
                ("Taken back." if undo else "Brought back.")
                if entry
                else "There is nothing to take back or bring back."
            )
            return
        found = {one.id: one for one in guarded(lambda: units_in_round(material, journal, chosen))}.get(unit)
        if found is None:
            stop(UsageError(f"“{unit}” is no unit of the round {chosen}."))
        book = guarded(lambda: current_codebook(material))
        applied = [guarded(partial(_applied, one)) for one in codes or ()]
        entries = guarded(lambda: rate_unit(view, chosen, found, applied, codebook=book, why=why))
    say(f"{len(entries)} decisions recorded on {unit}." if entries else f"Nothing changed on {unit}.")


def _applied(words: str) -> Applied:
    """ "HEFT@still+slosh:mixed" as a code applied."""
    from workbench.coding.codings import STANCES
    from workbench.coding.decisions import Applied

    rest, _, stance = words.partition(":")
    name, _, about = rest.partition("@")
    if stance not in STANCES:
        raise UsageError(f"“{stance}” is no stance; known: for, against, mixed.")
    return Applied(name, tuple(filter(None, about.split("+"))), stance)  # type: ignore[arg-type]


@app.command()
def consensus(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[show|settle]", help="show the differences of a closed round (the default), or settle one."
        ),
    ] = "show",
    name: RoundOption = None,
    into: Annotated[
        str | None,
        typer.Option(
            "--into",
            metavar="NAME",
            help="settle: the consensus round; the declared one where there is one.",
            show_default=False,
        ),
    ] = None,
    unit: Annotated[str, typer.Option(metavar="UNIT", help="settle: the unit.")] = "",
    codes: Annotated[
        list[str] | None,
        typer.Option(
            "--code",
            metavar="CODE[@CONDITIONS][:STANCE]",
            help="settle: a code that applies; give it once for each, none for nothing.",
            show_default=False,
        ),
    ] = None,
    outcome: Annotated[str, typer.Option(help="settle: codebook change, slip, or real ambiguity.")] = "",
    by: ByOption = None,
    why: WhyOption = "",
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Differences of a closed round side by side, and what was agreed on: table `differences`.

    Each is settled as a codebook change, a slip or a real ambiguity, with a reason. What the raters coded apart stays as it is.
    """
    from workbench.coding.assignments import current_codebook
    from workbench.coding.codings import CONSENSUS
    from workbench.coding.consensus import differences, record_consensus
    from workbench.coding.decisions import ClosedView
    from workbench.report.tables.coding import differences_table

    if action not in ("show", "settle"):
        stop(UsageError(f"There is no action “{action}”; show and settle are known."))
    opened, material = opened_material(study)
    chosen = _required(name, "--round", "the round that was rated apart")
    with opened_journal(opened) as journal:
        if action == "show":
            found = guarded(lambda: differences(ClosedView(journal, opened), opened, chosen))
            show([differences_table(found, material.texts())], format, table, out)
            return
        decided = required_by(by)
        rounds = opened.declared.interviews.rounds if opened.declared.interviews else []
        declared = [one.id for one in rounds if one.kind == CONSENSUS]
        target = into or (declared[0] if declared else "")
        units = {one.id: one for one in material.all_units()}
        if unit not in units:
            stop(UsageError(f"There is no unit “{unit}”."))
        applied = [guarded(partial(_applied, one)) for one in codes or ()]
        book = guarded(lambda: current_codebook(material))
        guarded(
            lambda: record_consensus(
                journal,
                opened,
                target,
                units[unit],
                applied,
                discussed=chosen,
                outcome=outcome,  # type: ignore[arg-type]
                why=why,
                by=decided,
                codebook=book,
            )
        )
    say(f"Agreed on {unit}: {', '.join(codes or ()) or 'nothing applies'}.")


@app.command()
def recode(
    study: StudyFolder, format: FormatOption = Form.text, table: TableOption = None, out: OutOption = None
) -> None:
    """Units to look at again, since a code on them was split or its rules changed: table `recode`, with how much is left."""
    from workbench.coding.decisions import ClosedView
    from workbench.coding.recoding import recode_queue
    from workbench.report.tables.coding import recode_table

    opened, material = opened_material(study)
    interviews, books = opened.declared.interviews, material.codebooks
    if interviews is None or books is None:
        stop(UsageError("The study has no codebook yet: name its file in study.toml, interviews.codebook."))
    with opened_journal(opened) as journal:
        queue = guarded(lambda: recode_queue(ClosedView(journal, opened), books.versions, interviews))
    show([recode_table(queue)], format, table, out)


@app.command()
def trail(
    study: StudyFolder,
    by: Annotated[
        str | None,
        typer.Option("--by", metavar="RATER", help="Also what this rater decided in open rounds.", show_default=False),
    ] = None,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Who decided what, when, under which version of the codebook, and why: table `trail`. Open rounds stay hidden."""
    from workbench.coding.decisions import audit_trail, view_of
    from workbench.report.tables.coding import trail_table
    from workbench.store.opening import open_store
    from workbench.study import open_study

    opened = guarded(lambda: open_study(study))
    with guarded(lambda: open_store(opened, create=False)) as journal:
        rows = guarded(lambda: audit_trail(view_of(journal, opened, by)))
    show([trail_table(rows)], format, table, out)
