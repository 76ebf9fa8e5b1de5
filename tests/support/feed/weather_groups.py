# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups of NMEA 2000 that carry temperatures and pressure."""

from __future__ import annotations

import struct

SEA, OUTSIDE, CABIN = 0, 1, 4


def temperature(source: int, kelvin_hundredths: int) -> bytes:
    """130312 of instance 0."""
    return struct.pack("<BBBHHB", 1, 0, source, kelvin_hundredths, 0xFFFF, 0xFF)


def surroundings(source: int, kelvin_hundredths: int, hectopascals: int) -> bytes:
    """130311 without a humidity."""
    return struct.pack("<BBHhH", 1, 3 << 6 | source, kelvin_hundredths, 0x7FFF, hectopascals)
