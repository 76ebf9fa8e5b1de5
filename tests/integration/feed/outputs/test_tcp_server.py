# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import os
import socket
from contextlib import suppress

import pytest

from provision.onboard.feed.config import parse
from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net import tcp_socket
from provision.onboard.feed.nmea0183.sentence import frame
from tests.support.feed.rig import GGA, GLL, VTG, Bench, Tablet, numbered, port_of, until


def arrived(feed: Feed, count: int) -> bool:
    assert feed.server is not None
    return len(feed.server._clients) == count


def test_a_client_that_sleeps_slows_nobody_and_loses_the_oldest(bench: Bench) -> None:
    gnss = bench.link("gnss")
    bench.settings["outputs"]["tcp"]["queue"] = 4096

    async def play(feed: Feed) -> None:
        asleep, awake = Tablet(port_of(feed)), Tablet(port_of(feed))
        await until(lambda: arrived(feed, 2))
        total = 20000
        for start in range(0, total, 100):
            gnss.say(b"".join(numbered(n) for n in range(start, start + 100)))
            await until(lambda n=start + 99: awake.look().endswith(numbered(n)))
        assert awake.seen == b"".join(map(numbered, range(total)))
        (slow,) = [c for c in feed.server._clients if c.dropped]  # type: ignore[union-attr]
        assert slow.queued < 4 * 4096
        # Awake again, it gets whole sentences only, in order, up to the newest.
        gnss.say(GLL)
        await until(lambda: asleep.look().endswith(GLL))
        lines = asleep.seen.split(b"\r\n")[:-2]
        numbers = [int(line.split(b",")[1]) for line in lines]
        assert [numbered(n)[:-2] for n in numbers] == lines
        assert numbers == sorted(set(numbers))
        assert numbers[0] == 0 and numbers[-1] == total - 1
        assert slow.dropped == total - len(numbers) > 0
        asleep.close()
        awake.close()

    bench.run(play)


def test_a_client_that_takes_nothing_is_disconnected(bench: Bench) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        asleep = Tablet(port_of(feed))
        await until(lambda: arrived(feed, 1))
        server = feed.server
        assert server is not None
        (client,) = server._clients
        while not client.queued:
            with suppress(BlockingIOError):
                gnss.say(GLL * 50)
            await asyncio.sleep(0.001)
        now = asyncio.get_running_loop().time()
        server.watch(now + 29)
        assert arrived(feed, 1)
        server.watch(now + 31)
        assert arrived(feed, 0)
        asleep.close()

    bench.run(play)


def test_clients_come_and_go_without_a_descriptor_left(bench: Bench) -> None:
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)
        before = len(os.listdir("/proc/self/fd"))
        for _ in range(20):
            tablet = Tablet(port_of(feed))
            await until(lambda: arrived(feed, 1))
            gnss.say(GLL)
            await until(lambda t=tablet: t.look() == GLL)
            tablet.close()
            await until(lambda: arrived(feed, 0))
        assert len(os.listdir("/proc/self/fd")) == before
        assert feed.state()["outputs"]["tcp"]["sent"] == 20 * len(GLL)

    bench.run(play)


def test_a_cap_for_each_address_and_for_all(bench: Bench) -> None:
    bench.settings["outputs"]["tcp"].update(per_address=2, clients=3)

    async def play(feed: Feed) -> None:
        tablets = [Tablet(port_of(feed), "127.0.0.2") for _ in range(3)]
        await until(lambda: arrived(feed, 2) and tablets[2].left())
        tablets += [Tablet(port_of(feed), f"127.0.0.{n}") for n in (3, 4)]
        await until(lambda: arrived(feed, 3) and tablets[4].left())
        for tablet in tablets:
            tablet.close()
        # Who has left makes room.
        await until(lambda: arrived(feed, 0))

    bench.run(play)


def test_a_vanished_client_is_noticed_by_the_kernel(bench: Bench) -> None:
    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: arrived(feed, 1))
        (client,) = feed.server._clients  # type: ignore[union-attr]
        channel = client._channel
        assert channel.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
        assert channel.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 30000
        idle, interval, count = tcp_socket.KEEPALIVE
        assert idle + interval * count <= 30
        tablet.close()

    bench.run(play)


