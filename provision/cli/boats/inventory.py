# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that prints an inventory for plain ansible-playbook: inventory."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.boats.asked import At, endpoints_at, load_fleet
from provision.cli.common import (
    BoatNames,
    Boats,
    VaultFile,
    app,
)
from provision.cli.help import Command, example
from provision.paths import BOATS
from provision.push.options import PushOptions

if TYPE_CHECKING:
    pass


@app.command(cls=Command, epilog=example("inventory kittiwake -o run > run.json"))
def inventory(
    names: BoatNames,
    out: Annotated[
        Path, typer.Option("-o", metavar="DIR", help="Where the files that it names are put.")
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
) -> None:
    """Print the inventory for plain ansible-playbook.

    The playbook is roles/push.yml.
    """

    from provision.profile.yaml.tree import raise_all
    from provision.push.push import lay_out
    from provision.push.records.held_back import hold_back

    fleet, held = hold_back(load_fleet(names, boats, vault_password_file))
    raise_all([boat.error for boat in held])
    print(lay_out(fleet, out, PushOptions(at=endpoints_at(at, fleet))))
