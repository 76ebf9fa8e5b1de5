# SPDX-License-Identifier: GPL-3.0-or-later
"""Web pages, and whatever else is no NMEA 0183, by each way in."""

import asyncio
import socket
from collections.abc import Callable

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.opening import Opening
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, HEADER
from provision.onboard.feed.report import fault_log
from provision.onboard.feed.sources import tcp_inputs
from provision.onboard.feed.sources.tcp_inputs import TcpServerInput
from provision.onboard.feed.sources.udp_inputs import MulticastInput, UdpInput
from tests.support.feed.rig import GGA, GLL, VTG, Bench, Tablet, port_of, until

APB = frame("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M")
TAG = tag_block.build(("s", "GP0001"))

#: What a page can make a browser send (RFC 9112 and 9113; methods may hold '$' and '!', RFC
#: 9110, 5.6.2), and what other programs begin with (TLS: RFC 8446; STUN: RFC 8489).
FOREIGN = {
    "a form": [b"POST / HTTP/1.1\r\nHost: 10.47.1.1:10110\r\n\r\n\r\n" + APB],
    "a form in pieces": [b"POST / HTTP/1.1\r\n", b"Host: x\r\n\r\n", b"\r\n", APB],
    "a first octet alone": [b"P", b"OST / HTTP/1.1\r\n" + APB],
    "a whole address": [b"GET http://10.47.1.1:10110/ HTTP/1.1\r\n\r\n" + APB],
    "a method like a sentence": [b"$GPAPB /$GPAPB,A*00 HTTP/1.1\r\n\r\n" + APB],
    "a method in pieces": [b"!", b"AIVDM / HTTP/1.1", b"\r\n\r\n" + APB],
    "a socket of a page": [b"GET / HTTP/1.1\r\nUpgrade: websocket\r\n\r\n\x81\x40" + APB],
    "HTTP/2": [b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n" + APB],
    "TLS": [b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n" + APB],
    "text before": [b"steer\r\n" + APB],
    "text on the line": [b"steer" + APB],
    "empty lines before": [b"\r\n\r\nPOST / HTTP/1.1\r\n\r\n" + APB],
    "a wrong checksum": [b"$GPGLL,5057.970,N*00\r\n" + APB],
    "a TAG block's wrong checksum": [b"\\s:GP0001*00\\" + APB],
    "a line without end": [b"$GP" + b"A" * 2000, APB],
}

GOOD = {
    "a sentence": [GLL],
    "a sentence by octets": [GLL[i : i + 1] for i in range(len(GLL))],
    "empty lines": [b"\r\n", b"\n" + GLL],
    "a TAG block": [TAG[:3], TAG[3:] + GLL],
    "a TAG block on its own line": [TAG + b"\r\n" + GLL],
    "noise behind it": [GLL, b"\xff\x00steer\r\n" + VTG],
}


def refused(pieces: list[bytes]) -> bool:
    opening = Opening()
    return any([opening.refuses(piece) for piece in pieces])


@pytest.mark.parametrize("name", FOREIGN)
def test_what_is_no_nmea_is_known_by_its_beginning(name: str) -> None:
    assert refused(FOREIGN[name])


@pytest.mark.parametrize("name", GOOD)
def test_what_begins_with_a_sentence_is_taken(name: str) -> None:
    assert not refused(GOOD[name])


def test_a_sentence_without_checksum_begins_where_it_is_allowed() -> None:
    bare = b"$SDDPT,4.1,0.5\r\n"
    assert Opening().refuses(bare)
    assert not Opening(unchecked=True).refuses(bare)
    assert Opening(unchecked=True).refuses(b"$GPAPB / HTTP/1.1\r\n")


async def sent(tablet: Tablet, pieces: list[bytes]) -> None:
    tablet.channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    try:
        for piece in pieces:
            tablet.channel.send(piece)
            await asyncio.sleep(0.01)
    except OSError:
        pass  # The feed has closed the connection already.
    await until(tablet.left)
    tablet.close()


@pytest.mark.parametrize("name", FOREIGN)
def test_a_page_neither_steers_nor_is_heard(bench: Bench, name: str) -> None:
    """From the address of the tablet that may steer, by the feed's port and by an input's."""
    pilot = bench.link("autopilot", baud=115200, listens={"APB": 100})
    bench.settings["inputs"] = {"net": {"listen": 0, "address": "127.0.0.1"}}
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB"],
        "from": {"chart-table": {"address": "127.0.0.1"}},
    }

    async def play(feed: Feed) -> None:
        (net,) = feed.inputs
        assert isinstance(net, TcpServerInput)
        for port in (port_of(feed), net.port):
            await sent(Tablet(port), FOREIGN[name])
        assert feed.state()["inputs"]["net"]["sentences"] == 0
        assert feed.state()["steering"]["controller"] is None
        # The same tablet's program does steer.
        tablet = Tablet(port_of(feed))
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        # A port that is closed at once takes back what the kernel has not moved yet.
        await asyncio.sleep(0.08)
        tablet.close()

    bench.run(play)
    assert pilot.heard() == APB


@pytest.mark.usefixtures("own_groups")
def test_a_datagram_that_is_not_all_sentences_is_dropped_whole(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.settings["inputs"] = {
        "net": {"udp": 0, "address": "127.0.0.1"},
        "bridge": {"multicast": ["NAVD"], "address": "127.0.0.1"},
    }

    async def play(feed: Feed) -> None:
        net, bridge = feed.inputs
        assert isinstance(net, UdpInput) and isinstance(bridge, MulticastInput)
        bridge.watch(0.0)
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            interface = socket.inet_aton("127.0.0.1")
            sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface)
            for pieces in FOREIGN.values():
                sender.sendto(b"".join(pieces), ("127.0.0.1", net.port))
                sender.sendto(HEADER + b"".join(pieces), GROUPS["NAVD"])
            stun = b"\x00\x01\x00\x20\x21\x12\xa4\x42" + bytes(12) + b"\x00\x06\x00\x1c\r\n"
            sender.sendto(stun + APB, ("127.0.0.1", net.port))
            sender.sendto(APB + b"and more", ("127.0.0.1", net.port))
            sender.sendto(GLL + TAG + b"\r\n" + GGA[:-2], ("127.0.0.1", net.port))
            sender.sendto(HEADER + TAG + VTG, GROUPS["NAVD"])
        await until(lambda: net.as_json()["sentences"] and bridge.as_json()["sentences"])
        await until(lambda: tablet.look().count(b"\n") == 3)
        assert sorted(tablet.seen.splitlines(keepends=True)) == sorted([GLL, GGA, VTG])
        tablet.close()

    bench.run(play)
    assert caplog.text.count("a datagram that is not all sentences") == 2


def test_an_address_cannot_take_a_listening_port_whole(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Connections at once, or held for long, do not fill the port. A sender of sentences stays."""
    bench.settings["inputs"] = {"net": {"listen": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        loop = asyncio.get_running_loop()
        (net,) = feed.inputs
        assert isinstance(net, TcpServerInput)
        silent = [Tablet(net.port, "127.0.0.5") for _ in range(tcp_inputs.MAX_CONNECTIONS)]
        speaks = Tablet(net.port, "127.0.0.6")
        speaks.channel.send(GLL)
        await until(lambda: net.as_json()["sentences"] == 1)
        await until(lambda: sum(tablet.left() for tablet in silent) == 12)
        net.watch(loop.time() + tcp_inputs.IDLE_S[0] - 1)
        assert len(net._connections) == 5
        # Noise alone is not enough to stay.
        silent[0].channel.send(b"$GP")
        await asyncio.sleep(0.02)
        net.watch(loop.time() + tcp_inputs.IDLE_S[0] + 1)
        await until(lambda: len(net._connections) == 1)
        assert not speaks.left()
        net.watch(loop.time() + tcp_inputs.IDLE_S[1] + 1)
        await until(speaks.left)
        for tablet in [*silent, speaks]:
            tablet.close()

    bench.run(play)
    assert "127.0.0.5 refused: 4 from there" in caplog.text


@pytest.mark.parametrize(
    "record",
    [
        lambda told, n: told.warn("steering", f"refused 10.0.{n // 250}.{n % 250}", f"from {n}"),
        lambda told, n: told.note("tcp", f"10.0.0.1:{n} has come"),
    ],
    ids=["spoofed senders", "connections"],
)
def test_invented_senders_cannot_fill_the_journal(
    caplog: pytest.LogCaptureFixture, record: Callable[[fault_log.FaultLog, int], None]
) -> None:
    caplog.set_level("INFO")
    clock = [0.0]
    told = fault_log.FaultLog(clock=lambda: clock[0])
    for number in range(10000):
        record(told, number)
        clock[0] += 0.01
    # A line a minute after the first ones.
    assert fault_log.BURST_LINES <= len(caplog.records) <= fault_log.BURST_LINES + 2
    # Other faults of the same subject are named, and later it says what was kept back.
    told = fault_log.FaultLog(clock=lambda: clock[0])
    for number in range(30):
        record(told, number)
    told.warn("steering", "second plotter", "second")
    assert caplog.records[-1].getMessage() == "steering: second"
    clock[0] += fault_log.REFILL_S
    record(told, 31)
    assert "10 other lines like this were not written" in caplog.records[-1].getMessage()
