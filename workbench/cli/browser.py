"""The command that opens the app: open."""

from __future__ import annotations

from typing import Annotated

import typer

from workbench.cli.common import StudyFolder, app, guarded, say


@app.command("open")
def open_study_in_app(
    study: StudyFolder,
    port: Annotated[
        int | None, typer.Option(help="Port to use; a free one where not given.", show_default=False)
    ] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only say the address.")] = False,
) -> None:
    """Open the app for a study in the browser, on this machine alone; Ctrl+C ends it.

    It reads the same files as the other commands. Nothing leaves the machine, and no collected file is changed.
    """
    from workbench.app.launch import open_app

    guarded(lambda: open_app(study, port, browser=not no_browser, told=say))
