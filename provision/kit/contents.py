# SPDX-License-Identifier: GPL-3.0-or-later
"""List all files of a kit."""

from __future__ import annotations

import json
import platform
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from provision import __version__, paths
from provision.boards import board
from provision.errors import UserError
from provision.kit import boats as of_boats
from provision.kit.archive import pack
from provision.kit.boats import Source
from provision.kit.code import list_code
from provision.kit.programs import list_programs
from provision.kit.readme import make_readme
from provision.kit.starter import DESCRIPTION, PASSWORD
from provision.paper import Paper, make_sheets
from provision.profile.load import Boat

#: The format of a kit, in its description.
FORMAT = 1


@dataclass(frozen=True)
class Wanted:
    """Hold what goes into a kit beside what every kit has."""

    backups: bool = True
    vault_password: bool = False
    operator_key: bool = False
    vault_password_file: Path | None = None


def list_files(boats: Sequence[Boat], wanted: Wanted) -> dict[str, Source]:
    """Map each file of a kit of these boats to its content or its source.

    Raise UserError if something that a rebuild takes is not here.
    """
    _refuse_in_a_kit()
    needed = [(board(boat.profile.board, boat.location("board")), boat) for boat in boats]
    found = {f"bases/{name}": one for name, one in of_boats.list_bases(needed).items()}
    profiles = of_boats.list_boats(boats)
    if wanted.operator_key:
        profiles["operator"] = of_boats.read_operator(boats[0])
    backups = of_boats.list_backups(boats) if wanted.backups else {}
    found |= {f"boats/{name}": one for name, one in {**profiles, **backups}.items()}
    for boat in boats:
        pages = make_sheets([(boat, None)], Paper.A4)
        found[f"sheets/{boat.name}.html"] = pages.html.encode()
    if wanted.vault_password:
        found[PASSWORD] = of_boats.read_vault_password(boats, wanted.vault_password_file)
    described = _describe(boats)
    found[DESCRIPTION] = json.dumps(described, indent=1).encode() + b"\n"
    found["README.txt"] = make_readme(boats, {*backups}, wanted.vault_password, described)
    found["provision"] = (paths.PACKAGE / "kit" / "starter.py").read_bytes()
    found["kit/python.tar.gz"] = pack(list_code())
    found["kit/programs.tar.gz"] = pack(list_programs())
    return found


def _refuse_in_a_kit() -> None:
    if kit := paths.kit():
        raise UserError(
            "a kit makes no other kit", hint=f"copy the whole folder: cp -r {kit} ANOTHER"
        )


def _describe(boats: Sequence[Boat]) -> dict[str, object]:
    """Say what the kit is, and which computer it needs."""
    return {
        "format": FORMAT,
        "version": __version__,
        "python": "{}.{}".format(*sys.version_info[:2]),
        "machine": platform.machine(),
        "system": _name_system(),
        "boats": [boat.name for boat in boats],
    }


def _name_system() -> str:
    """Return the name of this computer's system, such as Debian GNU/Linux 13 (trixie)."""
    try:
        return platform.freedesktop_os_release()["PRETTY_NAME"]
    except (OSError, KeyError):
        return "the computer that made it"
