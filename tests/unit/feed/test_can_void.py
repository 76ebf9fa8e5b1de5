# SPDX-License-Identifier: GPL-3.0-or-later
"""NMEA 2000 data that are 'not available' or an 'error' are silence, and no value."""

import asyncio
import socket
import struct
from collections.abc import Awaitable, Callable

import pytest

from provision.onboard.feed import can, pgns
from provision.onboard.feed.app import Feed
from provision.onboard.feed.can import Can

from .conftest import Bench, Tablet, port_of, until
from .test_can import (
    COURSE,
    DEPTH,
    FIX,
    HEADING,
    POSITION,
    TRUE_HEADING,
    can_frame,
    decoded,
    fast,
    parsed,
)

#: All ones, all ones minus one, and the reserved value below: latitude's field.
NO_LATITUDES = [0x7FFFFFFF, 0x7FFFFFFE, 0x7FFFFFFD]

#: A position by dead reckoning: the quality of the fix is 6, estimated.
RECKONED = FIX[:31] + b"\x63" + FIX[32:]

Say = Callable[[int, bytes, int], Awaitable[None]]


def play(
    bench: Bench, talks: dict[str, int], story: Callable[[Say, Tablet], Awaitable[None]]
) -> None:
    """Let `story` send groups to a feed with one NMEA 2000 network, and read what comes out."""
    bench.settings["links"]["backbone"] = {"can": "none0", "talks": talks}

    async def run(feed: Feed) -> None:
        (link,) = feed.cans
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        ours, network = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        link.use(ours)

        async def say(group: int, data: bytes, source: int) -> None:
            pieces = fast(data) if group in pgns.FAST else [data]
            before = link.frames
            for piece in pieces:
                network.send(can_frame(group, piece, source))
            await until(lambda: link.frames == before + len(pieces))

        await story(say, tablet)
        network.close()
        await asyncio.sleep(0.02)
        tablet.close()

    bench.run(run)


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
        assert [link._silence for link in feed.cans if isinstance(link, Can)] == [12.0]
        assert can.SILENCE != 12.0

    bench.run(look)


@pytest.mark.parametrize("satellites", [0xFD, 0xFE, 0xFF])
def test_satellites_without_a_number_are_an_empty_field(satellites: int) -> None:
    data = FIX[:33] + bytes([satellites]) + FIX[34:]
    gga, _ = pgns.fix(data)
    assert gga.split(",")[7] == ""
    if satellites == 0xFF:
        assert decoded(129029, data)["numberOfSvs"] is None
    none, _ = pgns.fix(FIX[:33] + b"\x00" + FIX[34:])
    assert none.split(",")[7] == "00"


@pytest.mark.parametrize("reference", [2, 3])
def test_a_direction_without_a_reference_is_not_sent(reference: int) -> None:
    heading = HEADING[:7] + bytes([0xFC | reference])
    assert pgns.heading(heading) == []
    course = COURSE[:1] + bytes([0xFC | reference]) + COURSE[2:]
    (vtg,) = map(parsed, pgns.course(course))
    assert (vtg.true_track, vtg.mag_track) == (None, None)
    assert vtg.spd_over_grnd_kts is not None
    known = {decoded(127250, HEADING[:7] + bytes([0xFC | n]))["reference"] for n in (0, 1)}
    assert known == {"True", "Magnetic"}
    assert decoded(127250, heading)["reference"] not in known
    assert decoded(129026, course)["cogReference"] not in known
