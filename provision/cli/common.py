# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold what all commands share: the application, their options, printing results and errors."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from provision import __version__
from provision.cli.group import Group
from provision.cli.terminal.completion import complete_boat
from provision.errors import UserError, UserErrors
from provision.harmless import harmless

INTERRUPTED = 130
COULD_NOT_RUN = 2
FOUND_SOMETHING = 1

app = typer.Typer(
    cls=Group,
    help="One YAML profile per boat, turned into the boat's onboard computer.",
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"max_content_width": 110, "help_option_names": ["-h", "--help"]},
)


_BOAT = {"metavar": "BOAT", "autocompletion": complete_boat}
BoatName = Annotated[str, typer.Argument(help="A boat's name, or its file.", **_BOAT)]
BoatNames = Annotated[list[str], typer.Argument(help="Boats' names, or files.", **_BOAT)]
Some = Annotated[list[str] | None, typer.Argument(help="Boats' names, or files.", **_BOAT)]
Everyone = Annotated[bool, typer.Option("--all", help="All boats of the folder.")]
# The code that reads a file reports it as unreadable with location and hint, instead of Typer.
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
    ctx: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """One YAML profile per boat, turned into the boat's onboard computer."""
    if ctx.invoked_subcommand is None:
        from provision.cli.where import show_where

        show_where()


def fail(error: UserError) -> int:
    """Print an error, as JSON with --json, and return the exit status."""
    found = error.errors if isinstance(error, UserErrors) else [error]
    if "--json" in sys.argv:
        show({"errors": [problem.as_json() for problem in found]})
    else:
        for problem in found:
            print(f"provision: {harmless(str(problem))}", file=sys.stderr)
    return COULD_NOT_RUN


def show(result: object) -> None:
    """Print a result as JSON."""
    import json

    # In ASCII: any terminal takes it, and a file name need not be UTF-8.
    print(json.dumps(result, indent=2, default=str), flush=True)
