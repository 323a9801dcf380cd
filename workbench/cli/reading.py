"""Commands on what was coded: excerpts to read, codings out to other programs and back in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
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
from workbench.cli.interviews import ByOption, opened_material, required_by
from workbench.errors import UsageError

if TYPE_CHECKING:
    from workbench.coding.material import Material
    from workbench.coding.outgoing import Export
    from workbench.coding.reading import Decided, Excerpts
    from workbench.report.table import Table
    from workbench.store.journal import Journal
    from workbench.study import Study


class ReadingForm(StrEnum):
    """How excerpts are written."""

    text = "text"
    csv = "csv"
    json = "json"
    markdown = "markdown"
    html = "html"


class Grouping(StrEnum):
    """Under what excerpts stand."""

    participant = "participant"
    condition = "condition"


class Target(StrEnum):
    """What codings are written as for elsewhere."""

    csv = "csv"
    annotations = "annotations"
    qdpx = "qdpx"
    journal = "journal"


class Purpose(StrEnum):
    """Whom a file with words is for."""

    sharing = "sharing"
    own_use = "own-use"


@app.command()
def excerpts(
    study: StudyFolder,
    code: Annotated[
        str | None, typer.Argument(metavar="[CODE]", help="The code, or with --theme the theme.", show_default=False)
    ] = None,
    theme: Annotated[bool, typer.Option("--theme", help="CODE is a theme: the excerpts of all its codes.")] = False,
    condition: Annotated[str, typer.Option(metavar="C", help="Only what speaks of this condition.")] = "",
    participant: Annotated[str, typer.Option(metavar="ID", help="Only this participant.")] = "",
    stance: Annotated[str, typer.Option(help="Only this stance: for, against or mixed.")] = "",
    context: Annotated[int, typer.Option(min=0, help="Turns shown before and after.")] = 1,
    by: Annotated[
        Grouping, typer.Option("--by", help="Under each participant, or each condition that is spoken of.")
    ] = Grouping.participant,
    format: Annotated[
        ReadingForm,
        typer.Option("--format", help="text, markdown or a page (html) for reading; csv and json for machines."),
    ] = ReadingForm.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Read what stands under a code: its excerpts, with what is said before and after. Tables `excerpts`, `excerpt_counts`.

    Without CODE: tables `cooccurrence` (codes on the same units), `code_by_theme`, `memos`. All from the codings that count.
    Of participants who do not allow quotes only counts are shown, whatever else is asked for. The rest are participants' words: keep
    them confidential. Where only some words of a unit are coded, they stand in « » (in a page, marked).
    """
    from workbench.coding.reading import read_decided

    opened, material = opened_material(study)
    decided = guarded(lambda: read_decided(opened, material))
    if code is None:
        _show_tables(_codes_tables(opened, material, decided), opened, format, table, out)
        return
    found = guarded(lambda: _chosen(opened, material, decided, code, theme, condition, participant, stance, context))
    if table is None and format not in (ReadingForm.csv, ReadingForm.json):
        _show_reading(opened, found, by, format, out)
        return
    from workbench.report.tables.excerpts import excerpt_counts_table, excerpt_notes, excerpts_table

    made = [excerpts_table(opened, found, by.value), excerpt_counts_table(found)]
    if table is None and format is ReadingForm.csv:
        made = made[:1]
        for note in excerpt_notes(found):
            say(note, err=True)
    _show_tables(made, opened, format, table, out)


def _chosen(
    opened: Study,
    material: Material,
    decided: Decided,
    code: str,
    theme: bool,
    condition: str,
    participant: str,
    stance: str,
    context: int,
) -> Excerpts:
    from workbench.coding.reading import codes_asked, themes_of
    from workbench.coding.reading import excerpts as chosen

    current = material.codebooks.current if material.codebooks else None
    known = dict.fromkeys(
        (*(current.names if current else ()), *sorted(filter(None, decided.counted["code"].unique())))
    )
    codes = codes_asked(code, theme=theme, codes=list(known), themes=themes_of(current, decided.themes))
    return chosen(
        decided, material, codes, condition=condition, participant=participant, stance=stance, context=context
    )


def _codes_tables(opened: Study, material: Material, decided: Decided) -> list[Table]:
    from workbench.coding.reading import codes_by_theme, cooccurrences, memos, themes_of
    from workbench.report.tables.excerpts import code_by_theme_table, cooccurrence_table, memos_table

    current = material.codebooks.current if material.codebooks else None
    labels = {one.theme: one.label for one in current.themes if one.label} if current else {}
    labels |= {one.key: one.content["label"] for one in decided.themes if one.content and one.content["label"]}
    by_theme = codes_by_theme(decided.counted, themes_of(current, decided.themes))
    return [
        cooccurrence_table(cooccurrences(decided.counted)),
        code_by_theme_table(by_theme, labels),
        memos_table(memos(decided, material)),
    ]


def _show_tables(
    tables: Sequence[Table], opened: Study, format: ReadingForm, name: str | None, out: Path | None
) -> None:
    from workbench.report.tables.reading import words_of

    if format is ReadingForm.html:
        stop(
            UsageError(
                "A page (html) shows the excerpts of a code; these tables are written as text, csv, json or markdown."
            )
        )
    show(tables, Form(format.value), name, out, words_of(opened))


