# SPDX-License-Identifier: GPL-3.0-or-later
"""NMEA 2000: what a reference library says a group means is what the sentences say."""

import math
import struct

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.sentence import frame, steers
from provision.onboard.feed.nmea2000 import motion, pgn, position
from provision.onboard.feed.nmea2000.fast_packet import (
    MAX_OPEN_PACKETS,
    FastPackets,
    split_identifier,
)
from tests.support.feed.can_groups import (
    COURSE,
    DEPTH,
    FIX,
    HEADING,
    POSITION,
    SPEED,
    TRUE_HEADING,
    WIND,
    decoded,
    fast,
    parsed,
)


def test_identifiers() -> None:
    assert split_identifier(0x09F80103) == (129025, 3)
    # A group below 240 has a destination in its place.
    assert split_identifier(0x18EAFF05) == (0xEA00, 5)


def test_heading() -> None:
    theirs = decoded(127250, HEADING)
    (ours,) = map(parsed, motion.heading(HEADING))
    assert float(ours.heading) == pytest.approx(math.degrees(theirs["heading"]), abs=0.05)
    variation = math.degrees(theirs["variation"])
    assert float(ours.variation) == pytest.approx(abs(variation), abs=0.05)
    assert ours.var_dir == ("W" if variation < 0 else "E")
    assert ours.deviation is None
    (true,) = map(parsed, motion.heading(TRUE_HEADING))
    assert true.sentence_type == "HDT"


def test_speed_depth_course_and_wind() -> None:
    theirs = decoded(128259, SPEED)
    (vhw,) = map(parsed, motion.speed(SPEED))
    # A knot is 1852 m an hour.
    water = float(theirs["speedWaterReferenced"])
    assert float(vhw.water_speed_knots) == pytest.approx(water * 3600 / 1852, abs=0.01)
    theirs = decoded(128267, DEPTH)
    (dpt,) = map(parsed, motion.depth(DEPTH))
    assert float(dpt.depth) == pytest.approx(theirs["depth"], abs=0.005)
    assert float(dpt.offset) == pytest.approx(theirs["offset"], abs=0.005)
    theirs = decoded(129026, COURSE)
    (vtg,) = map(parsed, position.course(COURSE))
    assert float(vtg.true_track) == pytest.approx(math.degrees(theirs["cog"]), abs=0.05)
    assert float(vtg.spd_over_grnd_kts) == pytest.approx(theirs["sog"] * 3600 / 1852, abs=0.01)
    theirs = decoded(130306, WIND)
    (mwv,) = map(parsed, motion.wind(WIND))
    assert float(mwv.wind_angle) == pytest.approx(math.degrees(theirs["windAngle"]), abs=0.05)
    assert float(mwv.wind_speed) == pytest.approx(theirs["windSpeed"] * 3600 / 1852, abs=0.01)
    assert (mwv.reference, mwv.wind_speed_units, mwv.status) == ("R", "N", "A")


def test_position_and_fix() -> None:
    theirs = decoded(129025, POSITION)
    (gll,) = map(parsed, position.position(POSITION))
    assert gll.latitude == pytest.approx(theirs["latitude"], abs=2e-7)
    assert gll.longitude == pytest.approx(theirs["longitude"], abs=2e-7)
    theirs = decoded(129029, FIX)
    gga, zda = map(parsed, position.fix(FIX))
    assert gga.latitude == pytest.approx(theirs["latitude"], abs=2e-7)
    assert gga.longitude == pytest.approx(theirs["longitude"], abs=2e-7)
    assert int(gga.num_sats) == theirs["numberOfSvs"]
    assert float(gga.horizontal_dil) == pytest.approx(theirs["hdop"], abs=0.005)
    assert float(gga.altitude) == pytest.approx(theirs["altitude"], abs=0.05)
    assert float(gga.geo_sep) == pytest.approx(theirs["geoidalSeparation"], abs=0.05)
    assert (zda.datestamp.isoformat(), zda.timestamp.isoformat()[:11]) == (
        "2026-11-25", "14:24:51.25"
    )  # fmt: skip


@pytest.mark.parametrize(
    ("group", "data"),
    [
        (127250, struct.pack("<BHhhB", 1, 0xFFFF, 0, 0, 0xFC)),
        (128259, struct.pack("<BHHBB", 1, 0xFFFF, 0, 0, 0xFF)),
        (128267, struct.pack("<BIhB", 1, 0xFFFFFFFF, 0, 0)),
        (129025, struct.pack("<ii", 0x7FFFFFFF, 0)),
        (129026, struct.pack("<BBHHH", 1, 0xFC, 0, 0xFFFF, 0xFFFF)),
        (130306, struct.pack("<BHHB2x", 1, 0xFFFF, 0, 0xFA)),
        (130306, struct.pack("<BHHB2x", 1, 100, 100, 0xFF)),
        (129029, FIX[:31] + b"\x03" + FIX[32:]),
        (129029, b"\xff" * 43),
    ],
)
def test_what_is_not_available_makes_no_sentence(group: int, data: bytes) -> None:
    assert pgn.GROUPS[group].decode(data) == []


@given(st.sampled_from(sorted(pgn.GROUPS)), st.binary(min_size=75, max_size=85))
def test_any_data_make_whole_sentences_or_none(group: int, data: bytes) -> None:
    data = data if pgn.GROUPS[group].is_fast else data[:8]
    for text in pgn.sentences(group, data):
        sentence = frame(text)
        assert len(sentence) <= 100
        assert text[3:6] in pgn.GROUPS[group].makes
        if text.startswith("$"):
            pynmea2.parse(sentence.decode(), check=True)


@given(st.binary(min_size=9, max_size=223), st.integers(0, 7))
def test_fast_packets_are_put_together(data: bytes, sequence: int) -> None:
    packets = FastPackets()
    *early, last = fast(data, sequence)
    assert all(packets.take(129029, 3, piece) is None for piece in early)
    assert packets.take(129029, 3, last) == data
    assert packets.dropped == 0


def test_fast_packets_with_a_gap_are_dropped_and_others_not() -> None:
    packets = FastPackets()
    frames, others = fast(FIX, 1), fast(FIX[::-1], 2)
    whole = None
    for number, (piece, other) in enumerate(zip(frames, others, strict=True)):
        if number != 3:
            assert packets.take(129029, 3, piece) is None
        whole = packets.take(129029, 3, other)
    assert whole == FIX[::-1]
    assert packets.dropped == 1


def test_noise_on_the_network_eats_no_memory() -> None:
    packets = FastPackets()
    for number in range(2000):
        packets.take(129029, number % 250, bytes([(number % 8) << 5, 43]) + b"x" * 6)
    assert len(packets._open) <= MAX_OPEN_PACKETS


def test_nobody_on_an_nmea_2000_network_steers() -> None:
    assert not any(steers(pgn.TALKER, formatter) for formatter in pgn.FORMATTERS)
