# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask for a new secret: twice on a terminal without echo, else the first line that is piped in."""

from __future__ import annotations

import getpass
import sys
from collections.abc import Callable

from provision.errors import UserError

#: The most bytes read of a line. No secret that is typed has a tenth of it.
MAX_LINE_BYTES = 4096


def new_secret(what: str, check: Callable[[str], None]) -> str:
    """Ask for `what`, such as "pass-phrase"; `check` raises UserError for one that is refused."""
    if not sys.stdin.isatty():
        return _piped(what, check)
    try:
        typed = getpass.getpass(f"New {what}: ")
        check(typed)
        again = getpass.getpass(f"New {what} again: ")
    except EOFError:
        raise UserError(
            f"no new {what} was typed; nothing was changed", hint="begin again, and type one"
        ) from None
    if again != typed:
        raise UserError(f"the two {what}s differ; nothing was changed", hint="begin again")
    return typed


def _piped(what: str, check: Callable[[str], None]) -> str:
    line = sys.stdin.buffer.readline(MAX_LINE_BYTES).removesuffix(b"\n").removesuffix(b"\r")
    if not line:
        raise UserError(
            f"standard input holds no new {what}",
            hint="pipe one line in, or begin the command on a terminal, which asks for it",
        )
    try:
        typed = line.decode()
    except UnicodeDecodeError:
        raise UserError(f"the new {what} is not UTF-8 text", hint="pipe it in as UTF-8") from None
    check(typed)
    return typed
