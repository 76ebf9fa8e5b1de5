# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups of NMEA 2000 that carry AIS, as a transponder sends them."""

from __future__ import annotations

import struct
from typing import Any

SHIP = 200000002

#: A report that was received on channel B.
HEARD_B = 1


def position(message: int, info: int = HEARD_B, **other: int) -> bytes:
    """Return the first 23 bytes of 129038 and 129039."""
    told = {"ship": SHIP, "longitude": -24500000, "latitude": 500500000, "course": 15533}
    told |= {"speed": 617, "heading": 7000, "second": 37, **other}
    position = struct.pack("<BIii", message, told["ship"], told["longitude"], told["latitude"])
    motion = struct.pack("<BHH", 3 | told["second"] << 2, told["course"], told["speed"])
    radio = (0x12345 | info << 19).to_bytes(3, "little")
    return position + motion + radio + struct.pack("<H", told["heading"])


def class_a(message: int = 1, info: int = HEARD_B, turn: int = -660, **other: int) -> bytes:
    return position(message, info, **other) + struct.pack("<hBBB", turn, 5 | 1 << 4, 0xFF, 7)


def static(**other: Any) -> bytes:
    told = {"imo": 9074729, "name": b"NORTHERN HOPPER", "size": (1200, 200, 80, 300)}
    told |= {"days": 20782, "time": 518912500, "draught": 650, "info": HEARD_B, **other}
    return (
        struct.pack("<BII7s20s", 5, SHIP, told["imo"], b"XQ0002@", told["name"].ljust(20, b"@"))  # type: ignore[attr-defined]
        + struct.pack("<BHHHH", 70, *told["size"])
        + struct.pack("<HIH", told["days"], told["time"], told["draught"])
        + b"OUTER ROADS         "
        + bytes([1 | 1 << 2 | 1 << 6, 0xE0 | told["info"], 3])
    )
