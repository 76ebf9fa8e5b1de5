# SPDX-License-Identifier: GPL-3.0-or-later
"""Decode where the boat is, how it moves over ground, and the time.

Layouts and resolutions are from memory, checked against a reference library in the tests.
"""

from __future__ import annotations

from provision.onboard.feed.nmea0183.validity import VOID_MODES
from provision.onboard.feed.nmea2000.fields import (
    KMH,
    KNOT,
    MAGNETIC,
    TRUE,
    degrees,
    direction,
    latitude_longitude,
    moment,
    number,
    signed,
    unsigned,
)
from provision.onboard.feed.nmea2000.group import Group

#: The group that carries the fix.
FIX = 129029

#: The mode of a position by the quality of its fix in 129029 (IEC 61162-1): none, autonomous,
#: differential, precise, real-time kinematic, its float, estimated, manual input, simulator.
MODES = "NADPRFEMS"


def position(data: bytes, mode: str = "A") -> list[str]:
    """Convert 129025, position, rapid update. The group does not carry its `mode`."""
    where = latitude_longitude(data, 0, 4, 1e-7)
    if where is None:
        return []
    return [f"GLL,{where},,{'V' if mode in VOID_MODES else 'A'},{mode}"]


def course(data: bytes, mode: str = "A") -> list[str]:
    """Convert 129026, course and speed over ground, rapid update. `mode` is as in `position`."""
    over_ground = unsigned(data, 4, 2, 0.01)
    if over_ground is None:
        return []
    reference, along = data[1] & 3, degrees(direction(data, 2))
    true = along if reference == TRUE else ""
    magnetic = along if reference == MAGNETIC else ""
    knots, kmh = number(over_ground, 2, 1 / KNOT), number(over_ground, 2, KMH)
    return [f"VTG,{true},T,{magnetic},M,{knots},N,{kmh},K,{mode}"]


def fix_mode(data: bytes) -> str | None:
    """Read from 129029 how a device obtains its position: a letter of `MODES`, or None."""
    quality = data[31] >> 4
    return MODES[quality] if quality < len(MODES) else None


def fix(data: bytes) -> list[str]:
    """Convert 129029, GNSS position data."""
    where = latitude_longitude(data, 7, 8, 1e-16)
    days, seconds = unsigned(data, 1, 2, 1), unsigned(data, 3, 4, 1e-4)
    if where is None or days is None or seconds is None:
        return []
    date_and_time, quality = moment(days, seconds), data[31] >> 4
    if date_and_time is None or fix_mode(data) in (None, "N"):
        return []
    clock, date = date_and_time
    satellites = unsigned(data, 33, 1, 1)
    used = "" if satellites is None else f"{satellites:02.0f}"
    spread, altitude = signed(data, 34, 2, 0.01), signed(data, 23, 8, 1e-6)
    geoid = signed(data, 38, 4, 0.01)
    return [
        f"GGA,{clock},{where},{quality},{used},{number(spread, 2)},"
        f"{number(altitude)},M,{number(geoid)},M,,",
        f"ZDA,{clock},{date},00,00",
    ]


GROUPS = (
    Group(129025, position, {"GLL": "position"}, takes_mode=True),
    Group(129026, course, {"VTG": "position"}, takes_mode=True),
    Group(FIX, fix, {"GGA": "position", "ZDA": "time"}, min_bytes=43),
)
