# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences that waited are not fresh, and the fault of one output stops no other."""

import asyncio
import os
import resource
import socket
import time
from contextlib import ExitStack, suppress

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.sentence import Sentence, frame, make
from provision.onboard.feed.outputs import tcp_client
from provision.onboard.feed.sources import ingest
from provision.onboard.feed.sources.tcp_inputs import TcpServerInput
from tests.support.feed.can_groups import HEADING, can_frame
from tests.support.feed.rig import Bench, Tablet, port_of, until

APB = frame("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M")
RATES = {"APB": 10, "DPT": 10}


def test_the_age_of_a_sentence_is_that_of_its_first_octet() -> None:
    framer = Framer("x", from_start=True)
    assert framer.feed(APB[:20], 0.0) == []
    late, fresh = framer.feed(APB[20:] + APB, 20.0)
    assert (late.waited, fresh.waited) == (20.0, 0.0)


def test_a_half_sentence_that_is_ended_late_does_not_steer(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    plotter = bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=38400, listens=RATES)

    async def play(feed: Feed) -> None:
        plotter.say(APB[:20])
        await asyncio.sleep(1.2)
        plotter.say(APB[20:])
        await until(lambda: "plotter: APB only logged: it may be 1." in caplog.text)

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


def test_a_heading_from_nmea_2000_that_waited_is_not_sent(bench: Bench) -> None:
    bench.settings["links"]["backbone"] = {"can": "none0", "talks": {"HDG": 1000}}
    pilot = bench.link("pilot", baud=38400, listens={"HDG": 1000})

    async def play(feed: Feed) -> None:
        (can,) = feed.cans
        ours, network = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        ours.setblocking(False)
        can.use(ours)
        await asyncio.sleep(0.3)
        network.send(can_frame(127250, HEADING))
        time.sleep(1.3)
        await until(lambda: can.frames == 1)
        await asyncio.sleep(1.2)
        assert feed.listeners[0].sent == 0
        network.send(can_frame(127250, HEADING))
        await until(lambda: feed.listeners[0].sent == 1)
        network.close()
        await asyncio.sleep(0.02)

    bench.run(play)
    assert pilot.heard().startswith(b"$IIHDG,101.1,")


#: One of each that a pilot follows, none void.
BURST = b"".join(
    frame(body)
    for body in (
        "$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M",
        "$GPXTE,A,A,0.67,L,N",
        "$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,001.3,052.5,000.5,V",
        "$GPBOD,099.3,T,105.6,M,POINTB,START",
        "$GPBWC,081837,4917.24,N,12309.57,W,051.9,T,031.6,M,001.3,N,004",
        "$GPBWR,081837,4917.24,N,12309.57,W,051.9,T,031.6,M,001.3,N,004",
        "$GPWCV,2.5,N,003,A",
        "$APHSC,40.12,T,39.11,M",
    )
)


def test_a_pause_of_less_than_a_second_counts(bench: Bench) -> None:
    """Sentences that waited for 0.8 s before they were read are not sent for another second."""
    formatters = [line[3:6].decode() for line in BURST.split()]
    plotter = bench.link("plotter", talks=dict.fromkeys(formatters, 1))
    pilot = bench.link("pilot", baud=4800, listens=dict.fromkeys(formatters, 10))

    async def play(feed: Feed) -> None:
        await asyncio.sleep(0.3)
        plotter.say(BURST)
        time.sleep(0.8)
        await until(lambda: feed.listeners[0].drops["stale"] + feed.listeners[0].sent == 8)
        # At 4800 baud the whole burst takes 0.8 s.
        assert feed.listeners[0].drops["stale"] >= 5

    bench.run(play)
    assert len(pilot.heard()) < len(BURST) / 2


