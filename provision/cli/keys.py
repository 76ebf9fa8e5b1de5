# SPDX-License-Identifier: GPL-3.0-or-later
"""The command about secrets: keys."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from provision.cli.common import Boats, Everyone, Json, Some, VaultFile, app, chosen, show
from provision.cli.help import Command, example
from provision.errors import Place, UserError
from provision.paths import BOATS
from provision.profile import load, secrets, vault
from provision.profile.keys import Made, check_rotation, make_keys


@app.command(cls=Command, epilog=example("keys kittiwake"))
def keys(  # noqa: PLR0913
    names: Some = None,
    everyone: Everyone = False,
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
    """Make boats' secrets: Wi-Fi pass-phrases and SSH keys.

    What is there stays. The operator's SSH key is made for the whole folder.
    """
    files = chosen(names, boats, everyone)
    for file in files:
        if not load.names_a_boat(file):
            raise UserError(
                "is about no boat",
                place=Place(file),
                hint="a boat's file has the key boat at its top",
            )
    if rotate:
        # Before any: a secret that is not every boat's would leave half of them rotated.
        for file in files:
            check_rotation(rotate, load.read(file).profile.own_pass_phrases)
    key = _passwords(files, vault_password_file)
    made = {file: make_keys(file, key[file.parent], rotate or ()) for file in files}
    if as_json:
        told = [_made_json(one) for one in made.values()]
        boats_json = [{"boat": file.stem, **one} for file, one in zip(made, told, strict=True)]
        show(told[0] if names and len(told) == 1 else {"boats": boats_json})
        return
    for one in made.values():
        what = f"made {', '.join(one.fresh)}" if one.fresh else "nothing to make, all is there"
        print(f"{one.secrets}: {what}")


def _made_json(made: Made) -> dict[str, object]:
    return {"secrets": str(made.secrets), "made": made.fresh}


def _passwords(files: Sequence[Path], password: Path | None) -> dict[Path, bytes]:
    """The vault password of each folder, asked for once; twice where there is nothing yet."""
    fresh = {file.parent: False for file in files}
    for file in files:
        fresh[file.parent] |= not secrets.file_of(file).exists()
    return {folder: vault.password(folder, password, twice=new) for folder, new in fresh.items()}
