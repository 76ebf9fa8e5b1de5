# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell an NMEA 0183 sender from a web page by how its connection begins.

Any page can make the browser of a tablet connect to the boat, and can write what follows the
request line. But the request line comes first, and is not a sentence (RFC 9112, section 3).
What TLS, HTTP/2, STUN or a terminal begin with is not a sentence either. So the first line
decides.

Noise behind a first valid sentence does not end a connection: bridges from serial lines pass
on what disturbs their line, and a browser does not get so far.
"""

from __future__ import annotations

import re

from provision.onboard.feed.nmea0183.framer import MAX_HELD_BYTES, Framer

#: The reason for closing a connection that begins with anything but a sentence.
NOT_NMEA = "was sent away: it does not begin with a sentence of NMEA 0183"

#: The first byte of a sentence, or of a TAG block before it (IEC 61162-1, NMEA 0183 v4).
STARTS = b"$!\\"

_LINE_END = re.compile(rb"[\r\n]")


class Opening:
    """Reads a connection's bytes until its first sentence, or until they cannot be a sentence."""

    def __init__(self, *, unchecked: bool = False, long: bool = False) -> None:
        """Take `unchecked` and `long` as a framer takes them."""
        self._framer = Framer("", unchecked=unchecked, long=long, from_start=True)
        self._begun = b""
        self.passed = False
        """True once a first valid sentence has come, with nothing else before it."""

    def refuses(self, data: bytes) -> bool:
        """Take what was read, and report whether it shows that this is not NMEA 0183."""
        if self.passed:
            return False
        lines = _LINE_END.split(self._begun + data)
        self._begun = lines.pop()
        for line in lines:
            sentences = self._framer.feed(line + b"\n", 0.0)
            if self._framer.errors.total():
                return True
            if sentences:
                self.passed, self._begun = True, b""
                return False
        return len(self._begun) > MAX_HELD_BYTES or bool(
            self._begun and self._begun[0] not in STARTS
        )
