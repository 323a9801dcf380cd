"""Commands about a written report: trace, diff."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from workbench.cli.common import Form, FormatOption, OutOption, StudyFolder, TableOption, app, guarded, show


@app.command()
def trace(
    study: StudyFolder,
    identity: Annotated[
        str,
        typer.Argument(
            metavar="ID", help="table/row/column, as in the report's tooltips and trace.json.", show_default=False
        ),
    ],
    results: Annotated[
        Path | None,
        typer.Option("--results", help="Results folder; STUDY/results where not given.", show_default=False),
    ] = None,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Follow a number from its sentence to what it rests on: tables `trace`, `trace_rows`.

    The result and its sentences, what the plan says about it, and the collected rows behind it with file, row and column.
    For example: workbench trace practice-kitchen omnibus/effort/p
    """
    from workbench.results.trace import trace_tables

    show(guarded(lambda: trace_tables(study, identity, results)), format, table, out)


@app.command()
def diff(
    study: StudyFolder,
    old: Annotated[Path, typer.Argument(metavar="OLD", help="The earlier results folder.", show_default=False)],
    new: Annotated[
        Path | None,
        typer.Argument(metavar="[NEW]", help="The later one; STUDY/results where not given.", show_default=False),
    ] = None,
    format: FormatOption = Form.text,
    table: TableOption = None,
    out: OutOption = None,
) -> None:
    """Compare two results folders: tables `diff_reasons`, `diff_numbers`.

    Which numbers changed between two runs, and what changed before them: data, codes, plan, instruments, versions.
    Keep an earlier run with `workbench report STUDY --out FOLDER`.
    """
    from workbench.results.changes import changes
    from workbench.study import RESULTS

    show(guarded(lambda: changes(old, new or study / RESULTS)), format, table, out)
