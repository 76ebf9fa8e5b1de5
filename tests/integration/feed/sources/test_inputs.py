# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, HEADER
from provision.onboard.feed.sources import tcp_inputs
from provision.onboard.feed.sources.tcp_inputs import TcpServerInput
from provision.onboard.feed.sources.udp_inputs import MulticastInput, UdpInput
from tests.support.feed.rig import GGA, GLL, STATIC, VTG, Bench, Tablet, numbered, port_of, until

APB = frame("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M")


@contextmanager
def server() -> Iterator[socket.socket]:
    with socket.socket() as channel:
        channel.bind(("127.0.0.1", 0))
        channel.listen()
        channel.setblocking(False)
        yield channel


async def tablet_of(feed: Feed) -> Tablet:
    tablet = Tablet(port_of(feed))
    await until(lambda: feed.server._clients)  # type: ignore[union-attr]
    return tablet


def test_a_server_is_read_and_connected_to_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(tcp_inputs, "RETRY_S", (0.02, 0.1))
    with server() as far:
        host, port = far.getsockname()
        bench.settings["inputs"] = {"ais-net": {"tcp": f"{host}:{port}"}}

        async def play(feed: Feed) -> None:
            loop = asyncio.get_running_loop()
            tablet = await tablet_of(feed)
            for number in range(3):
                near, _ = await loop.sock_accept(far)
                # Its half sentence goes with it.
                near.sendall(GLL[:20] + b"\r\n" + numbered(number) + GLL[:20])
                await until(lambda n=number: numbered(n) in tablet.look())
                assert feed.state()["inputs"]["ais-net"]["present"]
                near.close()
                await until(lambda: not feed.state()["inputs"]["ais-net"]["present"])
            assert tablet.seen == b"".join(map(numbered, range(3)))
            assert feed.state()["inputs"]["ais-net"]["sentences"] == 3
            tablet.close()

        bench.run(play)
    assert caplog.text.count("closed by the other side") <= 3


def test_a_server_that_is_not_there_is_waited_for(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tcp_inputs, "RETRY_S", (0.02, 0.1))
    with socket.socket() as far:
        far.bind(("127.0.0.1", 0))
        far.setblocking(False)
        bench.settings["inputs"] = {"ais-net": {"tcp": f"127.0.0.1:{far.getsockname()[1]}"}}

        async def play(feed: Feed) -> None:
            await asyncio.sleep(0.1)
            far.listen()
            near, _ = await asyncio.get_running_loop().sock_accept(far)
            near.sendall(GLL)
            await until(lambda: feed.state()["inputs"]["ais-net"]["sentences"] == 1)
            near.close()

        bench.run(play)


def test_a_fault_of_our_own_is_named_and_the_server_is_read_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(tcp_inputs, "RETRY_S", (0.01, 0.02))
    faults = [1, 0]
    connect = tcp_inputs.TcpInput._connect

    async def faulty(source: tcp_inputs.TcpInput) -> tcp_inputs.Connection:
        if faults:
            1 // faults.pop()
        return await connect(source)

    monkeypatch.setattr(tcp_inputs.TcpInput, "_connect", faulty)
    with server() as far:
        bench.settings["inputs"] = {"ais-net": {"tcp": f"127.0.0.1:{far.getsockname()[1]}"}}

        async def play(feed: Feed) -> None:
            near, _ = await asyncio.get_running_loop().sock_accept(far)
            near.sendall(GLL)
            await until(lambda: feed.state()["inputs"]["ais-net"]["sentences"] == 1)
            near.close()

        bench.run(play)
    assert caplog.text.count("ZeroDivisionError") == 1


