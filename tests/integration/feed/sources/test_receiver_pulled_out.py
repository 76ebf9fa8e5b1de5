# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import re

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from tests.support.feed.rig import STATIC, Bench, Tablet, port_of, until

RMC = "$GPRMC,{:06d},A,5057.970,N,00146.110,E,5.0,089.0,251126,,,A"


def test_a_receiver_pulled_out_in_mid_passage(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    gnss, _, ais = (bench.link(name) for name in ("gnss", "spare", "ais"))
    bench.settings["prefer"] = {
        "order": {"position": ["gnss", "spare"]},
        "silence": 0.5,
        "steady": 0.2,
    }

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        said: dict[str, list[bytes]] = {"gnss": [], "spare": []}

        def say(instrument: str, second: int) -> None:
            talker = "GP" if instrument == "gnss" else "GN"
            text = frame(RMC.format(second).replace("GPRMC", talker + "RMC"))
            said[instrument].append(text)
            bench.instruments[instrument].say(text)

        for second in range(40):
            if second < 10 or second >= 30:
                say("gnss", second)
            if second == 10:
                gnss.unplug()
            if second == 29:
                gnss.plug()
                await until(lambda: feed.links[0].port is not None)
            await asyncio.sleep(0.02)
            say("spare", second)
            ais.say(b"".join(STATIC))
            await asyncio.sleep(0.03)
        await asyncio.sleep(0.05)
        seen = tablet.look().splitlines(keepends=True)
        positions = [line for line in seen if b"RMC" in line]
        times = [line.split(b",")[1] for line in positions]
        assert len(times) == len(set(times)) and times == sorted(times)
        talkers = "".join("g" if line[:3] == b"$GP" else "s" for line in positions)
        assert re.fullmatch("g{10}s+g+", talkers)
        # 0.05 s a turn: the spare one takes over within the set time and one sentence.
        assert 40 - len(times) <= 0.5 / 0.05 + 3
        assert seen.count(STATIC[0]) == 40
        assert feed.state()["believed"]["position"]["source"] == "gnss"
        tablet.close()

    bench.run(play)
    assert "position: spare is believed now, before it gnss" in caplog.text
