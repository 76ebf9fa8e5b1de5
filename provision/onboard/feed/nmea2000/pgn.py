# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn parameter groups of NMEA 2000 into sentences.

Layouts and resolutions are from memory, checked against a reference library in the
tests. Values are little-endian integers. The largest three of an unsigned and of a signed
field mean that there is no value. A value out of its quantity's range (a latitude over 90
degrees) counts as no value too: the device that sends it is broken.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from provision.onboard.feed.nmea0183.validity import VOID_MODES

#: Metres a second in a knot (1852 m an hour), kilometres an hour in a metre a second.
KNOT, KMH = 1852 / 3600, 3.6

#: Reference of a direction. 2 means 'error' and 3 'not available'.
TRUE, MAGNETIC = 0, 1

#: The largest angle in radians: a whole turn, which a device rounds up to the step of its field.
WHOLE_TURN = 2 * math.pi + 0.5e-4

#: The largest variation and deviation, in radians: half a turn.
HALF_TURN = math.pi

#: Seconds of a day, and of a day with a leap second (ITU-R TF.460).
DAY_S, LONGEST_DAY_S = 86400, 86401

#: Talker of sentences that a gateway makes from other data: integrated instrumentation
#: (IEC 61162-1).
TALKER = "II"


def unsigned(data: bytes, at: int, size: int, scale: float) -> float | None:
    """Read an unsigned field's value. None when the device gives no value."""
    value = int.from_bytes(data[at : at + size], "little")
    if len(data) < at + size or value >= (1 << 8 * size) - 3:
        return None
    return value * scale


def signed(data: bytes, at: int, size: int, scale: float) -> float | None:
    """Read a signed field's value. None when the device gives no value."""
    value = int.from_bytes(data[at : at + size], "little", signed=True)
    if len(data) < at + size or value >= (1 << 8 * size - 1) - 3:
        return None
    return value * scale


def within(value: float | None, most: float) -> float | None:
    """Return a value that lies between -`most` and `most`, else None."""
    return value if value is not None and abs(value) <= most else None


def direction(data: bytes, at: int) -> float | None:
    """Read a field of two bytes with an angle from 0 to a whole turn, in radians."""
    return within(unsigned(data, at, 2, 1e-4), WHOLE_TURN)


def small_angle(data: bytes, at: int) -> float | None:
    """Read a field of two bytes with a variation or deviation, in radians."""
    return within(signed(data, at, 2, 1e-4), HALF_TURN)


def latitude_longitude(data: bytes, at: int, size: int, scale: float) -> str | None:
    """Read latitude and longitude, `size` bytes each, as four fields of a sentence."""
    latitude = within(signed(data, at, size, scale), 90)
    longitude = within(signed(data, at + size, size, scale), 180)
    if latitude is None or longitude is None:
        return None
    return f"{coordinate(latitude, 'NS')},{coordinate(longitude, 'EW')}"


def number(value: float | None, places: int = 1, scale: float = 1.0) -> str:
    """Write a field of a sentence. Empty without a value."""
    return "" if value is None else f"{value * scale:.{places}f}"


def degrees(radians: float | None, places: int = 1) -> str:
    """Write a direction from 0 up to, but not including, 360 degrees."""
    if radians is None:
        return ""
    return f"{round(math.degrees(radians) % 360, places) % 360:.{places}f}"


def coordinate(value: float, hemispheres: str) -> str:
    """Write degrees and minutes with their hemisphere, as two fields.

    >>> coordinate(-1.76850, "EW"), coordinate(50.96616667, "NS")
    ('00146.11000,W', '5057.97000,N')
    """
    hundred_thousandths = round(abs(value) * 6_000_000)
    whole, minutes = divmod(hundred_thousandths, 6_000_000)
    width = 3 if hemispheres == "EW" else 2
    hemisphere = hemispheres[value < 0]
    return f"{whole:0{width}d}{minutes / 100_000:08.5f},{hemisphere}"


def east_or_west(radians: float | None) -> str:
    """Write an angle of variation or deviation and its direction, as two fields."""
    if radians is None:
        return ","
    return f"{abs(math.degrees(radians)):.1f},{'W' if radians < 0 else 'E'}"


