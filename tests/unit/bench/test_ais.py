# SPDX-License-Identifier: GPL-3.0-or-later
"""AIS messages, read back with pyais and pynmea2 (reference libraries on PyPI)."""

from __future__ import annotations

from datetime import UTC, datetime

import pyais
import pytest

from provision.bench.simulation.ais import Transponder
from provision.bench.simulation.boat import Simulation
from provision.bench.simulation.sentences import checksum
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS

MOMENT = datetime(2030, 6, 1, 12, 0, 7, tzinfo=UTC)


@pytest.fixture
def simulation():
    return Simulation(4, "dunlin")


@pytest.fixture
def transponder(simulation):
    return Transponder(simulation)


def test_sentences_are_whole_and_valid(transponder):
    for _ in range(60):
        for line in [*transponder.heard(MOMENT), *transponder.own(MOMENT)]:
            assert len(line) <= MAX_SENTENCE_CHARS
            body, digits = line.decode("ascii").removesuffix("\r\n").split("*")
            assert checksum(body[1:]) == digits


def test_positions_are_where_the_ships_are(simulation, transponder):
    ships = {ship.mmsi: ship for ship in simulation.targets}
    reports = [pyais.decode(*transponder.heard(MOMENT)) for _ in range(60)]
    positions = [report for report in reports if report.msg_type in (1, 18)]
    assert {report.mmsi for report in positions} == set(ships)
    for report in positions:
        ship = ships[report.mmsi]
        fix = simulation.target(ship, MOMENT)
        assert report.msg_type == (1 if ship.class_a else 18)
        assert report.lat == pytest.approx(fix.latitude, abs=2e-6)
        assert report.lon == pytest.approx(fix.longitude, abs=2e-6)
        assert report.speed == pytest.approx(fix.ground_speed, abs=0.051)
        assert report.course == pytest.approx(fix.course, abs=0.051)
        assert report.second == 7


def test_every_ship_sends_its_name_and_size(simulation, transponder):
    names, sizes = {}, {}
    for _ in range(60):
        report = pyais.decode(*transponder.heard(MOMENT))
        if hasattr(report, "shipname"):
            names[report.mmsi] = report.shipname
        if hasattr(report, "to_bow"):
            size = (report.to_bow + report.to_stern, report.to_port + report.to_starboard)
            sizes[report.mmsi] = size
    assert names == {ship.mmsi: ship.name for ship in simulation.targets}
    assert sizes == {ship.mmsi: (ship.length, ship.beam) for ship in simulation.targets}


def test_the_own_boat_is_where_its_gnss_says(simulation, transponder):
    state = simulation.at(MOMENT)
    lines = [transponder.own(MOMENT) for _ in range(10)]
    assert all(line.startswith(b"!AIVDO,") for message in lines for line in message)
    reports = [pyais.decode(*message) for message in lines]
    assert {report.mmsi for report in reports} == {simulation.own.mmsi}
    position = next(report for report in reports if report.msg_type == 18)
    assert position.lat == pytest.approx(state.fix.latitude, abs=2e-6)
    assert position.lon == pytest.approx(state.fix.longitude, abs=2e-6)
    assert position.heading == round(state.heading) % 360
    name = next(report for report in reports if hasattr(report, "shipname"))
    assert name.shipname == "DUNLIN"


def test_a_long_message_comes_in_fragments_of_one_sequence(transponder):
    message = next(
        lines for lines in (transponder.heard(MOMENT) for _ in range(60)) if len(lines) > 1
    )
    fields = [line.decode().split(",") for line in message]
    assert [field[1:3] for field in fields] == [["2", "1"], ["2", "2"]]
    assert fields[0][3] == fields[1][3] != ""
    assert pyais.decode(*message).msg_type == 5
