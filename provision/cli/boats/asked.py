# SPDX-License-Identifier: GPL-3.0-or-later
"""Read which boats a command was asked for, and where they answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.opening import every_file
from provision.errors import UserError
from provision.paths import argument

if TYPE_CHECKING:
    from provision.push.load import InvalidBoat
    from provision.push.records.held_back import HeldBack
    from provision.render import OpenBoat
    from provision.ssh.endpoint import Endpoint

At = Annotated[
    list[str] | None,
    typer.Option("--at", metavar="BOAT=HOST:PORT", help="Where a boat answers instead."),
]
FormerKey = Annotated[
    bool,
    typer.Option("--former-key", help="Accept a host key from before it was rotated, too."),
]


@dataclass(frozen=True)
class Asked:
    """Hold which boats were named, and where they are."""

    names: Sequence[str]
    boats: Path
    password: Path | None
    at: Sequence[str]


def called_names(valid: Iterable[OpenBoat], invalid: Iterable[InvalidBoat]) -> dict[str, str]:
    """Return how a command names each boat."""
    files = [(boat.name, boat.boat.file) for boat in valid]
    files += [(boat.name, boat.file) for boat in invalid]
    return {name: argument(file) for name, file in files}


def load_fleet(names: Sequence[str], boats: Path, password: Path | None) -> list[OpenBoat]:
    """Load the boats with these names, each once. Raise UserErrors with the errors of all."""
    from provision.profile.yaml.tree import raise_all

    valid, invalid = load_named(names, boats, password)
    raise_all([error for boat in invalid for error in boat.errors])
    return valid


def load_named(
    names: Sequence[str], boats: Path, password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats with these names, each once. Return valid and invalid boats."""
    from provision.profile import load
    from provision.push.load import load_boats

    files = {file.resolve(): file for file in (load.find(name, boats) for name in names)}
    return load_boats(list(files.values()), password)


def load_named_or_all(
    names: Sequence[str], boats: Path, password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats with these names, or all of the folder. Return valid and invalid boats.

    Raise UserErrors when there is no boat at all, or when all that were named are invalid.
    """

    from provision.profile.yaml.tree import raise_all
    from provision.push.load import load_boats

    if names:
        valid, invalid = load_named(names, boats, password)
        if not valid:
            raise_all([error for boat in invalid for error in boat.errors])
        return valid, invalid
    return load_boats(every_file(boats), password)


def endpoints_at(
    at: Sequence[str] | None, boats: Iterable[OpenBoat | InvalidBoat | HeldBack]
) -> dict[str, Endpoint]:
    """Parse the endpoints of `--at`. Raise UserError when one is not of `boats`."""
    from provision.ssh.endpoint import parse_at

    found = parse_at(at or [])
    if unknown := sorted(found.keys() - {boat.name for boat in boats}):
        raise UserError(
            f"--at says where {', '.join(unknown)} answers, which is not among the boats",
            hint="write it as the boat's name",
        )
    return found
