# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that reach running boats: push, verify, inventory."""

from __future__ import annotations

import contextlib
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
    know,
    show,
)
from provision.push.play import PushOptions, lay_out
from provision.push.play import push as push_boats
from provision.push.prepare import Target, prepare
from provision.push.reach import Endpoint, parse_at
from provision.push.report import progress, push_table, verify_table
from provision.push.workspace import workspace
from provision.steps import console, results
from provision.verify import VerifyResult, prove

At = Annotated[
    list[str] | None,
    typer.Option("--at", metavar="BOAT=HOST:PORT", help="Where a boat answers instead."),
]


def targets(names: list[str], boats: Path, password: Path | None) -> list[Target]:
    """The boats with their secrets opened."""
    known = [know(name, boats, password) for name in names]
    return [Target(one.boat, one.secrets) for one in known]


@app.command()
def push(  # noqa: PLR0913
    names: BoatNames,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
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
    as_json: Json = False,
) -> None:
    """Change running boats: try the settings, prove them, keep them; or return."""
    options = PushOptions(
        at=parse_at(at or []),
        at_once=at_once,
        timer=timer,
        check=dry_run,
        overwrite_drift=overwrite_drift,
    )
    fleet = targets(names, boats, vault_password_file)
    with (
        progress([one.name for one in fleet], console)
        if not as_json
        else (contextlib.nullcontext()) as listener
    ):
        ended = push_boats(fleet, options, listener)
    if as_json:
        show({"boats": [result.as_json() for result in ended]})
    else:
        results.print(push_table(ended))
    if not all(result.well for result in ended):
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
