# SPDX-License-Identifier: GPL-3.0-or-later
"""NMEA 2000: rate of turn, temperatures and pressure, as a reference library reads them."""

import math
import struct

import pytest

from provision.onboard.feed.nmea2000 import environment, motion
from tests.support.feed.can_groups import decoded, parsed
from tests.support.feed.weather_groups import CABIN, OUTSIDE, SEA, surroundings, temperature


def turning(steps: int) -> bytes:
    """127251 with this many steps of 1/32 microradian a second."""
    return struct.pack("<Bi3x", 1, steps)


@pytest.mark.parametrize("steps", [0, 1_000_000, -1_000_000, 3_000_000])
def test_rate_of_turn(steps: int) -> None:
    (ours,) = map(parsed, motion.rate_of_turn(turning(steps)))
    theirs = decoded(127251, turning(steps))["rate"]
    assert float(ours.rate_of_turn) == pytest.approx(math.degrees(theirs) * 60, abs=0.05)
    assert ours.status == "A"


@pytest.mark.parametrize("steps", [0x7FFFFFFF, 0x7FFFFFFE, 0x7FFFFFFD, 0x7FFFFFFC, -0x80000000])
def test_a_rate_of_turn_without_a_value_or_of_more_than_a_turn_a_second_is_none(steps: int) -> None:
    assert motion.rate_of_turn(turning(steps)) == []


def test_the_temperature_of_the_sea() -> None:
    theirs = decoded(130312, temperature(SEA, 28815))
    (mtw,) = map(parsed, environment.temperature(temperature(SEA, 28815)))
    assert theirs["source"] == "Sea Temperature"
    assert float(mtw.temperature) == pytest.approx(theirs["actualTemperature"] - 273.15, abs=0.05)
    assert environment.environment(surroundings(SEA, 28815, 0xFFFF)) == ["MTW,15.0,C"]


def test_the_temperature_of_the_air_and_its_pressure() -> None:
    data = surroundings(OUTSIDE, 29165, 1013)
    theirs = decoded(130311, data)
    assert theirs["temperatureSource"] == "Outside Temperature"
    warm, pressure = map(parsed, environment.environment(data))
    celsius = pytest.approx(theirs["temperature"] - 273.15, abs=0.05)
    assert (warm.type, warm.units, warm.id) == ("C", "C", "AIR")
    assert float(warm.value) == celsius
    assert (pressure.type, pressure.units, pressure.id) == ("P", "P", "AIR")
    assert float(pressure.value) == theirs["atmosphericPressure"]


def test_what_only_says_a_pressure_or_a_temperature() -> None:
    data = struct.pack("<BBBiB", 1, 0, 0, 1_013_250, 0xFF)
    theirs = decoded(130314, data)
    assert (theirs["source"], theirs["pressure"]) == ("Atmospheric", 101325)
    assert environment.actual_pressure(data) == ["XDR,P,101325,P,AIR"]
    # The pressure of water in a pipe.
    assert environment.actual_pressure(data[:2] + b"\1" + data[3:]) == []
    data = bytes([1, 0, SEA]) + (288150).to_bytes(3, "little") + b"\xff\xff"
    theirs = decoded(130316, data)
    assert theirs["temperature"] == pytest.approx(288.15)
    assert environment.extended_temperature(data) == ["MTW,15.0,C"]
    for none in (0xFFFFFD, 0xFFFFFE, 0xFFFFFF):
        data = bytes([1, 0, SEA]) + none.to_bytes(3, "little") + b"\xff\xff"
        assert environment.extended_temperature(data) == []
    for none in (0x7FFFFFFD, 0x7FFFFFFE, 0x7FFFFFFF):
        assert environment.actual_pressure(struct.pack("<BBBiB", 1, 0, 0, none, 0xFF)) == []


@pytest.mark.parametrize("raw", [0xFFFF, 0xFFFE, 0xFFFD, 0xFFFC, 0, 26700, 32500, 36000])
def test_a_temperature_that_is_not_available_or_not_of_this_earth_is_none(raw: int) -> None:
    # 26700 is -6 degrees Celsius, 32500 is 52.
    assert environment.temperature(temperature(SEA, raw)) == []
    assert environment.environment(surroundings(SEA, raw, 0xFFFF)) == []


@pytest.mark.parametrize("pressure", [0, 499, 1101, 0xFFFC, 0xFFFD, 0xFFFE, 0xFFFF])
def test_a_pressure_out_of_range_is_none(pressure: int) -> None:
    assert environment.environment(surroundings(OUTSIDE, 0xFFFF, pressure)) == []


def test_the_temperature_of_a_cabin_is_not_the_seas() -> None:
    assert environment.temperature(temperature(CABIN, 29315)) == []
    assert environment.environment(surroundings(CABIN, 29315, 0xFFFF)) == []
