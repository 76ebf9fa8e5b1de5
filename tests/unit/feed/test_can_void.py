# SPDX-License-Identifier: GPL-3.0-or-later
"""NMEA 2000 data that are 'not available' or an 'error' are silence, and no value."""

import asyncio
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.nmea0183.validity import is_void
from provision.onboard.feed.nmea2000 import motion, pgn, position
from provision.onboard.feed.sources import can
from provision.onboard.feed.sources.can import CanSource
from tests.support.can_groups import (
    COURSE,
    DEPTH,
    FIX,
    HEADING,
    POSITION,
    TRUE_HEADING,
    WIND,
    Say,
    decoded,
    parsed,
    play,
)
from tests.support.feed_rig import Bench, Tablet, until

#: All ones, all ones minus one, and the reserved value below: latitude's field.
NO_LATITUDES = [0x7FFFFFFF, 0x7FFFFFFE, 0x7FFFFFFD]

#: A position by dead reckoning: the quality of the fix is 6, estimated.
RECKONED = FIX[:31] + b"\x63" + FIX[32:]


@pytest.mark.parametrize("latitude", NO_LATITUDES)
def test_a_device_without_data_silences_no_other(bench: Bench, latitude: int) -> None:
    async def story(say: Say, tablet: Tablet) -> None:
        await say(129025, struct.pack("<ii", latitude, 0), 1)
        await say(129025, POSITION, 2)
        await until(lambda: b"GLL" in tablet.look())

    play(bench, {"GLL": 50}, story)


def test_a_device_that_has_no_data_any_more_is_followed_by_another(bench: Bench) -> None:
    lost = struct.pack("<BHhhB", 1, 0xFFFF, 32767, 32767, 0xFD)
    other = struct.pack("<BHhhB", 1, 1745, 32767, 32767, 0xFD)
    bench.settings["prefer"] = {"order": {}, "silence": 1.5, "steady": 3.0}

    async def story(say: Say, tablet: Tablet) -> None:
        await say(127250, HEADING, 1)
        # Within the silence the second device is not believed.
        await say(127250, other, 2)
        await until(lambda: b"HDG,101.1" in tablet.look())
        for _ in range(16):
            await asyncio.sleep(0.1)
            await say(127250, lost, 1)
        await say(127250, other, 2)
        await until(lambda: b"HDG,10.0" in tablet.look())
        # The first one's data are back: it is believed when the second one falls silent.
        await say(127250, HEADING, 1)
        await say(128267, DEPTH, 1)
        await until(lambda: b"DPT" in tablet.look())
        lines = [line[:12] for line in tablet.seen.split()]
        assert lines == [b"$IIHDG,101.1", b"$IIHDG,10.0,", b"$IIDPT,5.23,"]

    play(bench, {"HDG": 1000, "DPT": 1}, story)


def test_an_estimated_position_silences_no_fix(bench: Bench) -> None:
    async def story(say: Say, tablet: Tablet) -> None:
        await say(129029, RECKONED, 1)
        await say(129029, FIX, 2)
        await until(lambda: tablet.look().count(b"GGA") == 2)
        await say(129029, RECKONED, 1)
        await say(128267, DEPTH, 1)
        await until(lambda: b"DPT" in tablet.look())
        qualities = [line.split(b",")[6] for line in tablet.seen.split() if b"GGA" in line]
        assert qualities == [b"6", b"1"]

    play(bench, {"GGA": 1000, "ZDA": 1000, "DPT": 1}, story)


def test_a_device_that_says_what_is_not_asked_for_silences_no_other(bench: Bench) -> None:
    async def story(say: Say, tablet: Tablet) -> None:
        await say(127250, TRUE_HEADING, 1)
        await say(127250, HEADING, 2)
        await until(lambda: b"HDG" in tablet.look())

    play(bench, {"HDG": 1}, story)


def test_the_silence_of_the_profile_holds_for_the_devices_of_a_network(bench: Bench) -> None:
    bench.settings["links"]["backbone"] = {"can": "none0"}
    bench.settings["prefer"] = {"order": {}, "silence": 12.0, "steady": 30.0}

    async def look(feed: Feed) -> None:
        assert [link._silence for link in feed.cans if isinstance(link, CanSource)] == [12.0]
        assert can.DEVICE_SILENCE_S != 12.0

    bench.run(look)


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
    """Each group with a direction, and that direction in it."""
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


@pytest.mark.parametrize(
    ("quality", "mode"), [(0, "N"), (6, "E"), (7, "M"), (8, "S"), (1, "A"), (2, "D"), (5, "F")]
)
def test_a_position_is_as_good_as_the_fix_of_its_device(
    bench: Bench, quality: int, mode: str
) -> None:
    """129025 and 129026 do not say themselves how they came about."""

    async def story(say: Say, tablet: Tablet) -> None:
        await say(129029, FIX[:31] + bytes([quality << 4 | 3]) + FIX[32:], 1)
        await say(129025, POSITION, 1)
        await say(129026, COURSE, 1)
        await until(lambda: b"VTG" in tablet.look())
        position, course = tablet.seen.split()[-2:]
        status = "A" if mode in "ADF" else "V"
        assert position.split(b"*")[0].endswith(f",{status},{mode}".encode())
        assert course.split(b"*")[0].endswith(f",K,{mode}".encode())

    play(bench, {"GLL": 50, "VTG": 50, "GGA": 50, "ZDA": 50}, story)


def test_a_device_that_lost_its_fix_gives_way_to_one_that_has_one(bench: Bench) -> None:
    bench.settings["prefer"] = {"order": {}, "silence": 1.5, "steady": 3.0}
    lost = FIX[:31] + b"\x03" + FIX[32:]
    other = struct.pack("<ii", 100000000, 0)

    async def story(say: Say, tablet: Tablet) -> None:
        await say(129025, POSITION, 1)
        await say(129029, lost, 1)
        for _ in range(17):
            await asyncio.sleep(0.1)
            await say(129025, POSITION, 1)
        await say(129025, other, 2)
        await until(lambda: b"GLL,1000.0" in tablet.look())

    play(bench, {"GLL": 1000}, story)


def test_the_fix_of_another_device_does_not_count(bench: Bench) -> None:
    async def story(say: Say, tablet: Tablet) -> None:
        await say(129029, FIX[:31] + b"\x03" + FIX[32:], 1)
        await say(129025, POSITION, 2)
        await until(lambda: b",A,A*" in tablet.look())

    play(bench, {"GLL": 50}, story)


def test_a_lost_fix_does_not_count_for_good(monkeypatch: pytest.MonkeyPatch, bench: Bench) -> None:
    """The device may be gone, and another have its address."""
    monkeypatch.setattr(can, "FIX_HOLDS_S", 1.5)

    async def story(say: Say, tablet: Tablet) -> None:
        await say(129029, FIX[:31] + b"\x03" + FIX[32:], 1)
        await say(129025, POSITION, 1)
        await until(lambda: b",V,N*" in tablet.look())
        await asyncio.sleep(1.6)
        await say(129025, POSITION, 1)
        await until(lambda: b",A,A*" in tablet.look())

    play(bench, {"GLL": 1000}, story)


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
