# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that makes a kit, to make cards from without a network: kit."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import Boats, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import every_file
from provision.errors import UserError, UserErrors
from provision.harmless import harmless
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.profile.load import Boat


@app.command(name="kit", cls=Command, epilog=example("kit /media/stick/kit"))
def command(  # noqa: PLR0913
    target: Annotated[
        Path,
        typer.Argument(
            metavar="DIR",
            help="The folder of the kit, on a stick; a new one or a kit.",
            readable=False,
        ),
    ],
    names: Some = None,
    without_backups: Annotated[
        bool, typer.Option("--without-backups", help="Leave the boats' backups out.")
    ] = False,
    with_vault_password: Annotated[
        bool,
        typer.Option(
            "--with-vault-password",
            help="Put the vault password in: a finder of the stick then has all secrets.",
        ),
    ] = False,
    with_operator_key: Annotated[
        bool,
        typer.Option(
            "--with-operator-key",
            help="Put the operator's private key in: a finder of the stick can then log in aboard.",
        ),
    ] = False,
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Give up what was changed in the kit since it was packed."),
    ] = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Make a kit, to make cards from on a laptop without a network.

    Without names, all boats of the folder are in it. A kit that is there is brought up to date.
    """
    from provision.kit import Wanted, check_target, list_files, write_kit
    from provision.profile import load
    from provision.progress import step

    files = [load.find(name, boats) for name in names] if names else every_file(boats)
    chosen = load.read_all(files)
    _refuse_errors(chosen)
    check_target(target, replace=replace)
    wanted = Wanted(
        not without_backups, with_vault_password, with_operator_key, vault_password_file
    )
    with step("Packing the tool and its programs"):
        packed = list_files(chosen, wanted)
    with step("Writing the kit") as report:
        written = write_kit(target, packed, report)
    of = [boat.name for boat in chosen]
    if as_json:
        show({"folder": str(target), "boats": of, **asdict(written)})
        return
    print(
        harmless(
            f"{target}: kit of {', '.join(of)}: {written.written} files written "
            f"({written.bytes / 1e6:.1f} MB), {written.kept} as they were, "
            f"{written.removed} removed"
        )
    )


def _refuse_errors(boats: list[Boat]) -> None:
    """Raise UserErrors with the errors that check finds: no card is built with them."""
    from provision.checks import find_errors

    found = [
        UserError(finding.message, location=finding.location, hint=finding.hint)
        for boat in boats
        for finding in find_errors(boat)
    ]
    if found:
        raise UserErrors(
            [*found, UserError("no kit was made", hint="correct it first, or name other boats")]
        )
