"""Commands on interviews before they are coded: transcripts, units, pseudonyms, codebook."""

from __future__ import annotations

from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    show,
    stop,
    width,
)
from workbench.errors import UsageError

if TYPE_CHECKING:
    from workbench.coding.material import Material
    from workbench.pseudonyms.key import Decision
    from workbench.pseudonyms.search import Candidate
    from workbench.report.table import Table
    from workbench.store.journal import Journal
    from workbench.study import Study


class Association(StrEnum):
    """How strongly two words go together."""

    log_likelihood = "log-likelihood"
    mutual_information = "pointwise mutual information"
    frequency = "frequency"


class CodebookForm(StrEnum):
    """How a codebook is written for elsewhere."""

    csv = "csv"
    markdown = "markdown"
    qdc = "qdc"


ByOption = Annotated[str | None, typer.Option("--by", metavar="RATER", help="Who decides this.", show_default=False)]
WhyOption = Annotated[str, typer.Option("--why", metavar="REASON", help="Why; it is kept in the journal.")]


def required_by(by: str | None) -> str:
    """Who decides; a decision without a person ends the command."""
    if not by or not by.strip():
        stop(UsageError("This records a decision: say who decides with --by."))
    return by.strip()


def opened_material(study: Path) -> tuple[Study, Material]:
    """The study and its interviews, read with progress on the screen."""
    from workbench.coding.material import read_material
    from workbench.study import open_study

    opened = guarded(lambda: open_study(study))
    return opened, guarded(lambda: read_material(opened, progress_on_screen("transcripts")))


def opened_journal(opened: Study) -> Journal:
    """The study's journal; a place where it should not lie is told."""
    from workbench.store.opening import open_store, place_findings

    for one in place_findings(opened):
        say(one.sentence(), err=True)
    journal: Journal = guarded(lambda: open_store(opened))
    return journal


def _tell(material: Material) -> None:
    """Findings of the material, for reading, on stderr."""
    from workbench.report.output import findings_text

    worth = [one for one in material.findings if one.severity == "attention"]
    if worth:
        typer.echo(findings_text(worth, width=width()), err=True)


