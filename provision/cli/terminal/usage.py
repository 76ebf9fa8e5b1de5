# SPDX-License-Identifier: GPL-3.0-or-later
"""Say in plain words how a command was called wrongly: Typer's messages are for programmers."""

from __future__ import annotations

import re

#: Typer's words, from the messages of its version in requirements.txt, and plain ones.
_PLAIN = (
    (r"Input should be greater than or equal to (\S+)", r"it has to be at least \1"),
    (r"Input should be less than or equal to (\S+)", r"it has to be at most \1"),
    (r"Input should be a valid integer.*", "write a whole number"),
    (r"Input should be a valid number.*", "write a number"),
    (r"Value error, (.*?)\.?", r"\1"),
)


def in_plain_words(message: str) -> str:
    """Return a message in plain words. Return an unknown message as it is."""
    for typers, plain in _PLAIN:
        if match := re.fullmatch(typers, message):
            return match.expand(plain)
    return message
