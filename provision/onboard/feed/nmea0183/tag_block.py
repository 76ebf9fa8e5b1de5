# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and write TAG blocks, which may precede a sentence (NMEA 0183 v4, IEC 61162-450).

    \\s:GP0001,n:7*10\\$GPGLL,5057.970,N,00146.110,E,142451,A*27

Parameter codes, from memory: c UNIX time (seconds or milliseconds), d destination,
g group (line-lines-id), n line count, r relative time in milliseconds, s source,
t text.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum

#: Characters of a TAG block with its backslashes, at most (from memory).
MAX_TAG_BLOCK_CHARS = 82

#: A character that a block's form needs, or that is not printable ASCII, is written as ^ and two
#: hexadecimal digits for each of its octets in UTF-8 (NMEA 0183's own escape, from memory).
_RESERVED = re.compile(rb"[^\x20-\x7e]|[!$*,\\^~]")
_ESCAPED = re.compile(rb"\^([0-9A-Fa-f]{2})")

_BLOCK = re.compile(rb"([\x20-\x5b\x5d-\x7e]*)\*([0-9A-Fa-f]{2})")


class Tag(NamedTuple):
    """Holds the parameters of one TAG block, in their order."""

    parameters: tuple[tuple[str, str], ...]

    def get(self, code: str) -> str | None:
        """Return the first value of `code`, or None."""
        for name, value in self.parameters:
            if name == code:
                return value
        return None

    @property
    def group(self) -> tuple[int, int, str] | None:
        """Return (line, lines, id) of a group, or None."""
        parts = (self.get("g") or "").split("-")
        if len(parts) != 3 or not (parts[0].isdigit() and parts[1].isdigit()):
            return None
        line, lines = int(parts[0]), int(parts[1])
        return (line, lines, parts[2]) if 1 <= line <= lines else None


def parse(block: bytes) -> Tag | None:
    """Read the text between the backslashes. None when its checksum or form is wrong.

    >>> parse(b"s:GP0001,n:7*10").get("s")
    'GP0001'
    """
    match = _BLOCK.fullmatch(block)
    if match is None or checksum(match[1]) != int(match[2], 16):
        return None
    parameters = []
    for item in match[1].split(b","):
        code, colon, value = item.partition(b":")
        if not code or not colon:
            return None
        parameters.append((code.decode("ascii"), _unescape(value)))
    return Tag(tuple(parameters))


def build(*parameters: tuple[str, str]) -> bytes:
    """Return a TAG block with its backslashes and checksum. A value may have any characters.

    >>> build(("s", "GP0001"), ("n", "7"))
    b'\\\\s:GP0001,n:7*10\\\\'
    """
    body = b",".join(
        b"%b:%b" % (code.encode("ascii"), _escape(value)) for code, value in parameters
    )
    return b"\\%b*%02X\\" % (body, checksum(body))


def _escape(value: str) -> bytes:
    octets = value.encode("utf-8", "replace")
    return _RESERVED.sub(lambda found: b"^%02X" % found[0][0], octets)


def _unescape(value: bytes) -> str:
    octets = _ESCAPED.sub(lambda found: bytes([int(found[1], 16)]), value)
    try:
        return octets.decode("utf-8")
    except UnicodeDecodeError:
        # Not an escape of ours: keep the characters as they are.
        return value.decode("ascii")
