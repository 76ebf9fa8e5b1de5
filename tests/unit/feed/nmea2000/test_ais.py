# SPDX-License-Identifier: GPL-3.0-or-later
"""AIS from NMEA 2000: what reference libraries read in a group and in our sentences agrees."""

import math
import struct
from typing import Any

import pyais
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS, frame
from provision.onboard.feed.nmea2000 import pgn
from tests.support.feed.ais_groups import HEARD_B, SHIP, class_a, position, static
from tests.support.feed.can_groups import decoded

KNOT = 1852 / 3600


def class_b(info: int = HEARD_B, **other: int) -> bytes:
    return position(18, info, **other) + bytes([0x55, 0b10110101, 0xFF])


def read(group: int, data: bytes) -> Any:
    """Return what the reference library for AIS reads in the sentences that are made of a group."""
    said = [frame(text) for text in pgn.sentences(group, data)]
    assert all(len(line) <= MAX_SENTENCE_CHARS for line in said)
    return pyais.decode(*said)


@pytest.mark.parametrize(("group", "data"), [(129038, class_a()), (129039, class_b())])
def test_positions(group: int, data: bytes) -> None:
    theirs, ours = decoded(group, data), read(group, data)
    assert ours.mmsi == theirs["userId"] == SHIP
    assert ours.lat == pytest.approx(theirs["latitude"], abs=1e-6)
    assert ours.lon == pytest.approx(theirs["longitude"], abs=1e-6)
    assert ours.course == pytest.approx(math.degrees(theirs["cog"]), abs=0.05)
    assert ours.speed == pytest.approx(theirs["sog"] / KNOT, abs=0.05)
    assert ours.heading == pytest.approx(math.degrees(theirs["heading"]), abs=0.5)
    assert (ours.accuracy, ours.raim, ours.second) == (True, True, 37)
    assert int(ours.radio) & 0x7FFFF == 0x12345


def test_what_only_class_a_says() -> None:
    theirs, ours = decoded(129038, class_a(message=3)), read(129038, class_a(message=3))
    assert (ours.msg_type, theirs["messageId"]) == (3, "Interrogated Class A position report")
    assert (ours.status.value, theirs["navStatus"]) == (5, "Moored")
    assert theirs["specialManeuverIndicator"] == "Not engaged in special maneuver"
    assert ours.maneuver == 1
    turn = math.degrees(theirs["rateOfTurn"]) * 60
    # AIS sends 4.733 times the root of the degrees a minute, rounded.
    assert ours.turn == pytest.approx(turn, rel=0.06)


def test_what_only_class_b_says() -> None:
    theirs, ours = decoded(129039, class_b()), read(129039, class_b())
    assert (ours.reserved_1, ours.reserved_2) == (0x55, theirs["regionalApplicationB"])
    assert (ours.cs, theirs["unitType"]) == (True, "CS")
    assert (ours.display, theirs["integratedDisplay"]) == (False, "No")
    assert (ours.dsc, theirs["dsc"]) == (True, "Yes")
    assert (ours.band, theirs["band"]) == (True, "Entire marine band")
    assert (ours.msg22, theirs["canHandleMsg22"]) == (False, "No")
    assert (ours.assigned, theirs["aisMode"]) == (True, "Assigned")
    assert (ours.radio >> 19, theirs["aisCommunicationState"]) == (1, "ITDMA")


def test_static_data_in_two_sentences() -> None:
    theirs, ours = decoded(129794, static()), read(129794, static())
    assert len(pgn.sentences(129794, static())) == 2
    assert (ours.mmsi, ours.imo) == (theirs["userId"], theirs["imoNumber"])
    assert (ours.callsign, ours.shipname) == (theirs["callsign"], theirs["name"])
    assert ours.destination == theirs["destination"] == "OUTER ROADS"
    assert (ours.ship_type, theirs["typeOfShip"]) == (70, "Cargo ship")
    assert ours.to_bow + ours.to_stern == theirs["length"]
    assert ours.to_port + ours.to_starboard == theirs["beam"]
    assert ours.to_bow == theirs["positionReferenceFromBow"]
    assert ours.to_starboard == theirs["positionReferenceFromStarboard"]
    date, time = theirs["etaDate"], theirs["etaTime"]
    assert (ours.month, ours.day, ours.hour, ours.minute) == (
        date.month, date.day, time.hour, time.minute
    )  # fmt: skip
    assert ours.draught == pytest.approx(theirs["draft"], abs=0.05)
    assert (ours.epfd.value, theirs["gnssType"]) == (1, "GPS")
    assert (ours.ais_version, ours.dte) == (1, True)


