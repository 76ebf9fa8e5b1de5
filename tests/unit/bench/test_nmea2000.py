# SPDX-License-Identifier: GPL-3.0-or-later
"""The frames of the simulated NMEA 2000 instruments: what a reference library reads in them."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import get_args

import pytest

from provision.bench.simulation import nmea2000_ais
from provision.bench.simulation.boat import KNOT, Simulation
from provision.bench.simulation.nmea2000 import CAN_FRAME, GROUPS, KINDS, Backbone
from provision.onboard.feed.nmea2000 import pgn
from provision.profile.schema.types import DataKind
from tests.support.nmea2000_frames import decoded

MOMENT = datetime(2031, 3, 4, 5, 6, 7, 250_000, tzinfo=UTC)
VOYAGE = Simulation(seed=1)


def degrees(radians):
    return pytest.approx(math.degrees(radians), abs=0.01)


def test_all_kinds_agree_with_the_simulated_boat():
    backbone, state = Backbone(VOYAGE), VOYAGE.at(MOMENT)
    kinds = KINDS.keys() - {"ais"}
    found = decoded([frame for kind in kinds for frame in backbone.frames(kind, MOMENT)])
    assert found.keys() == GROUPS.keys()
    assert state.rate_of_turn == degrees(found[127251]["rate"])
    assert found[130312]["source"] == "Sea Temperature"
    sea = pytest.approx(state.water_temperature + 273.15, abs=0.01)
    assert found[130312]["actualTemperature"] == sea
    assert found[130316]["source"] == "Sea Temperature"
    assert found[130316]["temperature"] == sea
    assert (found[130314]["source"], found[130314]["pressure"]) == ("Atmospheric", 101300)
    assert found[130311]["temperatureSource"] == "Outside Temperature"
    assert found[130311]["atmosphericPressure"] == 101300
    assert state.magnetic_heading == degrees(found[127250]["heading"])
    assert state.variation == degrees(found[127250]["variation"])
    assert found[127250]["reference"] == "Magnetic"
    assert found[128259]["speedWaterReferenced"] == pytest.approx(
        state.water_speed * KNOT, abs=0.01
    )
    depth = found[128267]
    assert depth["depth"] + depth["offset"] == pytest.approx(state.depth, abs=0.01)
    for group, close in ((129025, 1e-7), (129029, 1e-9)):
        assert found[group]["latitude"] == pytest.approx(state.fix.latitude, abs=close)
        assert found[group]["longitude"] == pytest.approx(state.fix.longitude, abs=close)
    assert state.course == degrees(found[129026]["cog"])
    assert found[129026]["sog"] == pytest.approx(state.ground_speed * KNOT, abs=0.01)
    assert found[129026]["cogReference"] == "True"
    assert found[129029]["date"] == MOMENT.date()
    assert str(found[129029]["time"]) == "05:06:07"  # the library leaves out parts of a second
    wind = found[130306]
    assert state.apparent_wind.angle == degrees(wind["windAngle"])
    assert wind["windSpeed"] == pytest.approx(state.apparent_wind.speed * KNOT, abs=0.01)
    assert wind["reference"] == "Apparent"


def test_ships_agree_with_the_simulated_ones():
    backbone = Backbone(VOYAGE)
    for ship in VOYAGE.targets:
        found = decoded(backbone.frames("ais", MOMENT))
        fix = VOYAGE.target(ship, MOMENT)
        position = found[129038 if ship.class_a else 129039]
        assert position["userId"] == ship.mmsi
        assert position["latitude"] == pytest.approx(fix.latitude, abs=1e-7)
        assert position["longitude"] == pytest.approx(fix.longitude, abs=1e-7)
        assert fix.course == degrees(position["cog"])
        assert position["sog"] == pytest.approx(fix.ground_speed * KNOT, abs=0.01)
        if ship.class_a:
            static = found[129794]
            assert (static["name"], static["callsign"]) == (ship.name, ship.call_sign)
            assert (static["length"], static["beam"]) == (ship.length, ship.beam)


def test_each_fix_is_a_fast_packet_of_its_own():
    backbone = Backbone(VOYAGE)
    frames = [
        CAN_FRAME.unpack(frame)[2] for _ in range(9) for frame in backbone.frames("time", MOMENT)
    ]
    assert [frame[0] & 0x1F for frame in frames] == list(range(7)) * 9
    assert [frame[0] >> 5 for frame in frames[::7]] == [0, 1, 2, 3, 4, 5, 6, 7, 0]


def test_all_that_the_boat_understands_is_sent():
    assert {*GROUPS, *nmea2000_ais.GROUPS} == set(pgn.GROUPS)
    assert set(KINDS) == set(get_args(DataKind))
