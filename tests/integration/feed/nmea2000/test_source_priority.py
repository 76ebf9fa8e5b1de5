# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed that runs hears the devices of an NMEA 2000 network."""

import struct

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.sources.can import EXTENDED, FRAME, REMOTE
from tests.support.feed.can_groups import (
    DEPTH,
    FIX,
    HEADING,
    WIND,
    can_frame,
    fast,
    plugged_in,
)
from tests.support.feed.rig import Bench, until


def test_frames_become_sentences_at_their_pace(bench: Bench) -> None:
    bench.settings["links"]["backbone"] = {"can": "none0", "talks": {"HDG": 1, "DPT": 1, "GGA": 1}}

    async def play(feed: Feed) -> None:
        async with plugged_in(feed) as (_, network, tablet):
            # Ten a second come; a second device says something else; wind is not asked for.
            for _ in range(10):
                network.send(can_frame(127250, HEADING))
                network.send(can_frame(127250, struct.pack("<BHhhB", 1, 1, 0, 0, 0xFD), source=9))
                network.send(can_frame(130306, WIND))
                network.send(FRAME.pack(0x123, 8, HEADING))
                network.send(FRAME.pack(2 << 26 | 127250 << 8 | 3 | EXTENDED | REMOTE, 0, b""))
            for piece in fast(FIX):
                network.send(can_frame(129029, piece))
            network.send(can_frame(128267, DEPTH[:4]))
            network.send(can_frame(128267, DEPTH))
            await until(lambda: b"DPT" in tablet.look())
            lines = tablet.seen.decode().split()
            assert [line[:6] for line in lines] == ["$IIHDG", "$IIHDG", "$IIGGA", "$IIDPT"]
            assert lines[0] == lines[1] and lines[0].startswith("$IIHDG,101.1,,,7.1,W*")
            told = feed.state()["links"]["backbone"]
            assert told["present"] and told["sentences"] == 4

    bench.run(play)
