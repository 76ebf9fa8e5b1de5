# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the boats that a command was asked for, and open their secrets."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from provision.errors import Location, UserError
from provision.harmless import harmless

if TYPE_CHECKING:
    from provision.profile.load import Boat
    from provision.render import OpenBoat


def open_boat(name: str, boats: Path, password: Path | None) -> OpenBoat:
    """Read a boat, and open its secrets. Raise UserError when its board is unknown, too."""
    from provision.boards import board
    from provision.profile import load
    from provision.profile.secrets import stolen, vault
    from provision.profile.secrets import store as secrets
    from provision.render import OpenBoat

    boat = load.read(load.find(name, boats))
    secrets.require(boat.file)
    key = vault.read_password(boat.file.parent, password)
    opened = secrets.read(boat.file, key)
    stolen.refuse_old_secrets(boat, opened)
    board(boat.profile.board, boat.location("board"))
    return OpenBoat(boat, opened)


def refuse_beside_profiles(out: Path, boats: Path) -> None:
    """Refuse to write secrets in the clear into a folder of boats: that is often shared."""
    from provision.profile import load

    resolved = out.resolve()
    beside = any(load.list_profiles(folder) for folder in (resolved, resolved.parent))
    if beside or resolved.is_relative_to(boats.resolve()):
        raise UserError(
            "lies in the folder of the boats; the boat's secrets would stand there in the clear",
            location=Location(out),
            hint="name one elsewhere",
        )


def print_check_errors(boats: Iterable[Boat]) -> None:
    """Print the errors that `check` finds about boats on standard error.

    They stop nothing: an operator at sea may know better, and a push proves or rolls back.
    """

    from provision.checks import find_errors

    for boat in boats:
        for finding in find_errors(boat):
            print(f"provision: {harmless(str(finding))}", file=sys.stderr)


def chosen_files(names: Sequence[str] | None, boats: Path, everyone: bool) -> list[Path]:
    """List the files of the boats that were named, or of all boats of the folder, each once.

    Raise UserError when both or neither are asked for, or when there is no boat.
    """

    from provision.profile import load

    if everyone == bool(names):
        raise UserError("name the boats, or give --all for all of the folder; not both")
    if names:
        files = [load.find(name, boats) for name in names]
        return list({file.resolve(): file for file in files}.values())
    return every_file(boats)


def every_file(boats: Path) -> list[Path]:
    """List the files of all boats of the folder. Raise UserError when there is none."""
    from provision.profile import load

    found = load.list_profiles(boats)
    if not found:
        raise UserError(f"there is no boat in {boats}", hint="name the folder with --boats")
    return found