def _show_reading(opened: Study, found: Excerpts, by: Grouping, format: ReadingForm, out: Path | None) -> None:
    from workbench.report.excerpts import excerpts_html, excerpts_markdown, excerpts_text

    if format is ReadingForm.html:
        text = excerpts_html(opened, found, by.value)
    elif format is ReadingForm.markdown:
        text = excerpts_markdown(opened, found, by.value)
    else:
        text = excerpts_text(opened, found, by.value, width=width())
    _written(text, out)


def _written(content: str | bytes, out: Path | None) -> None:
    """To the file, or to the screen where none is named and the content is text."""
    from workbench.files import write_atomically
    from workbench.report.output import refuse_collected

    if out is not None:
        guarded(lambda: refuse_collected(out))
        guarded(lambda: write_atomically(out, content))
        say(f"Written to {out}.", err=True)
    elif isinstance(content, bytes):
        stop(UsageError("This is a file that no screen shows: name it with --out."))
    else:
        typer.echo(content, nl=False)


@app.command()
def export(
    study: StudyFolder,
    to: Annotated[
        Target,
        typer.Option(
            "--to",
            help="csv: the table of codings. annotations: W3C Web Annotations in JSON Lines. qdpx: a REFI-QDA project. journal: every decision in JSON Lines.",
            show_default=False,
        ),
    ],
    purpose: Annotated[
        Purpose,
        typer.Option(
            "--for",
            help="sharing leaves out the words of participants who do not allow sharing; own-use keeps them, and the file must stay where the transcripts are.",
        ),
    ] = Purpose.sharing,
    counted: Annotated[bool, typer.Option("--counted", help="Only the codings that count in the tables.")] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="Write to this file instead of the screen.", show_default=False)
    ] = None,
) -> None:
    """Write codings, or the journal, for other programs; closed rounds only, since a command is nobody's.

    Annotations, projects and the journal carry participants' words, so participants whose permission `share` is false are left out,
    and how many is told. With --for own-use they stay in: then keep the file where the transcripts are and pass it to nobody. A table
    of codings carries no words, but says who said what. The codebook's examples and memos on codes go along: read them before sharing.
    Positions count Unicode code points from 0.
    """
    from workbench.coding.reading import read_decided
    from workbench.results.exports import exported, told_of
    from workbench.store.opening import open_store

    opened, material = opened_material(study)
    decided = guarded(lambda: read_decided(opened, material))
    own_use = purpose is Purpose.own_use
    kept = guarded(lambda: open_store(opened, create=False)) if to is Target.journal else nullcontext()
    with kept as journal:
        made: Export = guarded(
            lambda: exported(to.value, decided, material, journal=journal, own_use=own_use, counted=counted)
        )
    _written(made.content, out)
    for line in told_of(made, to.value, own_use=own_use):
        say(line, err=True)


@app.command("import")
def import_(
    study: StudyFolder,
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="A table of codings (.csv, .xlsx), annotations (.jsonl), or a REFI-QDA project (.qdpx).",
            show_default=False,
        ),
    ],
    by: ByOption = None,
    round: Annotated[
        str | None,
        typer.Option(
            "--round",
            metavar="NAME",
            help="The round they belong to; it must be open for the rater.",
            show_default=False,
        ),
    ] = None,
    rater: Annotated[
        str,
        typer.Option("--rater", metavar="NAME", help="Whose codings of the file, where it calls the rater otherwise."),
    ] = "",
    write: Annotated[bool, typer.Option("--write", help="Record them; otherwise they are only shown.")] = False,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Take in codings made elsewhere, as those of one rater in one round: table `import` shows what would be recorded.

    A place is found by its position, or else by its words. Unknown codes, conditions and units, and codings of others, are left out and
    told. Nothing is recorded without --write; the same file twice adds nothing. Nothing is withdrawn: what the rater coded and the
    file lacks stays. The codebook of a project is not taken in; `workbench codebook import` does that.
    """
    from workbench.coding.decisions import RaterView
    from workbench.coding.incoming import intake, read_arrived
    from workbench.report.tables.excerpts import intake_table

    opened, material = opened_material(study)
    decided_by = required_by(by)
    if not round:
        stop(UsageError("Say which round they belong to with --round."))
    arrived = guarded(lambda: read_arrived(file, file.name, material))
    with _looked_at(opened, write=write) as journal:
        view = guarded(lambda: RaterView(journal, opened, decided_by))
        found = guarded(lambda: intake(arrived, view, round, material, rater=rater.strip()))
        show([intake_table(found, file.name, decided_by, round)], format, table, out)
        if not write:
            say("Nothing is recorded; --write does that.", err=True)
        elif found.operations:
            guarded(lambda: journal.record(found.operations))
            say(f"Recorded: {found.new + found.changed} codings, {found.units} units marked as rated.", err=True)
        else:
            say("There was nothing to record.", err=True)


@contextmanager
def _looked_at(opened: Study, *, write: bool) -> Iterator[Journal]:
    """The journal; where there is none and nothing will be written, an empty one that is thrown away."""
    import tempfile

    from workbench.store.database import sqlite_database
    from workbench.store.journal import Journal
    from workbench.store.opening import DECISIONS, has_store, open_store

    if write or has_store(opened):
        with guarded(lambda: open_store(opened)) as journal:
            yield journal
        return
    with (
        tempfile.TemporaryDirectory() as folder,
        Journal(sqlite_database(Path(folder) / DECISIONS, DECISIONS)) as journal,
    ):
        yield journal
