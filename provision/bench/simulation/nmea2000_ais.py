# SPDX-License-Identifier: GPL-3.0-or-later
"""Compose what an AIS transponder on NMEA 2000 sends about another ship.

Layouts are from memory, checked against a reference library in the tests.
"""

from __future__ import annotations

import math
import struct

from provision.bench.simulation.boat import KNOT, Fix, Ship

#: The groups that `reports` makes, all from one device.
GROUPS, DEVICE = (129038, 129039, 129794), 55


def reports(ship: Ship, fix: Fix) -> list[tuple[int, bytes]]:
    """Return groups and their data: a position, and of a class A ship its static data."""
    if not ship.class_a:
        return [(129039, _position(18, ship, fix) + bytes([0, 0x74, 1]))]
    position = _position(1, ship, fix) + struct.pack("<hBBB", 0, 0xC0, 0xFF, 0xFF)
    return [(129038, position), (129794, _static(ship))]


def _position(message: int, ship: Ship, fix: Fix) -> bytes:
    """Pack what both classes have in common: received on channel A, with a fix of low accuracy."""
    course = round(math.radians(fix.course) * 1e4)
    longitude, latitude = round(fix.longitude * 1e7), round(fix.latitude * 1e7)
    position = struct.pack("<BIiiB", message, ship.mmsi, longitude, latitude, 60 << 2)
    motion = struct.pack("<HH", course, round(fix.ground_speed * KNOT * 100))
    return position + motion + bytes(3) + struct.pack("<H", course)


def _static(ship: Ship) -> bytes:
    """Pack the antenna's position amidships, no draught and no time of arrival."""
    head = struct.pack("<BII", 5, ship.mmsi, 0)
    call_sign, name = ship.call_sign.ljust(7, "@"), ship.name.ljust(20, "@")
    size = (ship.length * 10, ship.beam * 10, ship.beam * 5, ship.length * 5)
    hull = struct.pack("<BHHHH", ship.type, *size)
    arrival = struct.pack("<HIH", 0xFFFF, 0xFFFFFFFF, 0)
    destination = b"OUTER ROADS".ljust(20, b"@")
    tail = bytes([1 << 2, 0xE0, 0xFF])
    return head + f"{call_sign}{name}".encode("ascii") + hull + arrival + destination + tail
