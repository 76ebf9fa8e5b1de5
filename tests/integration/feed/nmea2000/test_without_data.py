# SPDX-License-Identifier: GPL-3.0-or-later
"""A device of an NMEA 2000 network without data silences no other in a feed that runs."""

import asyncio
import struct

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.sources import can
from provision.onboard.feed.sources.can import CanSource
from tests.support.feed.can_groups import (
    COURSE,
    DEPTH,
    FIX,
    HEADING,
    POSITION,
    TRUE_HEADING,
    Say,
    play,
)
from tests.support.feed.rig import Bench, Tablet, until

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
