"""The one command line, its options and how every command shows and fails.

Heavy libraries load inside the commands, so that help is quick. Exit codes: 0 done, 1 findings that
block, 2 wrong use.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
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
    latex = "latex"
    docx = "docx"


StudyFolder = Annotated[
    Path, typer.Argument(metavar="STUDY", help="The study folder (it holds study.toml).", show_default=False)
]


FormatOption = Annotated[
    Form,
    typer.Option(
        "--format",
        help="text for reading; csv and json unrounded, for machines; markdown, latex and docx (with --out) for documents.",
    ),
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


def tables_of(
    study: Path, step: Callable[[Evidence], Sequence[Table]], format: Form, name: str | None, out: Path | None
) -> None:
    """Collect a study, run one step and show its tables."""
    from workbench.report.tables.reading import words_of
    from workbench.results.chain import collect

    evidence = guarded(lambda: collect(study))
    made = guarded(lambda: step(evidence))
    if not made:
        typer.echo(
            "There is nothing to show yet: study.toml declares no such data, or (of codings) no round is closed.",
            err=True,
        )
        return
    show(made, format, name, out, words_of(evidence.study))


def show(
    tables: Sequence[Table], format: Form, name: str | None, out: Path | None, words: Mapping[str, str] | None = None
) -> None:
    from workbench.report.output import write_tables

    text = guarded(lambda: write_tables(tables, format.value, name, out, width=width(), words=words))
    if text:
        typer.echo(text, nl=False)


def width() -> int:
    import shutil

    return max(60, min(shutil.get_terminal_size((100, 24)).columns, 160))


def progress_on_screen(what: str) -> Callable[[int, int], None]:
    """Progress on stderr, on one line, where that is a terminal."""

    def show(done: int, total: int) -> None:
        if sys.stderr.isatty():
            sys.stderr.write(f"\r{what}: {done / total:.0%} (Ctrl+C stops)" + ("\n" if done == total else ""))
            sys.stderr.flush()

    return show


def guarded(action: Callable[[], Any], but: type[WorkbenchError] | tuple[()] = ()) -> Any:
    """Run an action; our own errors, all `but` one sort, end the command with their message and exit code."""
    try:
        return action()
    except but:
        raise
    except WorkbenchError as error:
        stop(error)
    except KeyboardInterrupt:
        typer.echo("Stopped; nothing was changed.", err=True)
        raise typer.Exit(130) from None
    except OSError as error:
        stop(UsageError(f"{error.filename or 'A file'} cannot be written or read: {error.strerror or error}."))


def stop(error: WorkbenchError) -> NoReturn:
    if isinstance(error, StudyError):
        for finding in error.findings:
            say(finding.sentence(), err=True)
        typer.echo(f"Findings that block: {len(error.findings)}. `workbench check` shows them as a list.", err=True)
        raise typer.Exit(1)
    say(str(error), err=True)
    raise typer.Exit(2)


def say(text: str, *, err: bool = False) -> None:
    """Echo text that may hold words from a person's files or command, without what could steer the terminal."""
    from workbench.report.table import printable

    typer.echo(printable(text), err=err)
