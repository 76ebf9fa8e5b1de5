# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that reach running boats: push, fleet, verify, inventory."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from provision.cli.common import (
    BOATS,
    FOUND_SOMETHING,
    BoatNames,
    Boats,
    Json,
    VaultFile,
    app,
    show,
)
from provision.errors import UserError
from provision.profile import load, secrets, vault
from provision.push.fleet import standings
from provision.push.play import PushOptions, lay_out
from provision.push.prepare import Target, prepare
from provision.push.reach import Endpoint, parse_at
from provision.push.report import fleet_table, progress, push_table, verify_table
from provision.push.rollout import Rollout, roll_out
from provision.push.workspace import workspace
from provision.steps import console, results
from provision.verify import VerifyResult, prove

At = Annotated[
    list[str] | None,
    typer.Option("--at", metavar="BOAT=HOST:PORT", help="Where a boat answers instead."),
]
Some = Annotated[
    list[str] | None, typer.Argument(metavar="[BOAT...]", help="Boats' names, or files.")
]
FormerKey = Annotated[
    bool,
    typer.Option("--former-key", help="Accept a host key from before it was rotated, too."),
]


def targets(names: Sequence[str], boats: Path, password: Path | None) -> list[Target]:
    """The boats with their secrets opened, each once; a folder's vault password is asked once."""
    files = {file.resolve(): file for file in (load.find(name, boats) for name in names)}
    fleet = [load.read(file) for file in files.values()]
    for boat in fleet:
        if not secrets.file_of(boat.file).exists():
            # Asking for a password first would be rude.
            secrets.read(boat.file, b"")
    keys: dict[Path, bytes] = {}
    for boat in fleet:
        folder = boat.file.parent
        keys[folder] = keys.get(folder) or vault.password(folder, password)
    return [Target(boat, secrets.read(boat.file, keys[boat.file.parent])) for boat in fleet]


def all_of(boats: Path) -> list[str]:
    """All boats of a folder, as paths; UserError when there are none."""
    found = [str(file) for file in load.files(boats)]
    if not found:
        raise UserError(f"there is no boat in {boats}", hint="name the folder with --boats")
    return found


@app.command()
def push(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    everyone: Annotated[bool, typer.Option("--all", help="All boats of the folder.")] = False,
    first: Annotated[
        str, typer.Option(metavar="BOAT", help="Begin with the others once this one is proven.")
    ] = "",
    stop_after: Annotated[
        int, typer.Option(min=0, metavar="N", help="Begin with no other boat after N failures.")
    ] = 0,
    wait: Annotated[
        float, typer.Option(min=0, metavar="SECONDS", help="Look so long for boats that are off.")
    ] = 0,
    stage: Annotated[
        bool, typer.Option("--stage", help="For the next start: on trial there, not now.")
    ] = False,
    at_once: Annotated[int, typer.Option(min=1, help="How many boats side by side.")] = 8,
    timer: Annotated[
        int, typer.Option(min=30, help="Seconds after which a boat returns by itself.")
    ] = PushOptions.timer,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Change nothing; say what would change.")
    ] = False,
    overwrite_drift: Annotated[
        bool, typer.Option("--overwrite-drift", help="Replace files changed by hand aboard.")
    ] = False,
    former_key: FormerKey = False,
    as_json: Json = False,
) -> None:
    """Change running boats: try the settings, prove them, keep them; or return."""
    options = PushOptions(
        at=parse_at(at or []),
        at_once=at_once,
        timer=timer,
        check=dry_run,
        overwrite_drift=overwrite_drift,
        stage=stage,
        stop_after=stop_after,
        former=former_key,
    )
    if everyone == bool(names):
        raise UserError("name the boats to push to, or give --all")
    fleet = targets(names or all_of(boats), boats, vault_password_file)
    with (
        progress([one.name for one in fleet], console)
        if not as_json
        else (contextlib.nullcontext()) as listener
    ):
        ended = roll_out(fleet, options, Rollout(first, wait), listener)
    if as_json:
        show({"boats": [result.as_json() for result in ended]})
    else:
        for result in ended:
            if result.diff:
                results.print(f"{result.boat}:", markup=False)
                results.print(result.diff, end="", markup=False)
        results.print(push_table(ended))
    if not all(result.well for result in ended):
        raise typer.Exit(FOUND_SOMETHING)


@app.command()
def fleet(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    former_key: FormerKey = False,
    as_json: Json = False,
) -> None:
    """Ask running boats how they stand, all at once; without names, all of the folder."""
    asked = targets(names or all_of(boats), boats, vault_password_file)
    found = standings(asked, parse_at(at or []), former=former_key)
    if as_json:
        show({"boats": [one.as_json() for one in found]})
    else:
        results.print(fleet_table(found, time.time()))
    if not all(one.well for one in found):
        raise typer.Exit(FOUND_SOMETHING)


@app.command()
def verify(
    names: BoatNames,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    as_json: Json = False,
) -> None:
    """Prove running boats against their profiles; nothing is changed."""
    proofs = _prove(targets(names, boats, vault_password_file), parse_at(at or []))
    if as_json:
        show({"boats": [proof.as_json() for proof in proofs]})
    else:
        for proof in proofs:
            results.print(verify_table(proof))
            results.print(proof.summary())
    if not all(proof.well for proof in proofs):
        raise typer.Exit(FOUND_SOMETHING)


@app.command()
def inventory(
    names: BoatNames,
    out: Annotated[
        Path, typer.Option("-o", metavar="DIR", help="Where the files that it names are put.")
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
) -> None:
    """Print the inventory for plain ansible-playbook with roles/push.yml."""
    fleet = targets(names, boats, vault_password_file)
    print(lay_out(fleet, out, PushOptions(at=parse_at(at or []))))


def _prove(fleet: list[Target], at: dict[str, Endpoint]) -> list[VerifyResult]:
    """Run the suite against each boat where it answers."""
    with workspace() as folder:
        return [
            prove(wanted.folder / "job.json", wanted.reach.places[0], "kept")
            for wanted in prepare(fleet, folder, at)
        ]
