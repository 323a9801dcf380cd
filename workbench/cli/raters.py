"""The command that lets a rater sign in to the app: rater."""

from __future__ import annotations

from typing import Annotated

import typer

from workbench.cli.common import StudyFolder, app, guarded, say


@app.command()
def rater(
    study: StudyFolder,
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="The rater, as study.toml declares them.", show_default=False)
    ],
) -> None:
    """Set the passphrase by which a rater signs in to the app; it is asked for twice and kept as a scrypt hash alone.

    It lies in private/raters.toml, readable by its owner alone. Whoever can read the study folder can read the database in
    it: a packet is the stronger blindness. Encrypt the disks on which a study lies.
    """
    from workbench.app.passphrases import RATERS_FILE, set_passphrase
    from workbench.coding.rounds import require_rater
    from workbench.study import open_study

    opened = guarded(lambda: open_study(study))
    guarded(lambda: require_rater(opened, name))
    passphrase = typer.prompt(
        f"Passphrase of {name} (four words or more)", hide_input=True, confirmation_prompt=True, err=True
    )
    guarded(lambda: set_passphrase(opened, name, passphrase))
    say(f"{name} can sign in. The hash is in {RATERS_FILE}; sessions that {name} had are ended.")