def test_a_server_that_falls_silent_is_asked_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    monkeypatch.setattr(tcp_inputs, "RETRY_S", (0.02, 0.1))
    with server() as far:
        bench.settings["inputs"] = {"ais-net": {"tcp": f"127.0.0.1:{far.getsockname()[1]}"}}

        async def play(feed: Feed) -> None:
            loop = asyncio.get_running_loop()
            near, _ = await loop.sock_accept(far)
            (source,) = feed.inputs
            await until(lambda: source.as_json()["present"])
            channels = [near]
            # Less and less often, and named once; once it speaks, as at first.
            for silence, says in ((60, b""), (120, b""), (60, GLL), (120, b"")):
                if says:
                    channels[-1].sendall(says)
                    await until(lambda: source.as_json()["sentences"] == 1)
                    source.watch(loop.time())
                source.watch(loop.time() + silence - 1)
                await asyncio.sleep(0.01)
                assert source.as_json()["present"]
                source.watch(loop.time() + silence + 1)
                await until(lambda: not source.as_json()["present"])
                channels.append((await loop.sock_accept(far))[0])
                await until(lambda: source.as_json()["present"])
            for channel in channels:
                channel.close()

        bench.run(play)
    told = [line for line in caplog.text.splitlines() if "ais-net:" in line]
    assert ["silent" in told[0], "heard again" in told[1], "silent" in told[2]] == [True] * 3
    assert len(told) == 3


def test_a_server_that_sends_us_away_each_time_is_named_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    monkeypatch.setattr(tcp_inputs, "RETRY_S", (0.01, 0.02))
    with server() as far:
        bench.settings["inputs"] = {"ais-net": {"tcp": f"127.0.0.1:{far.getsockname()[1]}"}}

        async def play(feed: Feed) -> None:
            loop = asyncio.get_running_loop()
            for _ in range(8):
                near, _ = await loop.sock_accept(far)
                near.close()

        bench.run(play)
    assert caplog.text.count("ais-net:") == 1


