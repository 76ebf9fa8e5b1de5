# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences marked as not valid reach no pilot, and keep no healthy source out."""

from __future__ import annotations

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from tests.support.feed.rig import Bench, until

HEALTHY = frame("$HEHDT,123.4,T")


@pytest.mark.parametrize(
    "dead",
    [
        frame("$HEHDT,,T") + frame("$HEROT,0.0,A"),
        frame("$HEHDT,,T") + frame("$HEROT,0.0,V"),
        frame("$HETHS,77.7,V"),
    ],
    ids=["a rate of turn", "a void rate of turn", "a void heading"],
)
def test_a_dead_compass_gives_way_to_the_second(bench: Bench, dead: bytes) -> None:
    formatters = {"HDT": 100, "THS": 100, "ROT": 100}
    compass = bench.link("compass", talks=formatters)
    second = bench.link("second", talks=formatters)
    pilot = bench.link("pilot", baud=115200, listens={"HDT": 100, "THS": 100})
    bench.settings["prefer"] = {
        "order": {"heading": ["compass", "second"]},
        "silence": 0.3,
        "steady": 0.3,
    }

    async def play(feed: Feed) -> None:
        compass.say(frame("$HEHDT,77.7,T"))
        await until(lambda: feed.state()["believed"]["heading"]["source"] == "compass")

        def both() -> bool:
            compass.say(dead)
            second.say(HEALTHY)
            return bool(feed.state()["believed"]["heading"]["source"] == "second")

        await until(both)
        second.say(HEALTHY)
        await until(lambda: feed.listeners[0].sent >= 2)

    bench.run(play)
    said = pilot.heard()
    assert HEALTHY in said
    assert b"THS" not in said and b"HDT,,T" not in said
