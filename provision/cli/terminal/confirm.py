# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask before what changes files, and for a boat's name before what cannot be taken back."""

from __future__ import annotations

import sys
from collections.abc import Callable

import typer

from provision.errors import UserError
from provision.harmless import harmless


def confirm_boat(boat: str, consequence: str, undone: str) -> None:
    """Say what follows, and ask for the boat's name.

    Raise UserError, with what is `undone`, for any other answer. Ctrl-C ends the command.
    """
    print(harmless(consequence), file=sys.stderr)
    try:
        typed = typer.prompt("Type the boat's name to go on", err=True)
    except typer.Abort as error:
        if was_interrupted(error):
            raise KeyboardInterrupt from None
        typed = ""
    if typed != boat:
        hint = "type it as it stands above, or give --yes"
        raise UserError(f"that is not the boat's name; {undone}", hint=hint)


def confirm(question: str) -> bool:
    """Ask a question on standard error, and return the answer. The end of the input is a no."""
    try:
        return typer.confirm(harmless(question), err=True)
    except typer.Abort as error:
        if was_interrupted(error):
            raise KeyboardInterrupt from None
        print(file=sys.stderr)
        return False


def wait_for_enter(request: str) -> bool:
    """Ask on standard error for something to be done, and wait for Enter.

    The end of the input is a no.
    """
    try:
        typer.prompt(
            f"{harmless(request)}, and press Enter", default="", show_default=False, err=True
        )
    except typer.Abort as error:
        if was_interrupted(error):
            raise KeyboardInterrupt from None
        print(file=sys.stderr)
        return False
    return True


def choose(question: str, refuse: Callable[[str], str], usual: str = "") -> str:
    """Ask on standard error until `refuse` has no objection. Return "" at the end of the input.

    Enter alone answers with `usual`, if there is one.
    """
    while True:
        try:
            asked = typer.prompt(harmless(question), default=usual or None, err=True)
            typed = str(asked).strip()
        except typer.Abort as error:
            if was_interrupted(error):
                raise KeyboardInterrupt from None
            # The question stands on the line until here.
            print(file=sys.stderr)
            return ""
        if not (objection := refuse(typed)):
            return typed
        print(harmless(objection), file=sys.stderr)


def was_interrupted(error: typer.Abort) -> bool:
    """Tell whether Ctrl-C ended a question, and not the end of the input."""
    return isinstance(error.__context__, KeyboardInterrupt)
