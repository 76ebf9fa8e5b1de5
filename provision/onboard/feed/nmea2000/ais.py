# SPDX-License-Identifier: GPL-3.0-or-later
"""Decode reports of ships by AIS, and write them as the AIS messages that they came from.

Layouts and resolutions are from memory, checked against reference libraries in the tests. A
value that is not available or out of range becomes the message's own 'not available'.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

from provision.onboard.feed.nmea2000.ais_payload import (
    NO_COURSE,
    NO_HEADING,
    NO_LATITUDE,
    NO_LONGITUDE,
    NO_SPEED,
    NO_TURN,
    Bits,
    sentences,
    text,
)
from provision.onboard.feed.nmea2000.fields import (
    DAY_S,
    KNOT,
    direction,
    signed,
    unsigned,
    within,
)
from provision.onboard.feed.nmea2000.group import Group

#: The channel by what the transponder says of a message: received on A or B, sent on A or B, or
#: neither. The last three are of the boat's own transponder.
CHANNELS = "ABAB"
OWN = frozenset({2, 3, 4})

#: Messages that each group stands for (ITU-R M.1371).
CLASS_A, CLASS_B, STATIC = frozenset({1, 2, 3}), frozenset({18}), frozenset({5})


def _scaled(value: float | None, scale: float, most: int, none: int) -> int:
    """Return a value in a message's unit, at most `most`. `none` if there is no value."""
    return none if value is None or value < 0 else min(round(value * scale), most)


def _message(data: bytes, info: int, known: frozenset[int], fields: list[Bits]) -> list[str]:
    """Put `fields` behind a message's number, repeat indicator and ship, and make sentences.

    `info` is the transponder's remark. A message of another number, or of no ship, makes none.
    """
    number, repeat = data[0] & 0x3F, data[0] >> 6
    ship = int.from_bytes(data[1:5], "little")
    if number not in known or not 0 < ship <= 999_999_999:
        return []
    formatter = "VDO" if info in OWN else "VDM"
    channel = CHANNELS[info] if info < len(CHANNELS) else ""
    # The parts of a message stay together: the ship tells messages apart well enough.
    return sentences(formatter, channel, ship % 10, [(number, 6), (repeat, 2), (ship, 30), *fields])


def _place(data: bytes) -> list[Bits]:
    """Pack accuracy, longitude and latitude, which both position reports have in this order."""
    longitude = within(signed(data, 5, 4, 1e-7), 180)
    latitude = within(signed(data, 9, 4, 1e-7), 90)
    if longitude is None or latitude is None:
        return [(0, 1), (NO_LONGITUDE, 28), (NO_LATITUDE, 27)]
    return [
        (data[13] & 1, 1),
        (round(longitude * 600_000), 28),
        (round(latitude * 600_000), 27),
    ]


def _speed(data: bytes) -> Bits:
    return _scaled(unsigned(data, 16, 2, 0.01), 10 / KNOT, 1022, NO_SPEED), 10


def _angle(data: bytes, at: int, steps: int, none: int) -> int:
    """Read a direction as one of `steps` a degree. Return `none` without a value."""
    angle = direction(data, at)
    if angle is None:
        return none
    return round(math.degrees(angle) * steps) % (360 * steps)


def _motion(data: bytes) -> list[Bits]:
    """Pack course, heading and the second of the fix, in this order."""
    course, heading = _angle(data, 14, 10, NO_COURSE), _angle(data, 21, 1, NO_HEADING)
    return [(course, 12), (heading, 9), (data[13] >> 2, 6)]


def _turn(data: bytes) -> int:
    """Return 4.733 times the root of the degrees a minute, as AIS sends a rate of turn."""
    rate = signed(data, 23, 2, 1e-3 / 32)
    if rate is None:
        return NO_TURN
    size = min(round(4.733 * math.sqrt(abs(math.degrees(rate)) * 60)), 126)
    return -size if rate < 0 else size


def class_a(data: bytes) -> list[str]:
    """Convert 129038, position of a class A ship, to messages 1 to 3."""
    state = int.from_bytes(data[18:21], "little")
    fields = [(data[25] & 15, 4), (_turn(data), 8), _speed(data), *_place(data), *_motion(data)]
    end = [(data[25] >> 4 & 3, 2), (0, 3), (data[13] >> 1 & 1, 1), (state & 0x7FFFF, 19)]
    return _message(data, state >> 19, CLASS_A, [*fields, *end])


def class_b(data: bytes) -> list[str]:
    """Convert 129039, position of a class B ship, to message 18."""
    state, flags = int.from_bytes(data[18:21], "little"), data[24]
    end = [
        (flags & 3, 2),
        # Unit, display, DSC, band, message 22 and mode: a bit each, in this order.
        *((flags >> bit & 1, 1) for bit in range(2, 8)),
        (data[13] >> 1 & 1, 1),
        (data[25] & 1, 1),
        (state & 0x7FFFF, 19),
    ]
    fields = [(data[23], 8), _speed(data), *_place(data), *_motion(data), *end]
    return _message(data, state >> 19, CLASS_B, fields)


def _sides(data: bytes, size_at: int, near_at: int, near_is_first: bool, width: int) -> list[Bits]:
    """Pack the two distances from the antenna to a ship's ends. All is 0 if not available.

    With a size but no antenna's position, the first is 0 and the second the size.
    """
    most = (1 << width) - 1
    size, near = unsigned(data, size_at, 2, 0.1), unsigned(data, near_at, 2, 0.1)
    if size is None:
        return [(0, width), (0, width)]
    if near is None or near > size:
        return [(0, width), (min(round(size), most), width)]
    ends = near, size - near
    first, second = ends if near_is_first else ends[::-1]
    return [(min(round(first), most), width), (min(round(second), most), width)]


def _arrival(data: bytes) -> list[Bits]:
    """Pack month, day, hour and minute of the expected arrival."""
    days, seconds = unsigned(data, 45, 2, 1), unsigned(data, 47, 4, 1e-4)
    date = None if days is None else datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=days)
    month, day = (0, 0) if date is None else (date.month, date.day)
    minutes = None if seconds is None or seconds >= DAY_S else int(seconds // 60)
    hour, minute = (24, 60) if minutes is None else divmod(minutes, 60)
    return [(month, 4), (day, 5), (hour, 5), (minute, 6)]


def static(data: bytes) -> list[str]:
    """Convert 129794, static and voyage data of a class A ship, to message 5."""
    imo, kind = unsigned(data, 5, 4, 1), unsigned(data, 36, 1, 1)
    draught = unsigned(data, 51, 2, 0.01)
    fields = [
        (data[73] & 3, 2),
        (_scaled(imo, 1, (1 << 30) - 1, 0), 30),
        text(data[9:16], 7),
        text(data[16:36], 20),
        (_scaled(kind, 1, 255, 0), 8),
        *_sides(data, 37, 43, True, 9),
        *_sides(data, 39, 41, False, 6),
        (data[73] >> 2 & 15, 4),
        *_arrival(data),
        (_scaled(draught, 10, 255, 0), 8),
        text(data[53:73], 20),
        (data[73] >> 6 & 1, 1),
        (0, 1),
    ]
    return _message(data, data[74] & 31, STATIC, fields)


_MAKES = {"VDM": "ais", "VDO": "ais"}

GROUPS = (
    Group(129038, class_a, _MAKES, min_bytes=26),
    Group(129039, class_b, _MAKES, min_bytes=26),
    Group(129794, static, _MAKES, min_bytes=75),
)
