# SPDX-License-Identifier: GPL-3.0-or-later
"""What waited is not fresh, and the fault of one output stops no other."""

import asyncio
import socket
import time

import pytest

from provision.onboard.feed import intake
from provision.onboard.feed.app import Feed
from provision.onboard.feed.framer import Framer
from provision.onboard.feed.sentence import Sentence, frame, make

from .conftest import Bench, Tablet, port_of, until

APB = frame("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M")
RATES = {"APB": 10, "DPT": 10}


def test_the_age_of_a_sentence_is_that_of_its_first_octet() -> None:
    framer = Framer("x", from_start=True)
    assert framer.feed(APB[:20], 0.0) == []
    late, fresh = framer.feed(APB[20:] + APB, 20.0)
    assert (late.waited, fresh.waited) == (20.0, 0.0)


def test_a_half_sentence_that_is_ended_late_does_not_steer(bench: Bench) -> None:
    plotter = bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=38400, listens=RATES)

    async def play(feed: Feed) -> None:
        plotter.say(APB[:20])
        await asyncio.sleep(1.2)
        plotter.say(APB[20:])
        await until(lambda: feed.listeners[0].drops["stale"] == 1)

    bench.run(play)
    assert pilot.heard() == b""


@pytest.mark.parametrize("way", ["link", "tablet"])
def test_what_waited_while_the_feed_stood_still_does_not_steer(bench: Bench, way: str) -> None:
    plotter = bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=38400, listens=RATES)
    if way == "tablet":
        sender = {"helm": {"address": "127.0.0.1"}}
        bench.settings["steering"] = {"from": sender, "link": "pilot", "sentences": ["APB"]}

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed)) if way == "tablet" else None
        await asyncio.sleep(0.3)
        say = tablet.channel.send if tablet else plotter.say
        say(APB)
        # The event loop stands still, as it does while the process is stopped.
        time.sleep(1.3)
        await asyncio.sleep(0.3)
        assert pilot.heard() == b""
        await asyncio.sleep(1.0)
        say(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        if tablet:
            tablet.close()

    bench.run(play)
    assert pilot.heard() == APB


def test_what_a_server_hands_over_at_connect_does_not_steer(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake, "STORED", 1.0)
    pilot = bench.link("pilot", baud=38400, listens=RATES)
    with socket.create_server(("127.0.0.1", 0)) as server:
        where = f"127.0.0.1:{server.getsockname()[1]}"
        bench.settings["inputs"] = {"old": {"tcp": where}}
        sender = {"old": {"address": "127.0.0.1"}}
        bench.settings["steering"] = {"from": sender, "link": "pilot", "sentences": ["APB"]}

        async def play(feed: Feed) -> None:
            server.setblocking(False)
            loop = asyncio.get_running_loop()
            channel, _ = await loop.sock_accept(server)
            with channel:
                await loop.sock_sendall(channel, 300 * APB)
                await until(lambda: feed.state()["inputs"]["old"]["sentences"] == 300)
                await asyncio.sleep(1.1)
                assert pilot.heard() == b""
                await loop.sock_sendall(channel, APB)
                await until(lambda: feed.listeners[0].sent == 1)

        bench.run(play)


def test_the_fault_of_one_output_stops_no_other(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    pilot = bench.link("pilot", baud=38400, listens=RATES)

    class Broken:
        name = "broken"

        def wants(self, origin: str, talker: str, formatter: str) -> bool:
            return True

        def put(self, sentence: Sentence) -> None:
            raise ValueError("a fault of this output")

    async def play(feed: Feed) -> None:
        feed.hub.tap(Broken())
        now = asyncio.get_running_loop().time()
        feed.hub.publish([make("$SDDPT,1,0.5", origin="depth", heard=now)])
        await until(lambda: feed.listeners[0].sent == 1)
        assert feed.state()["faults"] == {"broken": 1}

    bench.run(play)
    assert pilot.heard() == frame("$SDDPT,1,0.5")
    assert "broken: a fault on DPT" in caplog.text
