# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import socket

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from tests.support.feed.rig import GGA, GLL, VTG, Bench, Tablet, numbered, port_of, until


def test_a_display_that_repeats_what_it_hears(bench: Bench) -> None:
    gnss = bench.link("gnss")
    display = bench.link("display", baud=115200, listens={"GLL": 10, "DPT": 10}, talks={"MTW": 1})
    other = bench.link("other", baud=115200, listens={"GLL": 10, "DPT": 10})

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        seen = b""
        gnss.say(GLL)
        loop = asyncio.get_running_loop()
        end = loop.time() + 0.5
        while loop.time() < end:
            back = display.heard()
            seen += back
            display.say(back)
            await asyncio.sleep(0.005)
        assert seen == GLL
        assert tablet.look() == GLL
        assert other.heard() == GLL
        assert feed.state()["echoes"] == 1
        tablet.close()

    bench.run(play)


def test_a_loop_through_a_tcp_client_and_an_input(bench: Bench) -> None:
    """A client reads the feed and sends all of it to an input."""
    gnss = bench.link("gnss")
    bench.settings["inputs"] = {"bridge": {"listen": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        reads = Tablet(port_of(feed))
        brings = Tablet(feed.inputs[0].port)  # type: ignore[union-attr]
        tablet = Tablet(port_of(feed))
        await until(lambda: len(feed.server._clients) == 2)  # type: ignore[union-attr]
        done = 0
        gnss.say(GLL + VTG + GGA)
        for number in range(20):
            gnss.say(numbered(number))
            await asyncio.sleep(0.01)
            data = reads.look()
            brings.channel.send(data[done:])
            done = len(data)
        await until(lambda: feed.loop_guard.dropped >= 20)
        assert tablet.look() == GLL + VTG + GGA + b"".join(map(numbered, range(20)))
        for client in (reads, brings, tablet):
            client.close()

    bench.run(play)


def test_nothing_goes_back_to_the_address_it_came_from(bench: Bench) -> None:
    """A box on the network brings its sentences and reads ours."""
    gnss = bench.link("gnss")
    bench.settings["inputs"] = {"box": {"listen": 0, "address": "127.0.0.1"}}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.5", 0))
        ear.setblocking(False)
        bench.settings["outputs"]["udp"] = [{"address": "127.0.0.5", "port": ear.getsockname()[1]}]

        async def play(feed: Feed) -> None:
            reads = Tablet(port_of(feed), "127.0.0.5")
            other = Tablet(port_of(feed), "127.0.0.6")
            brings = Tablet(feed.inputs[0].port, "127.0.0.5")  # type: ignore[union-attr]
            await until(lambda: len(feed.server._clients) == 2)  # type: ignore[union-attr]
            brings.channel.send(GGA + VTG)
            await until(lambda: VTG in other.look())
            gnss.say(GLL)
            await until(lambda: GLL in other.look() and GLL in reads.look())
            assert reads.seen == GLL
            assert ear.recv(65535) == GLL
            for client in (reads, other, brings):
                client.close()

        bench.run(play)


@pytest.mark.usefixtures("own_groups")
def test_what_came_from_a_network_is_neither_broadcast_nor_multicast_there(bench: Bench) -> None:
    """A box on the boat's network brings its own sentences, another beyond it others. A broadcast
    or multicast would reach the first, which may bring it all again."""
    gnss = bench.link("gnss")
    bench.settings["inputs"] = {"box": {"listen": 0, "address": "127.0.0.1"}}
    ears = {name: socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for name in ("cast", "group")}
    ears["cast"].bind(("127.255.255.255", 0))
    group, port = GROUPS["NAVD"]
    ears["group"].bind((group, port))
    membership = socket.inet_aton(group) + socket.inet_aton("127.0.0.1")
    ears["group"].setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
    network = {"network": "127.0.0.0/28"}
    outputs = bench.settings["outputs"]
    cast = {"address": "127.255.255.255", "port": ears["cast"].getsockname()[1]}
    outputs["udp"] = [{**cast, **network}]
    outputs["multicast"] = {"interface": "127.0.0.1", **network}

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed), "127.0.0.6")
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        for address, said in (("127.0.0.5", GGA), ("127.0.0.99", VTG)):
            brings = Tablet(feed.inputs[0].port, address)  # type: ignore[union-attr]
            brings.channel.send(said)
            await until(lambda said=said: said in tablet.look())
            brings.close()
        gnss.say(GLL)
        await until(lambda: GLL in tablet.look())
        await until(lambda: feed.outputs.as_json()["multicast"]["sent"] == 2)
        tablet.close()

    bench.run(play)
    for ear in ears.values():
        with ear:
            ear.settimeout(1)
            heard = [ear.recv(65535) for _ in range(2)]
            assert [VTG in heard[0], GLL in heard[1]] == [True, True]
            assert GGA not in b"".join(heard)
