# SPDX-License-Identifier: GPL-3.0-or-later
"""Read fixes from RMC sentences (IEC 61162-1, from memory). The tests compare them with pynmea2."""

from __future__ import annotations

import math
from typing import NamedTuple

from provision.onboard.feed.nmea0183.checksum import checksum
from provision.onboard.feed.nmea0183.validity import VOID_MODES


class Fix(NamedTuple):
    """Hold a position in degrees."""

    north: float
    east: float


def read_fix(line: bytes) -> Fix | None:
    """Read the fix of an RMC sentence. None for another sentence, and for one without a fix."""
    body, _, rest = line.strip().partition(b"*")
    if not body.startswith(b"$") or body[3:7] != b"RMC,":
        return None
    if rest and (len(rest) != 2 or rest.upper() != b"%02X" % checksum(body[1:])):
        return None
    fields = body.decode("ascii", "replace").split(",")
    if len(fields) < 10 or fields[2] != "A":
        return None
    if len(fields) > 12 and fields[12] and fields[12] in VOID_MODES:
        return None
    north = _degrees(fields[3], fields[4], "NS", 90)
    east = _degrees(fields[5], fields[6], "EW", 180)
    return None if north is None or east is None else Fix(north, east)


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
