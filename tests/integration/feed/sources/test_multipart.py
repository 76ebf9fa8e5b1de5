# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183 import multipart
from provision.onboard.feed.sources import ingest
from tests.support.feed.rig import GLL, STATIC, Bench, Tablet, port_of, until


def test_nothing_comes_between_the_parts(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(multipart, "PART_TIMEOUT_S", 0.1)
    monkeypatch.setattr(ingest, "PART_TIMEOUT_S", 0.1)
    ais, gnss = bench.link("ais", baud=38400), bench.link("gnss")

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        ais.say(STATIC[0])
        await until(lambda: feed.state()["links"]["ais"]["sentences"] == 1)
        gnss.say(GLL)
        await until(lambda: GLL in tablet.look())
        ais.say(STATIC[1])
        await until(lambda: STATIC[1] in tablet.look())
        assert tablet.seen == GLL + STATIC[0] + STATIC[1]
        # Its other half never comes: it goes on late, for it is a valid sentence.
        ais.say(STATIC[0])
        await until(lambda: tablet.look().endswith(STATIC[0]))
        tablet.close()
        await asyncio.sleep(0)

    bench.run(play)
