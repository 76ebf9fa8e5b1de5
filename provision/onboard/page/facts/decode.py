# SPDX-License-Identifier: GPL-3.0-or-later
"""Read values that people look at from sentences.

The layouts are those of IEC 61162-1, from memory. The tests compare each value with pynmea2 1.19.
A sentence that says itself that its data are not valid (`validity`) has no values.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import NamedTuple

from provision.onboard.feed.nmea0183.sentence import split_address
from provision.onboard.feed.nmea0183.validity import DATA

#: The sign for minutes of arc.
PRIME = "\u2032"

_KNOTS_PER_KMH = 1 / 1.852
_KNOTS_PER_MS = 3.6 / 1.852
_METRES_PER_FOOT = 0.3048
_METRES_PER_FATHOM = 1.8288


class Value(NamedTuple):
    """Holds one value: the lines of its text, and its unit in words."""

    text: tuple[str, ...]
    unit: str


Values = dict[str, Value]

#: Takes the fields of a sentence, and a longer list of empty ones behind them.
_Reader = Callable[[list[str]], Values]


def _number(text: str) -> float | None:
    """Return the number in a field. None for anything that IEC 61162-1 does not call a number."""
    plain = text.removeprefix("-").replace(".", "", 1)
    return float(text) if plain.isascii() and plain.isdecimal() and len(text) < 16 else None


def _rounded(number: float, digits: int) -> str:
    text = f"{number:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _angle(text: str, unit: str) -> Value | None:
    """Return a direction in whole degrees, of three digits as the trade writes it."""
    number = _number(text)
    if number is None or not 0 <= number <= 360:
        return None
    return Value((f"{math.floor(number + 0.5) % 360:03}°",), unit)


def _amount(text: str, unit: str, scale: float = 1.0, digits: int = 1) -> Value | None:
    number = _number(text)
    return None if number is None else Value((_rounded(number * scale, digits),), unit)


def _some(**values: Value | None) -> Values:
    """Drop what is not there, and write keys with hyphens."""
    return {key.replace("_", "-"): value for key, value in values.items() if value is not None}


def _first(*values: Value | None) -> Value | None:
    return next((value for value in values if value is not None), None)


def _knots(knots: str, kmh: str = "") -> Value | None:
    return _first(_amount(knots, "knots"), _amount(kmh, "knots", _KNOTS_PER_KMH))


def _half(text: str, hemisphere: str, whole_digits: int) -> str | None:
    """Return a latitude or longitude as degrees and minutes, with N, S, E or W."""
    number = _number(text)
    if number is None or number < 0 or len(text.partition(".")[0]) != whole_digits + 2:
        return None
    thousandths = int(text[:whole_digits]) * 60_000 + round(float(text[whole_digits:]) * 1000)
    degrees, minutes = divmod(thousandths, 60_000)
    limit, letters = (90, "NS") if whole_digits == 2 else (180, "EW")
    if hemisphere not in tuple(letters) or thousandths > limit * 60_000:
        return None
    return f"{degrees}°{minutes // 1000:02}.{minutes % 1000:03}{PRIME} {hemisphere}"


def _position(fields: list[str]) -> Value | None:
    """Read a position from four fields."""
    north, east = _half(fields[0], fields[1], 2), _half(fields[2], fields[3], 3)
    return Value((north, east), "") if north and east else None


def _clock(text: str, day: str) -> Value | None:
    """Return a time of day with its date (YYYY-MM-DD, or empty)."""
    if len(text) < 6 or not text[:6].isdecimal():
        return None
    return Value((f"{text[:2]}:{text[2:4]}:{text[4:6]}",), f"UTC, {day}" if day else "UTC")


def _rmc(f: list[str]) -> Values:
    day = f[8]
    # Two digits of the year: a receiver of the last century is none that a boat still carries.
    date = f"20{day[4:6]}-{day[2:4]}-{day[:2]}" if len(day) == 6 and day.isdecimal() else ""
    return _some(
        position=_position(f[2:6]),
        course_over_ground=_angle(f[7], "true"),
        speed_over_ground=_knots(f[6]),
        time=_clock(f[0], date),
    )


def _zda(f: list[str]) -> Values:
    parts = f[3], f[2], f[1]
    date = "-".join(parts) if all(part.isdecimal() for part in parts) else ""
    return _some(time=_clock(f[0], date))


def _vtg(f: list[str]) -> Values:
    return _some(
        course_over_ground=_first(_angle(f[0], "true"), _angle(f[2], "magnetic")),
        speed_over_ground=_knots(f[4], f[6]),
    )


def _hdg(f: list[str]) -> Values:
    """Apply the deviation that the sentence has: what is left is magnetic."""
    heading, deviation = _number(f[0]), _number(f[1])
    if heading is None:
        return {}
    signed = (deviation or 0.0) * (-1 if f[2] == "W" else 1)
    return _some(heading=_angle(f"{(heading + signed) % 360:.1f}", "magnetic"))


def _dpt(f: list[str]) -> Values:
    """Name the depth by its offset: below the keel when negative, of the water when positive."""
    depth, offset = _number(f[0]), _number(f[1]) or 0.0
    if depth is None:
        return {}
    return {_depth_key(offset): Value((_rounded(depth + offset, 1),), "metres")}


def _depth_key(offset: float) -> str:
    below = "below-keel" if offset < 0 else "water" if offset > 0 else "below-transducer"
    return f"depth-{below}"


def _three_units(key: str) -> _Reader:
    """Return a reader of a depth in feet, metres and fathoms."""

    def read(f: list[str]) -> Values:
        metres = _first(
            _amount(f[2], "metres"),
            _amount(f[0], "metres", _METRES_PER_FOOT),
            _amount(f[4], "metres", _METRES_PER_FATHOM),
        )
        return _some(**{key: metres})

    return read


def _side(degrees: float) -> str:
    """Name an angle from the bow by its side, 0 to 180 degrees."""
    whole = math.floor(degrees % 360 + 0.5) % 360
    if whole in (0, 180):
        return f"{whole}°"
    return f"{whole}° to starboard" if whole < 180 else f"{360 - whole}° to port"


def _wind(prefix: str, angle: float | None, speed: Value | None) -> Values:
    if angle is None or speed is None:
        return {}
    number, _, side = _side(angle).partition(" ")
    off = Value((number,), f"from the bow, {side}" if side else "from the bow")
    return {f"{prefix}-wind-angle": off, f"{prefix}-wind-speed": speed}


def _mwv(f: list[str]) -> Values:
    scale = {"N": 1.0, "K": _KNOTS_PER_KMH, "M": _KNOTS_PER_MS}.get(f[3])
    prefix = {"R": "apparent", "T": "true"}.get(f[1])
    if scale is None or prefix is None:
        return {}
    return _wind(prefix, _number(f[0]), _amount(f[2], "knots", scale))


def _beside_bow(prefix: str) -> _Reader:
    """Return a reader of an angle to a side, and a speed in knots, m/s and km/h."""

    def read(f: list[str]) -> Values:
        angle = _number(f[0])
        if angle is None or f[1] not in ("L", "R"):
            return {}
        speed = _first(_knots(f[2]), _amount(f[4], "knots", _KNOTS_PER_MS), _knots("", f[6]))
        return _wind(prefix, -angle if f[1] == "L" else angle, speed)

    return read


def _mwd(f: list[str]) -> Values:
    return _some(
        true_wind_direction=_first(_angle(f[0], "true"), _angle(f[2], "magnetic")),
        true_wind_speed=_first(_knots(f[4]), _amount(f[6], "knots", _KNOTS_PER_MS)),
    )


def _vhw(f: list[str]) -> Values:
    return _some(
        heading=_first(_angle(f[2], "magnetic"), _angle(f[0], "true")),
        speed_through_water=_knots(f[4], f[6]),
    )


def _rot(f: list[str]) -> Values:
    number = _number(f[0])
    if number is None:
        return {}
    side = "" if _rounded(number, 0) == "0" else " to port" if number < 0 else " to starboard"
    return {"rate-of-turn": Value((_rounded(abs(number), 0),), f"degrees a minute{side}")}


def _off_track(distance: str, steer: str, unit: str) -> Value | None:
    """Return how far off the track the boat is. The sentence says where to steer, L or R."""
    if unit != "N" or steer not in ("L", "R"):
        return None
    return _amount(distance, f"nautical miles, steer {'left' if steer == 'L' else 'right'}", 1.0, 2)


def _apb(f: list[str]) -> Values:
    unit = {"M": "magnetic", "T": "true"}.get(f[13])
    return _some(
        off_track=_off_track(f[2], f[3], f[4]),
        heading_to_steer=_angle(f[12], unit) if unit else None,
    )


def _one(key: str, read: Callable[[list[str]], Value | None]) -> _Reader:
    return lambda f: _some(**{key: value}) if (value := read(f)) is not None else {}


#: What is read from each formatter. The first of a value's formatters in one source counts.
READERS: Mapping[str, _Reader] = {
    "RMC": _rmc,
    "GGA": _one("position", lambda f: _position(f[1:5])),
    "GNS": _one("position", lambda f: _position(f[1:5])),
    "GLL": _one("position", lambda f: _position(f[0:4])),
    "VTG": _vtg,
    "HDG": _hdg,
    "HDM": _one("heading", lambda f: _angle(f[0], "magnetic")),
    "HDT": _one("heading", lambda f: _angle(f[0], "true")),
    "THS": _one("heading", lambda f: _angle(f[0], "true")),
    "VHW": _vhw,
    "ROT": _rot,
    "DPT": _dpt,
    "DBT": _three_units("depth_below_transducer"),
    "DBK": _three_units("depth_below_keel"),
    "DBS": _three_units("depth_water"),
    "MWV R": _mwv,
    "MWV T": _mwv,
    "VWR": _beside_bow("apparent"),
    "VWT": _beside_bow("true"),
    "MWD": _mwd,
    "MTW": _one("sea_temperature", lambda f: _amount(f[0], "°C") if f[1] == "C" else None),
    "APB": _apb,
    "XTE": _one("off_track", lambda f: _off_track(f[2], f[3], f[4])),
    "RMB": _one("off_track", lambda f: _off_track(f[1], f[2], "N")),
    "ZDA": _zda,
}

#: Values that a formatter promises, before it has been heard or while its data are not valid.
_PROMISED: Mapping[str, tuple[str, ...]] = {
    "RMC": ("position", "course-over-ground", "speed-over-ground"),
    "GGA": ("position",),
    "GNS": ("position",),
    "GLL": ("position",),
    "VTG": ("course-over-ground", "speed-over-ground"),
    "HDG": ("heading",),
    "HDM": ("heading",),
    "HDT": ("heading",),
    "THS": ("heading",),
    "VHW": ("speed-through-water",),
    "ROT": ("rate-of-turn",),
    "DPT": ("depth-below-transducer",),
    "DBT": ("depth-below-transducer",),
    "DBK": ("depth-below-keel",),
    "DBS": ("depth-water",),
    "MWV": ("apparent-wind-angle", "apparent-wind-speed"),
    "MWV R": ("apparent-wind-angle", "apparent-wind-speed"),
    "MWV T": ("true-wind-angle", "true-wind-speed"),
    "VWR": ("apparent-wind-angle", "apparent-wind-speed"),
    "VWT": ("true-wind-angle", "true-wind-speed"),
    "MWD": ("true-wind-direction", "true-wind-speed"),
    "MTW": ("sea-temperature",),
}


def promised(key: str, raw: str = "") -> tuple[str, ...]:
    """Return the keys of the values that a sentence promises, as far as people look for them.

    `key` is a formatter, or as for `decode`. `raw` is a sentence without valid data: the offset of
    a depth says below what it is measured.
    """
    fields = raw.partition("*")[0].split(",")
    if key == "DPT" and len(fields) > 2:
        return (_depth_key(_number(fields[2]) or 0.0),)
    return _PROMISED.get(key, ())


def decode(key: str, raw: str) -> Values:
    """Return the values of a sentence by their keys. Empty for a sentence that has none.

    `key` is the sentence's key in the feed's state: the formatter, and of MWV its reference, too.

    >>> decode("MTW", "$IIMTW,15.2,C*11")
    {'sea-temperature': Value(text=('15.2',), unit='°C')}
    """
    reader = READERS.get(key)
    body, star, _ = raw.partition("*")
    if reader is None or not star or not raw.isascii():
        return {}
    address, *fields = body[1:].split(",")
    if split_address(address.encode())[1] != key[:3] or _is_void(key[:3], fields):
        return {}
    return reader(fields + [""] * 16)


def _is_void(formatter: str, fields: list[str]) -> bool:
    """Report whether a sentence with these fields carries no valid data."""
    data = DATA.get(formatter, ())
    return not any(datum.is_valid(fields) for datum in data)
