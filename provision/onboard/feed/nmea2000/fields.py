# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the fields of parameter groups, and write the fields of sentences.

Values are little-endian integers. The largest three of an unsigned and of a signed field mean
that there is no value. A value out of its quantity's range (a latitude over 90 degrees) counts
as no value too: the device that sends it is broken.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

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
