# SPDX-License-Identifier: GPL-3.0-or-later
"""What all commands share: the application, options, finding boats, printing results."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from provision import __version__
from provision.boards import Board, board
from provision.checks import errors
from provision.cli.help import Group
from provision.errors import Place, UserError, UserErrors
from provision.harmless import harmless
from provision.profile import load, secrets, stolen, vault
from provision.profile.load import Boat
from provision.profile.secrets import Secrets
from provision.render import Settings, render

INTERRUPTED = 130
COULD_NOT_RUN = 2
FOUND_SOMETHING = 1

app = typer.Typer(
    cls=Group,
    help="One YAML profile per boat, turned into the boat's onboard computer.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"max_content_width": 110},
)

BoatName = Annotated[str, typer.Argument(metavar="BOAT", help="A boat's name, or its file.")]
BoatNames = Annotated[list[str], typer.Argument(metavar="BOAT", help="Boats' names, or files.")]
Some = Annotated[list[str] | None, typer.Argument(metavar="BOAT", help="Boats' names, or files.")]
Everyone = Annotated[bool, typer.Option("--all", help="All boats of the folder.")]
# What cannot be read is told with its place and a hint by whoever reads it, not by Typer.
Boats = Annotated[
    Path,
    typer.Option("--boats", metavar="DIR", help="The folder of the boats.", readable=False),
]
Json = Annotated[bool, typer.Option("--json", help="The result as JSON on standard output.")]
VaultFile = Annotated[
    Path | None,
    typer.Option(
        "--vault-password-file",
        metavar="FILE",
        help="The file with the vault password.",
        readable=False,
    ),
]


def _version(wanted: bool) -> None:
    if wanted:
        print(f"provision {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """One YAML profile per boat, turned into the boat's onboard computer."""


def fail(error: UserError) -> int:
    """Print an error (as JSON when the command was asked for JSON); the exit status for it."""
    found = error.errors if isinstance(error, UserErrors) else [error]
    if "--json" in sys.argv:
        show({"errors": [one.as_json() for one in found]})
    else:
        for one in found:
            print(f"provision: {harmless(str(one))}", file=sys.stderr)
    return COULD_NOT_RUN


def chosen(names: Sequence[str] | None, boats: Path, everyone: bool) -> list[Path]:
    """The files of the boats that were asked for, each once: those named, or all of the folder.

    UserError when both or neither are asked for, or when there is no boat.
    """
    if everyone == bool(names):
        raise UserError("name the boats, or give --all for all of the folder; not both")
    if names:
        files = [load.find(name, boats) for name in names]
        return list({file.resolve(): file for file in files}.values())
    return every_file(boats)


def every_file(boats: Path) -> list[Path]:
    """The files of all boats of the folder; UserError when there is none."""
    found = load.files(boats)
    if not found:
        raise UserError(f"there is no boat in {boats}", hint="name the folder with --boats")
    return found


def show(result: object) -> None:
    """Print a result as JSON."""
    # In ASCII: any terminal takes it, and a file name need not be UTF-8.
    print(json.dumps(result, indent=2, default=str), flush=True)


@dataclass(frozen=True)
class Known:
    """A boat with its board and its secrets."""

    boat: Boat
    board: Board
    secrets: Secrets

    def settings(self) -> Settings:
        """The boat's files."""
        return render(self.boat, self.secrets)


def know(name: str, boats: Path, password: Path | None) -> Known:
    """A boat with its secrets opened."""
    boat = load.read(load.find(name, boats))
    secrets.expect(boat.file)
    key = vault.password(boat.file.parent, password)
    opened = secrets.read(boat.file, key)
    stolen.refuse_old_secrets(boat, opened)
    return Known(boat, board(boat.profile.board, boat.place("board")), opened)


def refuse_beside_profiles(out: Path, boats: Path) -> None:
    """Refuse to write secrets in the clear into a folder of boats: that is often shared."""
    resolved = out.resolve()
    beside = any(load.files(folder) for folder in (resolved, resolved.parent))
    if beside or resolved.is_relative_to(boats.resolve()):
        raise UserError(
            "lies in the folder of the boats; the boat's secrets would stand there in the clear",
            place=Place(out),
            hint="name one elsewhere",
        )


def warn(boats: Iterable[Boat]) -> None:
    """Say on standard error what `check` finds that will not work about boats.

    It stops nothing: who is at sea may know better, and a push proves or returns.
    """
    for boat in boats:
        for finding in errors(boat):
            print(f"provision: {harmless(str(finding))}", file=sys.stderr)


def colour() -> bool:
    """Whether standard error is a terminal that wants colour."""
    return sys.stderr.isatty() and "NO_COLOR" not in os.environ
