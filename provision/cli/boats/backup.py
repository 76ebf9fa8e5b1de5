# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that copies what boats alone have: backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.boats.asked import At, FormerKey, endpoints_at, load_named_or_all
from provision.cli.common import FOUND_SOMETHING, Boats, Everyone, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import refuse_both_or_neither
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.backup.club import BackupResult


@app.command(name="backup", cls=Command, epilog=example("backup --all"))
def command(  # noqa: PLR0913
    names: Some = None,
    everyone: Everyone = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    into: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="Where the copies go, instead of backup/ beside the boats."
        ),
    ] = None,
    former_key: FormerKey = False,
    as_json: Json = False,
) -> None:
    """Copy what boats alone have: voyage logs, settings, history.

    Only what is new is sent, and each copy is compared with the boat's own digest. A backup that
    was cut off goes on where it stopped. Nothing aboard is changed.
    """

    from provision.backup.club import back_up
    from provision.backup.store import FOLDER
    from provision.progress import wait
    from provision.push.plan import resolve_targets

    refuse_both_or_neither(names or (), everyone)
    fleet, invalid = load_named_or_all(names or (), boats, vault_password_file)
    targets = resolve_targets(fleet, endpoints_at(at, [*fleet, *invalid]), former=former_key)
    parents = [into or boat.boat.file.parent / FOLDER for boat in fleet]
    with wait("Copying") as report:
        results = back_up(
            list(zip(targets, parents, strict=True)), lambda boat, text: report(f"{boat}, {text}")
        )
    if as_json:
        invalid_boats = [
            {"boat": boat.name, "ok": False, "reason": boat.reason} for boat in invalid
        ]
        show({"boats": [*(result.as_json() for result in results), *invalid_boats]})
    else:
        for result in results:
            _print(result)
        for boat in invalid:
            typer.echo(f"{boat.name}: {boat.reason}")
    if invalid or not all(result.ok for result in results):
        raise typer.Exit(FOUND_SOMETHING)


def _print(result: BackupResult) -> None:
    from provision.harmless import harmless

    copied = result.copied
    if result.reason:
        print(harmless(f"{result.boat}: {result.reason}"))
        if result.hint:
            print(harmless(f"  hint: {result.hint}"))
        return
    new = f"{copied.files} copied ({copied.sent / 1e6:.1f} MB)" if copied.files else "nothing new"
    whole = f"{copied.kept} files, {copied.kept_bytes / 1e6:.1f} MB in {result.folder}"
    print(harmless(f"{result.boat}: {new}; {whole}"))
    for reason in copied.left_out:
        print(harmless(f"  left out: {reason}"))