def test_what_is_not_available_is_so_in_the_message() -> None:
    none = {"longitude": 0x7FFFFFFF, "course": 0xFFFF, "speed": 0xFFFF, "heading": 0xFFFF}
    ours = read(129038, class_a(turn=0x7FFF, second=60, **none))
    assert (ours.lon, ours.lat, ours.course, ours.speed) == (181, 91, 360, 102.3)
    assert (ours.heading, ours.turn.value, ours.second, ours.accuracy) == (511, -128, 60, False)
    ours = read(
        129794,
        static(imo=2**32 - 1, size=(0xFFFF,) * 4, days=0xFFFF, time=2**32 - 1, draught=0xFFFF),
    )
    assert (ours.imo, ours.to_bow, ours.to_stern, ours.to_port) == (0, 0, 0, 0)
    assert (ours.month, ours.day, ours.hour, ours.minute, ours.draught) == (0, 0, 24, 60, 0)


def test_a_size_without_the_antennas_place() -> None:
    ours = read(129794, static(size=(1200, 200, 0xFFFF, 0xFFFF)))
    assert (ours.to_bow, ours.to_stern, ours.to_port, ours.to_starboard) == (0, 120, 0, 20)


def test_what_is_out_of_range() -> None:
    ours = read(129039, class_b(latitude=900000001, course=62833, heading=62833, speed=65000))
    assert (ours.lon, ours.lat, ours.course, ours.heading) == (181, 91, 360, 511)
    assert ours.speed == 102.2
    assert read(129038, class_a(turn=0x7FF0)).turn == pytest.approx(708, abs=1)
    assert read(129038, class_a(course=62832, heading=62832)).heading == 0


@pytest.mark.parametrize("ship", [0, 1_000_000_000, 2**32 - 1])
def test_a_report_of_no_ship_is_silence(ship: int) -> None:
    assert pgn.sentences(129038, class_a(ship=ship)) == []


@pytest.mark.parametrize("message", [0, 4, 18, 63])
def test_a_report_that_is_not_the_groups_is_silence(message: int) -> None:
    assert pgn.sentences(129038, class_a(message=message)) == []


@pytest.mark.parametrize(
    ("info", "start"),
    [
        (0, "!AIVDM,1,1,,A,"),
        (1, "!AIVDM,1,1,,B,"),
        (2, "!AIVDO,1,1,,A,"),
        (3, "!AIVDO,1,1,,B,"),
        (4, "!AIVDO,1,1,,,"),
        (31, "!AIVDM,1,1,,,"),
    ],
)
def test_the_boats_own_report_is_no_other_ship(info: int, start: str) -> None:
    (said,) = pgn.sentences(129039, class_b(info))
    assert said.startswith(start)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        (b"Northern Hopper", "NORTHERN HOPPER"),
        (b"NORTH\0\xff\xff", "NORTH"),
        (b"\xff" * 20, ""),
        (b"NORD\xc6R {}", "NORD?R ??"),
        (b"", ""),
    ],
)
def test_names_are_of_the_characters_that_ais_has(written: bytes, said: str) -> None:
    assert read(129794, static(name=written)).shipname == said


@given(st.sampled_from([129038, 129039, 129794]), st.binary(min_size=75, max_size=90))
def test_any_data_make_a_message_that_can_be_read(group: int, data: bytes) -> None:
    number = {129038: 1, 129039: 18, 129794: 5}[group]
    data = bytes([data[0] & 0xC0 | number]) + struct.pack("<I", SHIP) + data[5:]
    assert read(group, data).mmsi == SHIP