@app.command()
def transcripts(
    study: StudyFolder,
    action: Annotated[
        str, typer.Argument(metavar="[show|correct]", help="show (the default), or correct words, a speaker or a turn.")
    ] = "show",
    transcript: Annotated[
        str | None, typer.Option(metavar="NAME", help="Show the turns of this transcript.", show_default=False)
    ] = None,
    find: Annotated[
        str | None,
        typer.Option(
            metavar="WORDS", help='Show these words in context; "heav*" finds heavy and heavier.', show_default=False
        ),
    ] = None,
    collocations: Annotated[
        Association | None,
        typer.Option(help="Show neighboring words that go together, by this measure.", show_default=False),
    ] = None,
    turn: Annotated[str, typer.Option(metavar="TURN", help="Correct: the turn.")] = "",
    words: Annotated[str, typer.Option(help="Correct: the words as they stand, once in the turn.")] = "",
    replace: Annotated[str | None, typer.Option(help="Correct: what should stand there.", show_default=False)] = None,
    inaudible: Annotated[bool, typer.Option("--inaudible", help="Correct: the words cannot be heard.")] = False,
    speaker: Annotated[
        str | None,
        typer.Option(help="Correct: who speaks the turn, or with --split its second part.", show_default=False),
    ] = None,
    split: Annotated[bool, typer.Option("--split", help="Correct: a new turn begins at the words.")] = False,
    join: Annotated[bool, typer.Option("--join", help="Correct: the next turn belongs to this one.")] = False,
    by: ByOption = None,
    why: WhyOption = "",
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Read the transcripts: tables `transcripts` and `speaking`; the turns of one; words in context; words that go together.

    Transcripts (VTT, SRT, TXT, DOCX, CSV) are never changed. A correction is kept beside them with who and why, and every
    command reads the text with it. What is shown are participants' words: keep it confidential.
    """
    if action not in ("show", "correct"):
        stop(UsageError(f"There is no action “{action}”; show and correct are known."))
    opened, material = opened_material(study)
    if action == "correct":
        decided = required_by(by)
        if transcript is None or not turn:
            stop(UsageError("Name the place with --transcript and --turn."))
        _correct(
            opened,
            material,
            transcript,
            turn,
            words,
            replace,
            speaker,
            decided,
            why,
            inaudible=inaudible,
            split=split,
            join=join,
        )
        return
    from workbench.analysis.reading_aids import collocations as together
    from workbench.analysis.reading_aids import speaking, words_in_context
    from workbench.report.tables import transcripts as tables

    def shown() -> list[Table]:
        texts = material.working.values()
        if transcript is not None:
            return [tables.turns_table(material.transcript(transcript))]
        if find is not None:
            return [tables.in_context_table(words_in_context(texts, find), find)]
        if collocations is not None:
            return [tables.collocations_table(together(texts, measure=collocations.value), collocations.value)]
        spoken = speaking(texts)
        return [tables.transcripts_table(material, spoken), tables.speaking_table(spoken)]

    show(guarded(shown), format, table, out)
    _tell(material)


def _correct(
    opened: Study,
    material: Material,
    name: str,
    turn: str,
    words: str,
    replace: str | None,
    speaker: str | None,
    by: str,
    why: str,
    *,
    inaudible: bool,
    split: bool,
    join: bool,
) -> None:
    from workbench.coding.material import correct_words, record_correction
    from workbench.coding.working_text import correction

    asked = [replace is not None, inaudible, split, join, speaker is not None and not split]
    if sum(asked) != 1:
        stop(UsageError("Say one thing to correct: --replace, --inaudible, --speaker, --split or --join."))
    text = guarded(lambda: material.transcript(name))

    def content() -> dict[str, Any]:
        if replace is not None:
            return correct_words(text, turn, words, "replace", text=replace)
        if inaudible:
            return correct_words(text, turn, words, "inaudible")
        if split:
            return correct_words(text, turn, words, "split", speaker=speaker or "")
        return correction(text, turn, "join" if join else "speaker", speaker=speaker or "")

    made = guarded(content)
    with opened_journal(opened) as journal:
        guarded(lambda: record_correction(journal, text, made, by, why))
    say("Recorded; the transcript file is not changed.")


@app.command()
def units(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[show|split|join|fix]",
            help="show (the default), split or join a unit, or fix all units before coding.",
        ),
    ] = "show",
    unit: Annotated[str, typer.Option(metavar="UNIT", help="The unit to split, or to join with the next.")] = "",
    before: Annotated[
        str, typer.Option(metavar="WORDS", help="Split before these words, which stand once in the unit.")
    ] = "",
    by: ByOption = None,
    why: WhyOption = "",
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """The units that are coded: answers, sentences or free spans, as interviews.units says; table `units`.

    Fix them before coding, so that every rater codes the same (Campbell et al. 2013). Sentences are found by Punkt, trained
    on the study's own transcripts; split and join where that is wrong.
    """
    from workbench.coding.material import fix_units, join_unit, split_unit
    from workbench.report.tables.transcripts import units_table

    if action not in ("show", "split", "join", "fix"):
        stop(UsageError(f"There is no action “{action}”; show, split, join and fix are known."))
    opened, material = opened_material(study)
    if action == "show":
        show([units_table(material.all_units())], format, table, out)
        _tell(material)
        return
    decided = required_by(by)
    with opened_journal(opened) as journal:
        if action == "fix":
            entry = guarded(lambda: fix_units(journal, material, decided, why))
            content = entry.content or {}
            say(f"{content['units']} units ({content['kind']}) are fixed, hash {content['hash'][:12]}.")
            return
        chosen = {one.id: one for one in material.all_units()}.get(unit)
        if chosen is None:
            stop(UsageError(f"There is no unit “{unit}”; `workbench units STUDY` lists them."))
        if action == "split":
            guarded(lambda: split_unit(journal, material, chosen, before, decided, why))
        else:
            guarded(lambda: join_unit(journal, material, chosen, decided, why))
    say(f"Recorded: {unit} is {'split' if action == 'split' else 'joined with the next unit'}.")


@app.command()
def pseudonyms(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[find|ask|confirm|reject|list]",
            help="find what may identify a person (the default), ask about each one on a terminal, confirm or reject one, or list those in use.",
        ),
    ] = "find",
    phrase: Annotated[str, typer.Option(metavar="WORDS", help="The words that identify someone, or do not.")] = "",
    replacement: Annotated[
        str | None, typer.Option(help="What stands for them; the one proposed where not given.", show_default=False)
    ] = None,
    kind: Annotated[str, typer.Option(help="What they are: name, workplace, phone …")] = "name",
    by: ByOption = None,
    why: WhyOption = "",
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Find what identifies a person in the transcripts, and replace it once a person has confirmed it; table `candidates`.

    No automatic search is complete: read every transcript before it leaves the study. The key that says who is who lies in
    private/pseudonyms.csv, readable by its owner alone; no export takes it. What must be removed, and what may be kept, is for
    the consent given, the ethics board and local law to say.
    """
    from workbench.coding.material import decide_pseudonym, identifiers
    from workbench.pseudonyms.key import KeyEntry, proposed
    from workbench.report.tables.transcripts import candidates_table, pseudonyms_table

    if action not in ("find", "ask", "confirm", "reject", "list"):
        stop(UsageError(f"There is no action “{action}”; find, ask, confirm, reject and list are known."))
    opened, material = opened_material(study)
    if action == "list":
        show([pseudonyms_table(material.key)], format, table, out)
        return
    if action in ("confirm", "reject"):
        decided = required_by(by)
        if not phrase.strip():
            stop(UsageError("Name the words with --phrase."))
        proposal = proposed([(phrase, kind)], material.known_names, material.key)
        chosen = replacement or next(iter(proposal.values()), "")
        decision: Decision = "confirmed" if action == "confirm" else "rejected"
        entry = KeyEntry(phrase, kind, chosen if action == "confirm" else "", decision, decided, why=why)
        with opened_journal(opened) as journal:
            guarded(lambda: decide_pseudonym(opened, journal, material.key, entry))
        say(
            f"{'Confirmed: it reads ' + chosen + ' from now on' if action == 'confirm' else 'Rejected: it stays as it is'}."
        )
        return
    found = guarded(lambda: identifiers(material, progress_on_screen("search")))
    proposals = proposed([(one.phrase, one.kind) for one in found], material.known_names, material.key)
    if action == "find":
        german = any(one.language.startswith("de") for one in material.working.values())
        show([candidates_table(found, proposals, german=german)], format, table, out)
        return
    _ask(opened, material, found, proposals, required_by(by))


def _ask(opened: Study, material: Material, found: list[Candidate], proposals: dict[str, str], by: str) -> None:
    """Go through the candidates on a terminal, each phrase once, with all the places where it stands."""
    import sys

    from workbench.coding.material import decide_pseudonym
    from workbench.pseudonyms.key import KeyEntry

    if not sys.stdin.isatty():
        stop(UsageError("`ask` needs a terminal; use confirm and reject with --phrase instead."))
    places: dict[str, list[Candidate]] = {}
    for one in found:
        places.setdefault(one.phrase, []).append(one)
    key, decided = material.key, 0
    with opened_journal(opened) as journal:
        for number, (phrase, here) in enumerate(places.items(), start=1):
            say(f"\n{number} of {len(places)}: “{phrase}” ({here[0].kind}, {here[0].likelihood}: {here[0].why})")
            for one in here[:5]:
                say(f"  {one.transcript} turn {one.turn}: … {one.context} …")
            proposal = proposals.get(phrase, "")
            answer = input(
                f"Replace by {proposal}? y = yes, n = no, other words = replace by those, Enter = later: "
            ).strip()
            if not answer:
                continue
            if answer in ("n", "no"):
                entry = KeyEntry(phrase, here[0].kind, "", "rejected", by)
            else:
                entry = KeyEntry(phrase, here[0].kind, proposal if answer in ("y", "yes") else answer, "confirmed", by)
            key = guarded(partial(decide_pseudonym, opened, journal, key, entry))
            decided += 1
    say(f"{decided} decided, {len(places) - decided} left.")


@app.command()
def codebook(
    study: StudyFolder,
    action: Annotated[
        str,
        typer.Argument(
            metavar="[show|check|changes|export|import]",
            help="show a version (the default), check it, show what changed, export it, or import one from elsewhere.",
        ),
    ] = "show",
    version: Annotated[
        str | None, typer.Option(metavar="VERSION", help="The version; the newest where not given.", show_default=False)
    ] = None,
    to: Annotated[
        CodebookForm | None,
        typer.Option(
            "--to", help="Export: a CSV with all versions, Markdown, or a REFI-QDA codebook (QDC).", show_default=False
        ),
    ] = None,
    file: Annotated[
        Path | None, typer.Option("--file", help="Import: a QDC, Markdown or CSV file.", show_default=False)
    ] = None,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """The codebook: tables `codebook`, `codebook_changes`; checks of its rules; in and out as CSV, Markdown and QDC.

    A code needs a definition, when to use it and when not, and examples (MacQueen et al. 1998). `import` writes a CSV that
    study.toml can name as interviews.codebook; it never writes over a file.
    """
    if action not in ("show", "check", "changes", "export", "import"):
        stop(UsageError(f"There is no action “{action}”; show, check, changes, export and import are known."))
    if action == "import":
        _import_codebook(study, file, out, version or "1")
        return
    opened, material = opened_material(study)
    books = material.codebooks
    if books is None:
        stop(UsageError("The study has no codebook yet: name its file in study.toml, interviews.codebook."))
    from workbench.codebook.markdown import codebook_markdown
    from workbench.report.tables.codebook import changes_table, codebook_table

    chosen = guarded(lambda: books.version(version) if version else books.current)
    if action == "show" and format is Form.text and table is None and out is None:
        say(codebook_markdown(chosen))
    elif action == "show":
        show([codebook_table(chosen), changes_table(books)], format, table, out)
    elif action == "changes":
        show([changes_table(books)], format, table, out)
    elif action == "check":
        _check_codebook(opened, material, format, table, out)
    else:
        _export_codebook(opened, material, chosen, to or CodebookForm.csv, out)


def _check_codebook(opened: Study, material: Material, format: Form, table: str | None, out: Path | None) -> None:
    from workbench.codebook.findings import codebook_findings
    from workbench.coding.codings import read_codings
    from workbench.coding.material import codes_used
    from workbench.report.output import findings_text
    from workbench.report.tables.data import findings_table

    books = material.codebooks
    if books is None:
        return
    codings = guarded(lambda: read_codings(opened))
    used = codes_used(codings.rows, books) if codings is not None else None
    found = [*books.notes, *codebook_findings(books, used=used, language=opened.declared.language)]
    if format is Form.text and table is None and out is None:
        typer.echo(findings_text(found, width=width()) if found else "Nothing to mend was found.\n", nl=False)
    else:
        show([findings_table(found)], format, table, out)


def _export_codebook(opened: Study, material: Material, chosen: object, to: CodebookForm, out: Path | None) -> None:
    from workbench.codebook.markdown import codebook_markdown
    from workbench.codebook.model import Codebook
    from workbench.codebook.qdc import qdc
    from workbench.codebook.tables import codebooks_csv
    from workbench.files import write_atomically

    books = material.codebooks
    if books is None or not isinstance(chosen, Codebook):
        return
    content: str | bytes
    if to is CodebookForm.csv:
        content = codebooks_csv(books)
    else:
        content = codebook_markdown(chosen) if to is CodebookForm.markdown else qdc(chosen, opened.declared.id)
    if out is None:
        typer.echo(content if isinstance(content, str) else content.decode(), nl=False)
        return
    target = out
    guarded(lambda: write_atomically(target, content))
    say(f"Written to {target}.")


def _import_codebook(study: Path, file: Path | None, out: Path | None, version: str) -> None:
    from workbench.codebook.markdown import read_markdown
    from workbench.codebook.model import Codebooks, with_changes
    from workbench.codebook.qdc import read_qdc
    from workbench.codebook.tables import codebooks_csv, read_codebooks
    from workbench.files import read_text, write_atomically

    if file is None:
        stop(UsageError("Name what to import with --file."))
    given = file
    target = out or study / "codebook.csv"
    if target.exists():
        stop(UsageError(f"{target} is there already and is not written over; name another place with --out."))

    def read() -> Codebooks:
        match given.suffix.lower():
            case ".qdc":
                book, notes = read_qdc(given, given.name, version=version)
                return Codebooks(with_changes([book]), given.name, notes)
            case ".md":
                return Codebooks(with_changes([read_markdown(read_text(given, given.name), given.name)]), given.name)
            case _:
                return read_codebooks(given, given.name)

    books = guarded(read)
    for one in books.notes:
        say(one.sentence(), err=True)
    guarded(lambda: write_atomically(target, codebooks_csv(books)))
    say(
        f'{len(books.current.codes)} codes are in {target}. Name it in study.toml: [interviews] codebook = "{target.name}".'
    )
