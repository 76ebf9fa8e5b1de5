# SPDX-License-Identifier: GPL-3.0-or-later
"""Run one command from its words to its exit status, and print what went wrong."""

from __future__ import annotations

import errno
import os
import signal
import sys
from pathlib import Path
from types import FrameType

import typer

from provision.cli.common import COULD_NOT_RUN, FOUND_SOMETHING, INTERRUPTED, app, fail
from provision.cli.terminal.confirm import was_interrupted
from provision.cli.terminal.output import OutputError, drop_output, watched_output
from provision.cli.terminal.usage import in_plain_words
from provision.errors import Location, UserError

#: What Typer raises when a command was called wrongly; it has no public name for it.
USAGE: type[Exception] = typer.BadParameter.mro()[1]

BEFOREHAND = "--help says which option answers it beforehand"

#: Errors of the system that the user can correct. Any other is a fault of this program.
DISK = {
    errno.ENOSPC: "make room, or set TMPDIR to a folder on another disk",
    errno.EDQUOT: "make room, or set TMPDIR to a folder on another disk",
    errno.EROFS: "",
    errno.EACCES: "",
}


def run() -> int:
    """Run one command, and return its exit status.

    Print the errors that the user can correct, here and nowhere else.
    """
    # pydantic would look through all that is installed for plugins of its own.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    for number in (signal.SIGTERM, signal.SIGHUP):
        # A signal too runs the clean-up of private folders and child processes.
        if signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, _end)
    try:
        with watched_output():
            status = _run()
    except BrokenPipeError:
        # The reader closed the pipe.
        sys.stderr.close()
        return FOUND_SOMETHING
    except OutputError as error:
        drop_output()
        print(f"provision: standard output cannot be written: {error.reason}", file=sys.stderr)
        print("  hint: the result is not complete; send it elsewhere", file=sys.stderr)
        status = COULD_NOT_RUN
    return status


def _run() -> int:
    """Run one command, and return its exit status."""
    try:
        return int(app(prog_name="provision", standalone_mode=False) or 0)
    except UserError as error:
        return fail(error)
    except USAGE as error:
        return _misused(error)
    except (typer.Abort, KeyboardInterrupt) as error:
        if isinstance(error, KeyboardInterrupt) or was_interrupted(error):
            return _interrupted()
        return fail(UserError("the question was not answered", hint=BEFOREHAND))
    except OSError as error:
        if error.errno not in DISK:
            raise
        location = Location(Path(os.fsdecode(error.filename))) if error.filename else None
        reason = os.strerror(error.errno)
        return fail(UserError(reason, location=location, hint=DISK[error.errno]))


def _interrupted() -> int:
    """Say that Ctrl-C ended the command, and return the exit status."""
    # On a line of its own, behind the terminal's ^C or a question.
    print("\nprovision: stopped by Ctrl-C", file=sys.stderr)
    return INTERRUPTED


def _end(number: int, _frame: FrameType | None) -> None:
    sys.exit(128 + number)


def _misused(error: Exception) -> int:
    """Print how the command was called wrongly, and return the exit status."""
    error.message = in_plain_words(error.message)  # type: ignore[attr-defined]
    if "--json" in sys.argv:
        message = error.format_message()  # type: ignore[attr-defined]
        return fail(UserError(message, hint="provision COMMAND --help says what it takes"))
    error.show()  # type: ignore[attr-defined]
    return COULD_NOT_RUN