def test_what_clients_say_goes_nowhere(bench: Bench) -> None:
    display = bench.link("display", listens={"GLL": 10, "RMB": 10})

    async def play(feed: Feed) -> None:
        one, other = Tablet(port_of(feed)), Tablet(port_of(feed))
        await until(lambda: arrived(feed, 2))
        one.channel.send(GLL + frame("$GPRMB,A,0.66,L,003,004,,,,,1.3,52.5,0.5,V"))
        await until(lambda: feed.gate.refused == 1)
        await asyncio.sleep(0.05)
        assert one.look() == other.look() == b""
        one.close()
        other.close()

    bench.run(play)
    assert display.heard() == b""


def test_filter_of_the_output(bench: Bench) -> None:
    gnss, ais = bench.link("gnss"), bench.link("ais")
    bench.settings["outputs"]["tcp"].update(
        only=[{"formatter": "GLL"}, {"link": "ais"}], but=[{"talker": "GP", "link": "ais"}]
    )

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: arrived(feed, 1))
        gnss.say(GGA + GLL)
        await until(lambda: GLL in tablet.look())
        ais.say(VTG + numbered(1))
        await until(lambda: numbered(1) in tablet.look())
        assert tablet.seen == GLL + numbered(1)
        tablet.close()

    bench.run(play)


def test_udp_gets_whole_sentences_in_datagrams(bench: Bench) -> None:
    gnss = bench.link("gnss")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as host:
        host.bind(("127.0.0.1", 0))
        host.setblocking(False)
        bench.settings["outputs"]["udp"] = [
            {"address": "127.0.0.1", "port": host.getsockname()[1]},
            # No such network: counted, and no harm to the other.
            {"address": "203.0.113.255", "port": 9, "only": [{"formatter": "VTG"}]},
        ]

        async def play(feed: Feed) -> None:
            seen: list[bytes] = []

            def look() -> bytes:
                try:
                    while True:
                        seen.append(host.recv(65536))
                except BlockingIOError:
                    return b"".join(seen)

            burst = b"".join(map(numbered, range(100)))
            gnss.say(burst)
            await until(lambda: look() == burst)
            assert all(d.endswith(b"\r\n") and len(d) <= 1400 for d in seen)
            assert 2 <= len(seen) <= 6
            assert feed.state()["outputs"]["udp"][0]["sent"] == len(seen)

        bench.run(play)


def test_filter_of_each_udp_output(bench: Bench) -> None:
    gnss, spare = bench.link("gnss"), bench.link("spare")
    ears = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(3)]
    for ear in ears:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(5)
    filters: list[dict[str, object]] = [
        {"only": [{"talker": "GP"}]},
        {"but": [{"link": "gnss"}, {"formatter": "VTG"}]},
        {},
    ]
    bench.settings["outputs"]["udp"] = [
        {"address": "127.0.0.1", "port": ear.getsockname()[1], **one}
        for ear, one in zip(ears, filters, strict=True)
    ]

    async def play(feed: Feed) -> None:
        gnss.say(GLL + numbered(1))
        await until(lambda: feed.links[0].as_json()["sentences"] == 2)
        spare.say(VTG + numbered(2))
        await until(lambda: feed.links[1].as_json()["sentences"] == 2)
        await asyncio.sleep(0.01)

    bench.run(play)
    heard = []
    for ear in ears:
        ear.setblocking(False)
        with ear, suppress(BlockingIOError):
            heard.append(b"")
            while True:
                heard[-1] += ear.recv(65535)
    assert heard == [GLL + VTG, numbered(2), GLL + numbered(1) + VTG + numbered(2)]


def test_a_taken_port_is_an_error(bench: Bench) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        bench.settings["outputs"]["tcp"]["port"] = other.getsockname()[1]

        async def start() -> None:
            Feed(parse.parse(bench.settings))

        with pytest.raises(OSError, match=r"in use: 'TCP port \d+'"):
            asyncio.run(start())


def test_it_starts_before_its_address_is_there(bench: Bench) -> None:
    bench.settings["outputs"]["tcp"]["address"] = "203.0.113.1"
    bench.settings["inputs"] = {
        "net": {"udp": 0, "address": "203.0.113.1"},
        "box": {"listen": 0, "address": "203.0.113.1"},
    }

    async def play(feed: Feed) -> None:
        assert port_of(feed) > 0

    bench.run(play)
