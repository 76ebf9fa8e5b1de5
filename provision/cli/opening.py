# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the boats that a command was asked for, and open their secrets."""

from __future__ import annotations

import contextlib
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
    from provision.push.records.lost_secrets import require_secrets
    from provision.render import OpenBoat

    boat = load.read(load.find(name, boats))
    require_secrets(boat.file)
    key = vault.read_password(boat.file.parent, password)
    opened = secrets.read(boat.file, key)
    stolen.refuse_old_secrets(boat, opened)
    board(boat.profile.board, boat.location("board"))
    return OpenBoat(boat, opened)


def read_neighbours(folders: set[Path]) -> list[Boat]:
    """Read all boats of the folders, without those whose file is invalid."""
    from provision.profile import load

    found = []
    for file in (file for folder in folders for file in load.list_profiles(folder)):
        with contextlib.suppress(UserError):
            found.append(load.read(file))
    return found


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


def chosen_files(
    names: Sequence[str] | None, boats: Path, everyone: bool, *, warn: bool = True
) -> list[Path]:
    """List the files of the boats that were named, or of all boats of the folder, each once.

    Raise UserError when both or neither are asked for, or when there is no boat. `warn` as for
    `every_file`.
    """

    from provision.profile import load

    refuse_both_or_neither(names, everyone)
    if names:
        files = [load.find(name, boats) for name in names]
        return list({file.resolve(): file for file in files}.values())
    return every_file(boats, warn=warn)


def refuse_both_or_neither(names: Sequence[str] | None, everyone: bool) -> None:
    """Raise UserError unless either boats are named or all are asked for."""
    if everyone and names:
        raise UserError(
            f"--all means all boats of the folder, and {' '.join(names)} was named, too",
            hint="leave out one of both",
        )
    if not everyone and not names:
        raise UserError(
            "no boat is named",
            hint="name the boats, or give --all for all boats of the folder",
        )


def every_file(boats: Path, *, warn: bool = True) -> list[Path]:
    """List the files of all boats of the folder. Raise UserError when there is none.

    Where `warn` is set, name on standard error the files that are passed over.
    """
    from provision.profile import load
    from provision.profile.passed_over import find_passed_over

    found = load.list_profiles(boats)
    if not found:
        what = "boat in" if boats.is_dir() else "folder"
        raise UserError(f"there is no {what} {boats}", hint=load.name_the_folder(boats))
    for error in find_passed_over(boats) if warn else ():
        print(f"provision: warning: {harmless(str(error))}", file=sys.stderr)
    return found
