# SPDX-License-Identifier: GPL-3.0-or-later
"""Decode temperatures of sea and air, and the air's pressure.

Layouts, resolutions and sources are from memory, checked against a reference library in the
tests. Other temperatures (of a cabin, an engine, a freezer) make no sentence.
"""

from __future__ import annotations

from provision.onboard.feed.nmea2000.fields import number, signed, unsigned
from provision.onboard.feed.nmea2000.group import Group

#: Degrees Celsius of zero kelvin (BIPM, SI brochure).
ZERO_KELVIN = -273.15

#: Sources of a temperature, and of a pressure.
SEA, OUTSIDE = 0, 1
ATMOSPHERE = 0

#: Degrees Celsius, and pascals, that are believed. No source: somewhat beyond what is ever
#: measured on the water, mountain lakes included.
SEA_RANGE, AIR_RANGE, PRESSURE_RANGE = (-5, 50), (-60, 70), (50_000, 110_000)


def between(value: float | None, bounds: tuple[float, float]) -> float | None:
    """Return a value that lies within `bounds`, else None."""
    return value if value is not None and bounds[0] <= value <= bounds[1] else None


def _temperature(source: int, kelvin: float | None) -> list[str]:
    """Write MTW for the sea. Write XDR for the air, which has no sentence of its own."""
    celsius = None if kelvin is None else round(kelvin + ZERO_KELVIN, 1)
    if source == SEA and between(celsius, SEA_RANGE) is not None:
        return [f"MTW,{number(celsius)},C"]
    if source == OUTSIDE and between(celsius, AIR_RANGE) is not None:
        return [f"XDR,C,{number(celsius)},C,AIR"]
    return []


def _pressure(pascals: float | None) -> list[str]:
    """Write XDR for the air's pressure."""
    pressure = between(pascals, PRESSURE_RANGE)
    return [] if pressure is None else [f"XDR,P,{number(pressure, 0)},P,AIR"]


def environment(data: bytes) -> list[str]:
    """Convert 130311: a temperature, and the air's pressure. Its humidity is not sent on."""
    sentences = _temperature(data[1] & 0x3F, unsigned(data, 2, 2, 0.01))
    return sentences + _pressure(unsigned(data, 6, 2, 100))


def temperature(data: bytes) -> list[str]:
    """Convert 130312, temperature. Its set temperature is not sent on."""
    return _temperature(data[2], unsigned(data, 3, 2, 0.01))


def actual_pressure(data: bytes) -> list[str]:
    """Convert 130314, actual pressure."""
    return _pressure(signed(data, 3, 4, 0.1)) if data[2] == ATMOSPHERE else []


def extended_temperature(data: bytes) -> list[str]:
    """Convert 130316, temperature of extended range. Its set temperature is not sent on."""
    return _temperature(data[2], unsigned(data, 3, 3, 0.001))


_MAKES = {"MTW": "temperature", "XDR": "weather"}

GROUPS = (
    Group(130311, environment, _MAKES, shared=True),
    Group(130312, temperature, _MAKES, shared=True),
    Group(130314, actual_pressure, {"XDR": "weather"}, shared=True),
    Group(130316, extended_temperature, _MAKES, shared=True),
)
