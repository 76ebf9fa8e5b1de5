# SPDX-License-Identifier: GPL-3.0-or-later
"""Read fixes from RMC sentences (IEC 61162-1, from memory). The tests compare them with pynmea2."""

from __future__ import annotations

import math
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum

_METRES_PER_SECOND = 1852 / 3600

#: Modes of a position that no receiver measured just now: estimated, manual, none, simulated.
_VOID_MODES = frozenset("EMNS")


class Fix(NamedTuple):
    """Hold a position in degrees, and speed and course over ground in m/s and degrees true."""

    north: float
    east: float
    speed: float | None
    course: float | None


def read_fix(line: bytes) -> Fix | None:
    """Read the fix of an RMC sentence. None for another sentence, and for one without a fix."""
    body, _, rest = line.strip().partition(b"*")
    if not body.startswith(b"$") or body[3:7] != b"RMC,":
        return None
    if rest and (len(rest) != 2 or rest.upper() != b"%02X" % checksum(body[1:])):
        return None
    fields = body.decode("ascii", "replace").split(",")
    if len(fields) < 10 or fields[2] != "A" or (len(fields) > 12 and fields[12] in _VOID_MODES):
        return None
    north = _degrees(fields[3], fields[4], "NS", 90)
    east = _degrees(fields[5], fields[6], "EW", 180)
    if north is None or east is None:
        return None
    knots, course = _number(fields[7]), _number(fields[8])
    return Fix(north, east, None if knots is None else knots * _METRES_PER_SECOND, course)


def _degrees(text: str, letter: str, letters: str, limit: int) -> float | None:
    whole = len(text.partition(".")[0]) - 2
    minutes = _number(text[whole:]) if whole > 0 else None
    if minutes is None or minutes >= 60 or not text[:whole].isdecimal():
        return None
    if letter not in tuple(letters):
        return None
    degrees = int(text[:whole]) + minutes / 60
    if degrees > limit:
        return None
    return -degrees if letter == letters[1] else degrees


def _number(text: str) -> float | None:
    plain = text.replace(".", "", 1)
    if not (plain.isascii() and plain.isdecimal() and len(text) < 16):
        return None
    number = float(text)
    return number if math.isfinite(number) else None