def heading(data: bytes) -> list[str]:
    """Convert 127250, vessel heading."""
    points = degrees(direction(data, 1))
    if not points:
        return []
    reference = data[7] & 3
    if reference not in (TRUE, MAGNETIC):
        return []
    if reference == TRUE:
        return [f"HDT,{points},T"]
    deviation, variation = small_angle(data, 3), small_angle(data, 5)
    return [f"HDG,{points},{east_or_west(deviation)},{east_or_west(variation)}"]


def speed(data: bytes) -> list[str]:
    """Convert 128259, speed through the water."""
    through = unsigned(data, 1, 2, 0.01)
    if through is None:
        return []
    return [f"VHW,,T,,M,{number(through, 2, 1 / KNOT)},N,{number(through, 2, KMH)},K"]


def depth(data: bytes) -> list[str]:
    """Convert 128267: water depth below the transducer, and the transducer's offset."""
    below = unsigned(data, 1, 4, 0.01)
    if below is None:
        return []
    reach = unsigned(data, 7, 1, 10.0)
    return [f"DPT,{number(below, 2)},{number(signed(data, 5, 2, 1e-3), 2)},{number(reach, 0)}"]


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


def moment(days: float, seconds: float) -> tuple[str, str] | None:
    """Write a day since 1970 and its seconds as hhmmss.ss and dd,mm,yyyy.

    >>> moment(20782, 51891.25), moment(20818, 86400.5), moment(20818, 86401)
    (('142451.25', '25,11,2026'), ('235960.50', '31,12,2026'), None)
    """
    if seconds >= LONGEST_DAY_S:
        return None
    date = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=days)
    if seconds >= DAY_S:
        hundredths = min(int((seconds - DAY_S) * 100 + 0.5), 99)
        return f"235960.{hundredths:02d}", f"{date:%d,%m,%Y}"
    date += timedelta(seconds=round(seconds, 2))
    return f"{date:%H%M%S}.{date.microsecond // 10000:02d}", f"{date:%d,%m,%Y}"


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
    told, quality = moment(days, seconds), data[31] >> 4
    if told is None or fix_mode(data) in (None, "N"):
        return []
    clock, date = told
    satellites = unsigned(data, 33, 1, 1)
    used = "" if satellites is None else f"{satellites:02.0f}"
    spread, altitude = signed(data, 34, 2, 0.01), signed(data, 23, 8, 1e-6)
    geoid = signed(data, 38, 4, 0.01)
    return [
        f"GGA,{clock},{where},{quality},{used},{number(spread, 2)},"
        f"{number(altitude)},M,{number(geoid)},M,,",
        f"ZDA,{clock},{date},00,00",
    ]


def wind(data: bytes) -> list[str]:
    """Convert 130306, wind."""
    blows, angle = unsigned(data, 1, 2, 0.01), degrees(direction(data, 3))
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


#: Functions that make sentences (without talker and checksum) from each parameter group.
GROUPS: dict[int, Callable[[bytes], list[str]]] = {
    127250: heading,
    128259: speed,
    128267: depth,
    129025: position,
    129026: course,
    129029: fix,
    130306: wind,
}

#: Groups whose sentences have a mode that only the fix of the same device can tell.
MODED: dict[int, Callable[[bytes, str], list[str]]] = {129025: position, 129026: course}

#: The group that carries the fix.
FIX = 129029

#: Groups of more than eight bytes, sent as fast packets.
FAST = frozenset({129029})

#: The shortest data of each group that its function can read.
SHORTEST = {129029: 43}


def sentences(group: int, data: bytes, mode: str = "A") -> list[str]:
    """Make the sentences of a group from a device whose fixes have this mode."""
    moded = MODED.get(group)
    return GROUPS[group](data) if moded is None else moded(data, mode)


#: The sentences that can be made.
FORMATTERS = ("DPT", "GGA", "GLL", "HDG", "HDT", "MWD", "MWV", "VHW", "VTG", "ZDA")
