# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands about profiles: init, schema, keys, check, render."""

from __future__ import annotations

import contextlib
import shlex
from pathlib import Path
from typing import Annotated

import typer

from provision.checks import check as check_boats
from provision.cli.common import (
    FOUND_SOMETHING,
    BoatName,
    BoatNames,
    Boats,
    Json,
    VaultFile,
    app,
    know,
    show,
)
from provision.errors import Place, UserError
from provision.paths import BOATS
from provision.profile import load, secrets, vault
from provision.profile.keys import make_keys
from provision.profile.load import Boat
from provision.profile.schema import schema as profile_schema
from provision.profile.start import start
from provision.render import write


@app.command()
def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.", readable=False)],
    as_json: Json = False,
) -> None:
    """Make a folder of boats of your own, with an example club and a vault password."""
    made = start(folder)
    if as_json:
        show({"folder": str(folder), "made": made})
        return
    print(f"{folder}: {', '.join(made)}")
    print(f"next: provision keys kittiwake --boats {shlex.quote(str(folder))}")


@app.command()
def schema(as_json: Json = False) -> None:
    """Print the profile's JSON Schema, for an editor to complete keys with."""
    show(profile_schema())


@app.command()
def keys(
    name: BoatName,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    rotate: Annotated[
        list[str] | None,
        typer.Option(
            "--rotate",
            metavar="SECRET",
            help="Replace this one: pass_phrase, host_key, or a TABLET's own pass-phrase.",
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Make a boat's secrets: Wi-Fi pass-phrases and SSH host key; and the operator's SSH key."""
    file = load.find(name, boats)
    if not load.names_a_boat(file):
        raise UserError(
            "is about no boat", place=Place(file), hint="a boat's file has the key boat at its top"
        )
    fresh = not secrets.file_of(file).exists()
    key = vault.password(file.parent, vault_password_file, twice=fresh)
    made = make_keys(file, key, rotate or ())
    if as_json:
        show({"secrets": str(made.secrets), "made": made.fresh})
    elif made.fresh:
        print(f"{made.secrets}: made {', '.join(made.fresh)}")
    else:
        print(f"{made.secrets}: nothing to make, all is there")


def _neighbours(folders: set[Path]) -> list[Boat]:
    """The other boats of the clubs; one whose file is wrong is somebody else's business."""
    found = []
    for file in (file for folder in folders for file in load.files(folder)):
        with contextlib.suppress(UserError):
            found.append(load.read(file))
    return found


@app.command()
def check(names: BoatNames, boats: Boats = BOATS, as_json: Json = False) -> None:
    """Check profiles against physics and the trade, before anything is burnt."""
    asked = load.read_all([load.find(name, boats) for name in names])
    findings = check_boats(asked, _neighbours({boat.file.parent for boat in asked}))
    if as_json:
        show({"findings": [finding.as_json() for finding in findings]})
    for finding in [] if as_json else findings:
        print(finding)
    if findings:
        raise typer.Exit(FOUND_SOMETHING)
    if not as_json:
        print("nothing found")


@app.command()
def render(
    name: BoatName,
    out: Annotated[
        Path, typer.Option("-o", metavar="DIR", help="Where the files go.", readable=False)
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Write every file that the boat will carry, and the archive of them."""
    settings = know(name, boats, vault_password_file).settings()
    write(settings, out)
    if as_json:
        show({"folder": str(out), "sha256": settings.sha256, "files": sorted(settings.files)})
    else:
        print(f"{out}: {len(settings.files)} files, settings {settings.sha256[:12]}")
