# SPDX-License-Identifier: GPL-3.0-or-later
"""Compose frames of NMEA 2000 instruments for a CAN interface, from the boat's state.

Layouts and resolutions are from memory, checked against a reference library in the tests. Values
are little-endian integers in SI units. All bits set mean that there is no value.
"""

from __future__ import annotations

import math
import struct
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import cycle

from provision.bench.simulation import nmea2000_ais
from provision.bench.simulation.boat import KNOT, BoatState, Simulation
from provision.bench.simulation.sentences import SATELLITES, TRANSDUCER_DEPTH_M

#: Bits a second on the network (ISO 11783-2 / NMEA 2000).
BIT_RATE = 250_000

#: struct can_frame: identifier with flags, length, padding, data; and the flag of a 29-bit
#: identifier (linux/can.h).
CAN_FRAME = struct.Struct("=IB3x8s")
EXTENDED_FLAG = 0x80000000

#: Priority of all groups sent here (ISO 11783-3: 0 is the highest, 7 the lowest).
PRIORITY = 2

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _angle(degrees: float) -> int:
    return round(math.radians(degrees % 360) * 1e4)


def _speed(knots: float) -> int:
    return round(knots * KNOT * 100)


def _heading(state: BoatState) -> bytes:
    variation = round(math.radians(state.variation) * 1e4)
    return struct.pack("<BHhhB", 0, _angle(state.magnetic_heading), 0x7FFF, variation, 0xFD)


def _rate_of_turn(state: BoatState) -> bytes:
    rate = round(math.radians(state.rate_of_turn) * 32e6)
    return struct.pack("<Bi3x", 0, rate)


def _water_speed(state: BoatState) -> bytes:
    return struct.pack("<BHHBBB", 0, _speed(state.water_speed), 0xFFFF, 0, 0xFF, 0xFF)


def _depth(state: BoatState) -> bytes:
    below = round((state.depth - TRANSDUCER_DEPTH_M) * 100)
    return struct.pack("<BIhB", 0, below, round(TRANSDUCER_DEPTH_M * 1000), 10)


def _position(state: BoatState) -> bytes:
    return struct.pack("<ii", round(state.fix.latitude * 1e7), round(state.fix.longitude * 1e7))


def _motion(state: BoatState) -> bytes:
    return struct.pack("<BBHHH", 0, 0xFC, _angle(state.course), _speed(state.ground_speed), 0xFFFF)


def _fix(state: BoatState) -> bytes:
    days, rest = divmod((state.time - _EPOCH).total_seconds(), 86400)
    position = [round(value * 1e16) for value in (state.fix.latitude, state.fix.longitude)]
    height, geoid = 2_000_000, 4700  # 2 m, 47 m
    head = struct.pack("<BHIqqq", 0, int(days), round(rest * 1e4), *position, height)
    return head + struct.pack("<BBBhhiB", 0x10, 0xFC, len(SATELLITES), 90, 150, geoid, 0)


def _wind(state: BoatState) -> bytes:
    wind = state.apparent_wind
    return struct.pack("<BHHBBB", 0, _speed(wind.speed), _angle(wind.angle), 0xFA, 0xFF, 0xFF)


def _sea(state: BoatState) -> bytes:
    kelvin = round((state.water_temperature + 273.15) * 100)
    return struct.pack("<BBBHHB", 0, 0, 0, kelvin, 0xFFFF, 0xFF)


def _air(state: BoatState) -> bytes:
    """Pack air a degree warmer than the sea, at 1013 hPa."""
    kelvin = round((state.water_temperature + 274.15) * 100)
    return struct.pack("<BBHhH", 0, 0xC1, kelvin, 0x7FFF, 1013)


def _pressure(_: BoatState) -> bytes:
    return struct.pack("<BBBiB", 0, 0, 0, 1_013_000, 0xFF)


def _sea_extended(state: BoatState) -> bytes:
    kelvin = round((state.water_temperature + 273.15) * 1000)
    return bytes(3) + kelvin.to_bytes(3, "little") + b"\xff\xff"


#: For each parameter group, the function that makes its data, and the sending device's address.
GROUPS: dict[int, tuple[Callable[[BoatState], bytes], int]] = {
    127250: (_heading, 11),
    127251: (_rate_of_turn, 11),
    128259: (_water_speed, 22),
    128267: (_depth, 22),
    129025: (_position, 33),
    129026: (_motion, 33),
    129029: (_fix, 33),
    130306: (_wind, 44),
    130311: (_air, 44),
    130312: (_sea, 22),
    130314: (_pressure, 44),
    130316: (_sea_extended, 22),
}

#: The groups that carry each kind of data, by its name in a profile.
KINDS = {
    "position": (129025, 129026, 129029),
    "heading": (127250, 127251),
    "depth": (128267,),
    "wind": (130306,),
    "speed": (128259,),
    "time": (129029,),
    "temperature": (130312, 130316),
    "weather": (130311, 130314),
    "ais": nmea2000_ais.GROUPS,
}


class Backbone:
    """Compose the frames of all instruments on one network."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation
        self._packets: Counter[int] = Counter()
        self._targets = cycle(simulation.targets)

    def burst(self, kind: str, moment: datetime) -> list[bytes]:
        """Return the frames of one kind of data at a moment, joined."""
        return [b"".join(self.frames(kind, moment))]

    def frames(self, kind: str, moment: datetime) -> list[bytes]:
        """Return the frames of one kind of data: struct can_frame, sixteen bytes each."""
        if kind == "ais":
            ship = next(self._targets)
            reports = nmea2000_ais.reports(ship, self._simulation.target(ship, moment))
            device = nmea2000_ais.DEVICE
            return [f for group, data in reports for f in self._group(group, data, device)]
        state = self._simulation.at(moment)
        makers = [(group, *GROUPS[group]) for group in KINDS[kind]]
        return [
            f for group, make, source in makers for f in self._group(group, make(state), source)
        ]

    def _group(self, group: int, data: bytes, source: int) -> list[bytes]:
        identifier = EXTENDED_FLAG | PRIORITY << 26 | group << 8 | source
        pieces = [data] if len(data) <= 8 else self._fast_packet(group, data)
        return [CAN_FRAME.pack(identifier, len(piece), piece) for piece in pieces]

    def _fast_packet(self, group: int, data: bytes) -> list[bytes]:
        """Split data into frames: six bytes in the first, then seven, padded with ones."""
        sequence = self._packets[group] % 8 << 5
        self._packets[group] += 1
        pieces = [bytes([sequence, len(data)]) + data[:6]]
        pieces += [
            bytes([sequence | count]) + data[at : at + 7].ljust(7, b"\xff")
            for count, at in enumerate(range(6, len(data), 7), start=1)
        ]
        return pieces