def test_others_bring_sentences_to_a_port(bench: Bench) -> None:
    bench.settings["inputs"] = {"wind-net": {"listen": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        (source,) = feed.inputs
        assert isinstance(source, TcpServerInput)
        tablet = await tablet_of(feed)
        bringers = [Tablet(source.port) for _ in range(2)]
        # Two at once do not mix their halves.
        bringers[0].channel.send(GLL[:20])
        await asyncio.sleep(0.02)
        bringers[1].channel.send(VTG)
        await until(lambda: VTG in tablet.look())
        bringers[0].channel.send(GLL[20:])
        await until(lambda: GLL in tablet.look())
        # What comes from a place is not sent there.
        assert all(bringer.look() == b"" for bringer in bringers)
        for bringer in [*bringers, tablet]:
            bringer.close()
        await until(lambda: not source.as_json()["present"])

    bench.run(play)


def test_more_connections_than_allowed_are_refused(bench: Bench) -> None:
    bench.settings["inputs"] = {"wind-net": {"listen": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        (source,) = feed.inputs
        assert isinstance(source, TcpServerInput)
        bringers = [Tablet(source.port) for _ in range(tcp_inputs.MAX_CONNECTIONS + 1)]
        await until(bringers[-1].left)
        for bringer in bringers:
            bringer.close()

    bench.run(play)


def test_sentences_in_datagrams(bench: Bench) -> None:
    bench.settings["inputs"] = {"net": {"udp": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        (source,) = feed.inputs
        assert isinstance(source, UdpInput)
        tablet = await tablet_of(feed)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for datagram in (GLL + VTG, GGA[:-2], GLL[:20], GLL[20:], b"", numbered(1)):
                sender.sendto(datagram, ("127.0.0.1", source.port))
        await until(lambda: numbered(1) in tablet.look())
        assert tablet.seen == GLL + VTG + GGA + numbered(1)
        tablet.close()

    bench.run(play)


def test_our_own_broadcast_does_not_come_in_again(bench: Bench) -> None:
    gnss = bench.link("gnss")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    bench.settings["inputs"] = {"net": {"udp": port, "address": "127.0.0.1"}}
    bench.settings["outputs"]["udp"] = [{"address": "127.0.0.1", "port": port}]

    async def play(feed: Feed) -> None:
        tablet = await tablet_of(feed)
        gnss.say(GLL)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(VTG, ("127.0.0.1", port))
        await until(lambda: {GLL, VTG} <= set(tablet.look().splitlines(keepends=True)))
        await asyncio.sleep(0.05)
        assert sorted(tablet.seen.splitlines(keepends=True)) == sorted([GLL, VTG])
        # Nor is what was heard on that port said there again.
        assert feed.state()["outputs"]["udp"][0]["sent"] == 1
        assert feed.state()["inputs"]["net"]["sentences"] == 1
        tablet.close()

    bench.run(play)


@pytest.mark.usefixtures("own_groups")
def test_multicast_groups_are_read(bench: Bench) -> None:
    bench.settings["inputs"] = {"bridge": {"multicast": ["NAVD", "TGTD"], "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        (source,) = feed.inputs
        assert isinstance(source, MulticastInput)
        tablet = await tablet_of(feed)
        source.watch(0.0)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            interface = socket.inet_aton("127.0.0.1")
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface)
            source_tag = tag_block.build(("s", "GP0001"), ("n", "7"))
            sender.sendto(HEADER + source_tag + GLL + source_tag + VTG, GROUPS["NAVD"])
            sender.sendto(b"RaUdP\0" + GGA, GROUPS["NAVD"])
            blocks = [tag_block.build(("g", f"{n}-2-9"), ("s", "AI0001")) for n in (1, 2)]
            grouped = b"".join(block + line for block, line in zip(blocks, STATIC, strict=True))
            await until(lambda: VTG in tablet.look())
            sender.sendto(HEADER + grouped, GROUPS["TGTD"])
        await until(lambda: STATIC[1] in tablet.look())
        assert tablet.seen == GLL + VTG + STATIC[0] + STATIC[1]
        assert feed.state()["inputs"]["bridge"]["errors"]["noise"] == 1
        tablet.close()

    bench.run(play)


def test_steering_in_datagrams_is_refused_whoever_it_says_it_is_from(bench: Bench) -> None:
    pilot = bench.link("autopilot", baud=115200, listens={"APB": 100})
    bench.settings["inputs"] = {
        "net": {"udp": 0, "address": "127.0.0.1"},
        "trusted": {"listen": 0, "address": "127.0.0.1"},
    }
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB"],
        "from": {"chart-table": {"address": "127.0.0.1"}},
    }

    async def play(feed: Feed) -> None:
        net, trusted = feed.inputs
        assert isinstance(net, UdpInput) and isinstance(trusted, TcpServerInput)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(APB, ("127.0.0.1", net.port))
        await until(lambda: feed.gate.refused == 1)
        await asyncio.sleep(4 * 0.01)
        assert pilot.heard() == b""
        # The same address over TCP is the tablet.
        tablet = Tablet(trusted.port)
        tablet.channel.send(frame("$GPAPB,A,A,0.20,R,N,V,V,011,M,DEST,011,M,011,M"))
        await until(lambda: feed.listeners[0].sent == 1)
        tablet.close()

    bench.run(play)


@pytest.mark.usefixtures("own_groups")
def test_steering_in_multicast_is_refused_whoever_it_says_it_is_from(bench: Bench) -> None:
    pilot = bench.link("autopilot", baud=115200, listens={"APB": 100})
    bench.settings["inputs"] = {"bridge": {"multicast": ["NAVD"], "address": "127.0.0.1"}}
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB"],
        "from": {"chart-table": {"address": "127.0.0.1"}},
    }

    async def play(feed: Feed) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            interface = socket.inet_aton("127.0.0.1")
            other.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface)
            other.sendto(HEADER + tag_block.build(("s", "GP0001")) + APB, GROUPS["NAVD"])
        await until(lambda: feed.gate.refused == 1)
        await asyncio.sleep(0.04)

    bench.run(play)
    assert pilot.heard() == b""


def test_steering_from_an_input_that_the_profile_does_not_name_is_refused(bench: Bench) -> None:
    pilot = bench.link("autopilot", baud=115200, listens={"APB": 100})
    bench.settings["inputs"] = {"net": {"listen": 0, "address": "127.0.0.1", "talks": {"APB": 1}}}

    async def play(feed: Feed) -> None:
        (net,) = feed.inputs
        assert isinstance(net, TcpServerInput)
        tablet = Tablet(net.port)
        tablet.channel.send(APB)
        await until(lambda: feed.gate.refused == 1)
        tablet.close()

    bench.run(play)
    assert pilot.heard() == b""
