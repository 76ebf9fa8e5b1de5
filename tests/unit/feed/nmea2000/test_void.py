# SPDX-License-Identifier: GPL-3.0-or-later
"""NMEA 2000 data that are 'not available' or an 'error' are silence, and no value."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.nmea0183.validity import is_void
from provision.onboard.feed.nmea2000 import motion, pgn, position
from tests.support.feed.can_groups import (
    COURSE,
    FIX,
    HEADING,
    WIND,
    decoded,
    parsed,
)


@pytest.mark.parametrize("satellites", [0xFD, 0xFE, 0xFF])
def test_satellites_without_a_number_are_an_empty_field(satellites: int) -> None:
    data = FIX[:33] + bytes([satellites]) + FIX[34:]
    gga, _ = position.fix(data)
    assert gga.split(",")[7] == ""
    if satellites == 0xFF:
        assert decoded(129029, data)["numberOfSvs"] is None
    none, _ = position.fix(FIX[:33] + b"\x00" + FIX[34:])
    assert none.split(",")[7] == "00"


@pytest.mark.parametrize("reference", [2, 3])
def test_a_direction_without_a_reference_is_not_sent(reference: int) -> None:
    heading = HEADING[:7] + bytes([0xFC | reference])
    assert motion.heading(heading) == []
    course = COURSE[:1] + bytes([0xFC | reference]) + COURSE[2:]
    (vtg,) = map(parsed, position.course(course))
    assert (vtg.true_track, vtg.mag_track) == (None, None)
    assert vtg.spd_over_grnd_kts is not None
    known = {decoded(127250, HEADING[:7] + bytes([0xFC | n]))["reference"] for n in (0, 1)}
    assert known == {"True", "Magnetic"}
    assert decoded(127250, heading)["reference"] not in known
    assert decoded(129026, course)["cogReference"] not in known


def at(latitude: float, longitude: float) -> list[bytes]:
    """A position and a fix at so many degrees."""
    rapid = struct.pack("<ii", round(latitude * 1e7), round(longitude * 1e7))
    exact = struct.pack("<qq", round(latitude * 10**16), round(longitude * 10**16))
    return [rapid, FIX[:7] + exact + FIX[23:]]


@pytest.mark.parametrize(
    ("latitude", "longitude"),
    [(90.0000001, 0), (-90.0000001, 0), (0, 180.0000001), (0, -180.0000001), (200, 200)],
)
def test_a_place_that_is_not_on_earth_is_none(latitude: float, longitude: float) -> None:
    rapid, fix = at(latitude, longitude)
    assert position.position(rapid) == []
    assert position.fix(fix) == []


@pytest.mark.parametrize(
    ("latitude", "longitude", "where"),
    [
        (90, 180, "9000.00000,N,18000.00000,E"),
        (-90, -180, "9000.00000,S,18000.00000,W"),
    ],
)
def test_the_poles_and_the_antimeridian_are_on_earth(
    latitude: float, longitude: float, where: str
) -> None:
    rapid, fix = at(latitude, longitude)
    assert where in position.position(rapid)[0]
    assert where in position.fix(fix)[0]


#: Steps of 0.1 milliradian: a turn is 62831.85 of them, which a device may round up.
TURN, OVER_A_TURN = 62832, 62833


def with_angle(steps: int) -> dict[int, bytes]:
    """Return each group with a direction, and that direction in it."""
    angle = struct.pack("<H", steps)
    return {
        127250: HEADING[:1] + angle + HEADING[3:],
        129026: COURSE[:2] + angle + COURSE[4:],
        130306: WIND[:3] + angle + WIND[5:],
    }


@pytest.mark.parametrize("steps", [OVER_A_TURN, 0xFFFC])
def test_a_direction_of_more_than_a_turn_is_none(steps: int) -> None:
    groups = with_angle(steps)
    assert motion.heading(groups[127250]) == []
    assert motion.wind(groups[130306]) == []
    (vtg,) = map(parsed, position.course(groups[129026]))
    assert (vtg.true_track, vtg.mag_track) == (None, None)


def test_a_direction_of_a_whole_turn_is_north() -> None:
    groups = with_angle(TURN)
    assert motion.heading(groups[127250])[0].startswith("HDG,0.0,")
    assert motion.wind(groups[130306])[0].startswith("MWV,0.0,")
    assert position.course(groups[129026])[0].startswith("VTG,0.0,T")


@pytest.mark.parametrize(
    ("steps", "said"), [(31415, "180.0,E"), (-31415, "180.0,W"), (31416, ","), (-31416, ",")]
)
def test_a_variation_of_more_than_half_a_turn_is_none(steps: int, said: str) -> None:
    for first, second in ((steps, 0), (0, steps)):
        data = struct.pack("<BHhhB", 1, 0, first, second, 0xFD)
        expected = f"{said},0.0,E" if first else f"0.0,E,{said}"
        assert motion.heading(data) == [f"HDG,0.0,{expected}"]


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (86399.99, "235959.99,25,11,2026"),
        (86399.9999, "000000.00,26,11,2026"),
        # A leap second is the last of its day.
        (86400, "235960.00,25,11,2026"),
        (86400.9999, "235960.99,25,11,2026"),
        (86401, None),
        (400000, None),
    ],
)
def test_a_time_of_day_after_its_end_is_none(seconds: float, said: str | None) -> None:
    data = FIX[:3] + struct.pack("<I", round(seconds * 10000)) + FIX[7:]
    assert position.fix(data)[1:] == ([] if said is None else [f"ZDA,{said},00,00"])


@given(st.sampled_from(sorted(pgn.GROUPS)), st.binary(min_size=75, max_size=223), st.data())
def test_any_octets_make_whole_sentences_or_none(
    group: int, data: bytes, drawn: st.DataObject
) -> None:
    mode = drawn.draw(st.sampled_from(position.MODES))
    size = len(data) if pgn.GROUPS[group].is_fast else 8
    for text in pgn.sentences(group, data[:size], mode):
        sentence = make(text, origin="x", heard=0)
        if text.startswith("!"):
            continue
        message = parsed(text[3:])
        if sentence.formatter in ("GLL", "GGA"):
            assert abs(message.latitude) <= 90 and abs(message.longitude) <= 180
        if sentence.formatter in ("GLL", "VTG") and mode in "NEMS":
            assert is_void(sentence)