def test_a_backlog_that_takes_long_to_read_stays_old(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The end of the backlog is read two seconds after the stall, and was sent before it."""
    monkeypatch.setattr(tcp_client, "MAX_RECEIVE_BYTES", 4096)
    pilot = bench.link("pilot", baud=38400, listens=RATES)
    sender = {"helm": {"address": "127.0.0.1"}}
    bench.settings["steering"] = {"from": sender, "link": "pilot", "sentences": ["APB"]}

    async def play(feed: Feed) -> None:
        assert feed.server is not None
        publish, pieces = feed.router.publish, 0

        def slow(sentences: list[Sentence]) -> None:
            nonlocal pieces
            pieces += 1
            time.sleep(0.1)
            publish(sentences)

        monkeypatch.setattr(feed.router, "publish", slow)
        tablet = Tablet(port_of(feed))
        await asyncio.sleep(0.3)
        with suppress(BlockingIOError):
            for _ in range(30):
                tablet.channel.send(4096 // len(APB) * APB)
        time.sleep(1.2)
        await asyncio.sleep(0.01)
        await until(lambda: feed.listeners[0].sent or pieces >= 29, 10)
        assert feed.listeners[0].sent == 0
        await asyncio.sleep(1.3)
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        tablet.close()

    bench.run(play)
    assert pilot.heard() == APB


@pytest.mark.parametrize("way", ["tablet", "listen"])
def test_what_waited_until_its_connection_could_be_taken_does_not_steer(
    bench: Bench, way: str
) -> None:
    """The process has no descriptor left for a while; the event loop runs well."""
    pilot = bench.link("pilot", baud=38400, listens=RATES)
    sender = {"helm": {"address": "127.0.0.1"}}
    bench.settings["steering"] = {"from": sender, "link": "pilot", "sentences": ["APB"]}
    bench.settings["inputs"] = {"bridge": {"listen": 0, "address": "127.0.0.1"}}
    limits = resource.getrlimit(resource.RLIMIT_NOFILE)

    async def play(feed: Feed) -> None:
        (bridge,) = feed.inputs
        assert isinstance(bridge, TcpServerInput)
        await asyncio.sleep(0.3)
        with socket.socket() as helm, ExitStack() as taken:
            used = max(int(name) for name in os.listdir("/proc/self/fd"))
            resource.setrlimit(resource.RLIMIT_NOFILE, (used, limits[1]))
            try:
                with suppress(OSError):
                    while True:
                        taken.callback(os.close, os.dup(0))
                helm.connect(("127.0.0.1", port_of(feed) if way == "tablet" else bridge.port))
                helm.send(APB)
                await asyncio.sleep(1.3)
            finally:
                resource.setrlimit(resource.RLIMIT_NOFILE, limits)
            await asyncio.sleep(1.2)
            assert feed.listeners[0].sent == 0
            helm.send(APB)
            await until(lambda: feed.listeners[0].sent == 1)

    bench.run(play)
    assert pilot.heard() == APB


def test_what_a_server_hands_over_at_connect_does_not_steer(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ingest, "STORED_S", 1.0)
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
                assert feed.state()["withheld"] == {"old": 300}
                await loop.sock_sendall(channel, APB)
                await until(lambda: feed.listeners[0].sent == 1)

        bench.run(play)


def test_old_steering_sentences_are_counted_by_source(bench: Bench) -> None:
    async def play(feed: Feed) -> None:
        now = asyncio.get_running_loop().time()
        for origin in ("gnss", "client 10.47.1.50:40001", "client 10.47.1.51:40002"):
            for body in (f"$GPAPB,A,{origin[-5:]}", f"$GPRMC,{origin[-5:]}"):
                sentence = make(body, origin=origin, heard=now)
                feed.router.publish([sentence, sentence._replace(waited=1.5)])
        assert feed.state()["withheld"] == {"gnss": 1, "tcp": 2}

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
        feed.router.tap(Broken())
        now = asyncio.get_running_loop().time()
        feed.router.publish([make("$SDDPT,1,0.5", origin="depth", heard=now)])
        await until(lambda: feed.listeners[0].sent == 1)
        assert feed.state()["faults"] == {"broken": 1}

    bench.run(play)
    assert pilot.heard() == frame("$SDDPT,1,0.5")
    assert "broken: a fault on DPT" in caplog.text
