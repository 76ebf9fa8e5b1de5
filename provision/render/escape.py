# SPDX-License-Identifier: GPL-3.0-or-later
"""Escape values for a file: one filter for each way of writing a value.

Templates print only what has passed one of these filters. `only_escaped` is the environment's
`finalize` and refuses the rest. A value that cannot be written without a change of meaning is
refused, never corrected.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from provision.errors import UserError


class Escaped(str):
    """Mark text that is safe to write into its file."""

    __slots__ = ()


#: Letters, digits and marks without a special meaning inside a word, in any file written here.
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9._:/+@-]*")

#: What to do about a value that cannot be written.
_PLAIN = "write it in the profile in plain characters, and on one line"

#: Characters that udev reads as a pattern.
_PATTERN = re.compile(r"[*?\[]")


def word(value: object) -> Escaped:
    """Return a word that every format takes as it is: a name, an address, a MAC address.

    >>> word("10.47.1.1/24")
    '10.47.1.1/24'
    """
    text = str(value)
    if not _WORD.fullmatch(text):
        raise UserError(f"{text!r} cannot stand in a configuration file as it is", hint=_PLAIN)
    return Escaped(text)


def number(value: object) -> Escaped:
    """Return a whole number."""
    if not isinstance(value, int) or isinstance(value, bool):
        raise UserError(f"{value!r} is not a whole number", hint="write digits alone")
    return Escaped(str(value))


def octets(value: str | bytes) -> Escaped:
    """Return octets as pairs of hexadecimal digits. Encode text as UTF-8.

    >>> octets("Gull")
    '47756c6c'
    """
    return Escaped((value.encode() if isinstance(value, str) else value).hex())


def udev_match(value: str) -> Escaped:
    """Return a double-quoted udev pattern that matches `value` and nothing else.

    >>> udev_match("A*1")
    '"A[*]1"'
    """
    text = str(value)
    if not text.isprintable() or '"' in text or "\\" in text or "|" in text:
        raise UserError(f"{text!r} cannot be matched by a udev rule", hint=_PLAIN)
    return Escaped('"' + _PATTERN.sub(lambda mark: f"[{mark[0]}]", text) + '"')


def line(value: str) -> Escaped:
    """Return text that is the whole of a line: printable, and no comment."""
    text = str(value)
    if not text.isprintable() or not text.strip() or text.startswith("#"):
        raise UserError(f"{text!r} is not one line of text", hint=_PLAIN)
    return Escaped(text)


def as_json(value: Any) -> Escaped:
    """Return a JSON value."""
    return Escaped(json.dumps(value, indent=1, ensure_ascii=True))


def lines(value: str) -> Escaped:
    """Return text that is the whole of a file: printable lines, the last one ended."""
    if not value.endswith("\n") or not all(part.isprintable() for part in value.splitlines()):
        raise UserError(
            "a text that is a whole file has a line that cannot be printed", hint=_PLAIN
        )
    return Escaped(value)


FILTERS: dict[str, Callable[..., Escaped]] = {
    "word": word,
    "number": number,
    "octets": octets,
    "udev_match": udev_match,
    "line": line,
    "lines": lines,
    "json": as_json,
}


def only_escaped(value: object) -> str:
    """Pass on the result of a filter. Raise TypeError for an unfiltered value."""
    if not isinstance(value, Escaped):
        raise TypeError(f"{value!r} did not go through a filter of its file's format")
    return value
