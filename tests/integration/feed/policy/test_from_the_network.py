# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences from the boat's network reach a listening link only where the profile says so."""

import asyncio
import socket

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, HEADER
from provision.onboard.feed.sources.tcp_inputs import TcpServerInput
from provision.onboard.feed.sources.udp_inputs import MulticastInput, UdpInput
from tests.support.feed.rig import Bench, Tablet, port_of, until

HDG = frame("$HCHDG,100.0,,,2.0,W")
FALSE = frame("$IIHDG,190.0,,,2.0,W")
MWV = frame("$WIMWV,045.0,R,12.0,N,A")
NETWORK = ("net", "door", "bridge")


@pytest.fixture
def aboard(bench: Bench, own_groups: None) -> Bench:
    bench.link("pilot", baud=115200, listens={"HDG": 100, "MWV": 100})
    bench.link("compass", baud=115200, talks={"HDG": 10})
    talks = {"talks": {"MWV": 1}}
    bench.settings["inputs"] = {
        "net": {"udp": 0, "address": "127.0.0.1", **talks},
        "door": {"listen": 0, "address": "127.0.0.1", **talks},
        "bridge": {"multicast": ["SATD"], "address": "127.0.0.1", **talks},
    }
    return bench


async def send(feed: Feed, data: bytes) -> None:
    """Send by every input, and over the feed's own port."""
    net, door, bridge = feed.inputs
    assert isinstance(net, UdpInput) and isinstance(door, TcpServerInput)
    assert isinstance(bridge, MulticastInput)
    bridge.watch(0.0)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        interface = socket.inet_aton("127.0.0.1")
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface)
        sender.sendto(data, ("127.0.0.1", net.port))
        sender.sendto(HEADER + data, GROUPS["SATD"])
    for port in (door.port, port_of(feed)):
        tablet = Tablet(port)
        tablet.channel.send(data)
        await asyncio.sleep(0.02)
        tablet.close()
    await until(lambda: all(feed.state()["inputs"][name]["sentences"] for name in NETWORK))


def heard(bench: Bench) -> list[bytes]:
    return bench.instruments["pilot"].heard().splitlines(keepends=True)


def test_no_heading_of_the_network_reaches_a_pilot(
    aboard: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    async def play(feed: Feed) -> None:
        await send(feed, FALSE)
        aboard.instruments["compass"].say(HDG)
        await until(lambda: feed.listeners[0].sent == 1)
        await asyncio.sleep(0.08)

    aboard.run(play)
    assert heard(aboard) == [HDG]
    assert "pilot: HDG of net is not passed on" in caplog.text


def test_what_an_input_talks_reaches_the_link_that_listens_to_it(aboard: Bench) -> None:
    """Other sentences of the input do not reach the link, for its `talks` does not name them."""
    aboard.settings["links"]["pilot"]["listens_to"] = ["net"]

    async def play(feed: Feed) -> None:
        net = feed.inputs[0]
        assert isinstance(net, UdpInput)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(FALSE + MWV, ("127.0.0.1", net.port))
        await until(lambda: feed.listeners[0].sent == 1)
        await asyncio.sleep(0.08)

    aboard.run(play)
    assert heard(aboard) == [MWV]


def test_another_input_than_the_named_one_does_not_reach_it(aboard: Bench) -> None:
    aboard.settings["links"]["pilot"]["listens_to"] = ["net"]
    wind = frame("$WIMWV,050.0,R,12.0,N,A")

    async def play(feed: Feed) -> None:
        net, door, _ = feed.inputs
        assert isinstance(net, UdpInput) and isinstance(door, TcpServerInput)
        tablet = Tablet(door.port)
        tablet.channel.send(MWV)
        await until(lambda: feed.state()["inputs"]["door"]["sentences"] == 1)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(wind, ("127.0.0.1", net.port))
        await until(lambda: feed.listeners[0].sent == 1)
        await asyncio.sleep(0.08)
        tablet.close()

    aboard.run(play)
    assert heard(aboard) == [wind]


def test_a_network_source_that_is_believed_does_not_silence_the_compass_for_the_pilot(
    aboard: Bench,
) -> None:
    """Tablets believe the first in order; the pilot the first of those that it may hear."""
    aboard.settings["prefer"] = {"order": {"heading": ["net", "compass"]}}

    async def play(feed: Feed) -> None:
        net = feed.inputs[0]
        assert isinstance(net, UdpInput)
        tablet = Tablet(port_of(feed))
        await until(lambda: feed.server._clients)  # type: ignore[union-attr]
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.sendto(FALSE, ("127.0.0.1", net.port))
        await until(lambda: tablet.look() == FALSE)
        aboard.instruments["compass"].say(HDG)
        await until(lambda: feed.listeners[0].sent == 1)
        await asyncio.sleep(0.08)
        assert tablet.look() == FALSE
        assert feed.state()["believed"]["heading"]["source"] == "net"
        tablet.close()

    aboard.run(play)
    assert heard(aboard) == [HDG]
