# SPDX-License-Identifier: GPL-3.0-or-later
"""Parameter groups of NMEA 2000 as sentences.

Layouts and resolutions are from memory, checked against a reference library in the
tests. Values are little-endian integers; the largest three of an unsigned and of a signed
field say that there is no value.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

#: Metres a second in a knot (1852 m an hour), kilometres an hour in a metre a second.
KNOT, KMH = 1852 / 3600, 3.6

#: What a direction is measured from; 2 says 'error' and 3 'not available'.
TRUE, MAGNETIC = 0, 1

#: Talker of what a gateway makes out of other data: integrated instrumentation (IEC 61162-1).
TALKER = "II"


def unsigned(data: bytes, at: int, size: int, scale: float) -> float | None:
    """A field's value, or None when there is none."""
    value = int.from_bytes(data[at : at + size], "little")
    if len(data) < at + size or value >= (1 << 8 * size) - 3:
        return None
    return value * scale


def signed(data: bytes, at: int, size: int, scale: float) -> float | None:
    """A field's value, or None when there is none."""
    value = int.from_bytes(data[at : at + size], "little", signed=True)
    if len(data) < at + size or value >= (1 << 8 * size - 1) - 3:
        return None
    return value * scale


def number(value: float | None, places: int = 1, scale: float = 1.0) -> str:
    """A field of a sentence; empty without a value."""
    return "" if value is None else f"{value * scale:.{places}f}"


def degrees(radians: float | None, places: int = 1) -> str:
    """A direction from 0 up to, but not including, 360 degrees."""
    if radians is None:
        return ""
    return f"{round(math.degrees(radians) % 360, places) % 360:.{places}f}"


def coordinate(value: float, hemispheres: str) -> str:
    """Degrees and minutes with their hemisphere, as two fields.

    >>> coordinate(-1.76850, "EW"), coordinate(50.96616667, "NS")
    ('00146.11000,W', '5057.97000,N')
    """
    hundred_thousandths = round(abs(value) * 6_000_000)
    whole, minutes = divmod(hundred_thousandths, 6_000_000)
    width = 3 if hemispheres == "EW" else 2
    hemisphere = hemispheres[value < 0]
    return f"{whole:0{width}d}{minutes / 100_000:08.5f},{hemisphere}"


def east_or_west(radians: float | None) -> str:
    """An angle of variation or deviation and its direction, as two fields."""
    if radians is None:
        return ","
    return f"{abs(math.degrees(radians)):.1f},{'W' if radians < 0 else 'E'}"


def heading(data: bytes) -> list[str]:
    """127250, vessel heading."""
    direction = degrees(unsigned(data, 1, 2, 1e-4))
    if not direction:
        return []
    reference = data[7] & 3
    if reference not in (TRUE, MAGNETIC):
        return []
    if reference == TRUE:
        return [f"HDT,{direction},T"]
    deviation, variation = signed(data, 3, 2, 1e-4), signed(data, 5, 2, 1e-4)
    return [f"HDG,{direction},{east_or_west(deviation)},{east_or_west(variation)}"]


def speed(data: bytes) -> list[str]:
    """128259, speed through the water."""
    through = unsigned(data, 1, 2, 0.01)
    if through is None:
        return []
    return [f"VHW,,T,,M,{number(through, 2, 1 / KNOT)},N,{number(through, 2, KMH)},K"]


def depth(data: bytes) -> list[str]:
    """128267, water depth below the transducer, and where that is."""
    below = unsigned(data, 1, 4, 0.01)
    if below is None:
        return []
    reach = unsigned(data, 7, 1, 10.0)
    return [f"DPT,{number(below, 2)},{number(signed(data, 5, 2, 1e-3), 2)},{number(reach, 0)}"]


def position(data: bytes) -> list[str]:
    """129025, position, rapid update."""
    latitude, longitude = signed(data, 0, 4, 1e-7), signed(data, 4, 4, 1e-7)
    if latitude is None or longitude is None:
        return []
    return [f"GLL,{coordinate(latitude, 'NS')},{coordinate(longitude, 'EW')},,A,A"]


def course(data: bytes) -> list[str]:
    """129026, course and speed over ground, rapid update."""
    over_ground, direction = unsigned(data, 4, 2, 0.01), unsigned(data, 2, 2, 1e-4)
    if over_ground is None:
        return []
    reference, along = data[1] & 3, degrees(direction)
    true = along if reference == TRUE else ""
    magnetic = along if reference == MAGNETIC else ""
    knots, kmh = number(over_ground, 2, 1 / KNOT), number(over_ground, 2, KMH)
    return [f"VTG,{true},T,{magnetic},M,{knots},N,{kmh},K,A"]


#: Qualities of a fix that are none, estimated or simulated, and modes to match (IEC 61162-1).
_MODES = {1: "A", 2: "D", 3: "P", 4: "R", 5: "F", 6: "E", 7: "M", 8: "S"}


def fix(data: bytes) -> list[str]:
    """129029, GNSS position data."""
    latitude, longitude = signed(data, 7, 8, 1e-16), signed(data, 15, 8, 1e-16)
    days, seconds = unsigned(data, 1, 2, 1), unsigned(data, 3, 4, 1e-4)
    if latitude is None or longitude is None or days is None or seconds is None:
        return []
    quality = data[31] >> 4
    if quality not in _MODES:
        return []
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=days, seconds=round(seconds, 2))
    clock = f"{moment:%H%M%S}.{moment.microsecond // 10000:02d}"
    where = f"{coordinate(latitude, 'NS')},{coordinate(longitude, 'EW')}"
    satellites = unsigned(data, 33, 1, 1)
    used = "" if satellites is None else f"{satellites:02.0f}"
    spread, altitude = signed(data, 34, 2, 0.01), signed(data, 23, 8, 1e-6)
    geoid = signed(data, 38, 4, 0.01)
    return [
        f"GGA,{clock},{where},{quality},{used},{number(spread, 2)},"
        f"{number(altitude)},M,{number(geoid)},M,,",
        f"ZDA,{clock},{moment:%d,%m,%Y},00,00",
    ]


def wind(data: bytes) -> list[str]:
    """130306, wind."""
    blows, angle = unsigned(data, 1, 2, 0.01), degrees(unsigned(data, 3, 2, 1e-4))
    if blows is None or not angle:
        return []
    knots = number(blows, 2, 1 / KNOT)
    match data[5] & 7:
        case 0:
            return [f"MWD,{angle},T,,M,{knots},N,{number(blows, 2)},M"]
        case 1:
            return [f"MWD,,T,{angle},M,{knots},N,{number(blows, 2)},M"]
        case 2:
            return [f"MWV,{angle},R,{knots},N,A"]
        case 3 | 4:
            return [f"MWV,{angle},T,{knots},N,A"]
    return []


#: What makes sentences (without talker and checksum) out of each parameter group.
GROUPS: dict[int, Callable[[bytes], list[str]]] = {
    127250: heading,
    128259: speed,
    128267: depth,
    129025: position,
    129026: course,
    129029: fix,
    130306: wind,
}

#: Groups of more than eight bytes, sent as fast packets.
FAST = frozenset({129029})

#: The shortest data of each group that its function can read.
SHORTEST = {129029: 43}

#: The sentences that can be made.
FORMATTERS = ("DPT", "GGA", "GLL", "HDG", "HDT", "MWD", "MWV", "VHW", "VTG", "ZDA")
