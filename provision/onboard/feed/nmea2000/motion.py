# SPDX-License-Identifier: GPL-3.0-or-later
"""Decode how the boat moves, and the depth and wind around it.

Layouts and resolutions are from memory, checked against a reference library in the tests.
"""

from __future__ import annotations

import math

from provision.onboard.feed.nmea2000.fields import (
    KMH,
    KNOT,
    MAGNETIC,
    TRUE,
    degrees,
    direction,
    east_or_west,
    number,
    signed,
    small_angle,
    unsigned,
    within,
)
from provision.onboard.feed.nmea2000.group import Group

#: The fastest rate of turn that is believed, in radians a second: a whole turn. No source: no
#: boat turns faster.
MAX_TURN = 2 * math.pi


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


def rate_of_turn(data: bytes) -> list[str]:
    """Convert 127251, rate of turn: in radians a second there, degrees a minute here.

    It is positive to starboard in both.
    """
    rate = within(signed(data, 1, 4, 1e-6 / 32), MAX_TURN)
    return [] if rate is None else [f"ROT,{math.degrees(rate) * 60:.1f},A"]


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


GROUPS = (
    Group(127250, heading, {"HDG": "heading", "HDT": "heading"}),
    Group(127251, rate_of_turn, {"ROT": "heading"}),
    Group(128259, speed, {"VHW": "speed"}),
    Group(128267, depth, {"DPT": "depth"}),
    Group(130306, wind, {"MWV": "wind", "MWD": "wind"}),
)
