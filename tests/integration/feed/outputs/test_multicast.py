# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import socket

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net.listening_sockets import listen_udp
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS, HEADER
from tests.support.feed.rig import GLL, STATIC, VTG, Bench, until

HDG = frame("$HCHDG,101.1,,,7.1,W")


def test_groups_are_within_the_reserved_range() -> None:
    # IEC 61162-450, 5.4: 239.192.0.1 to 239.192.0.64; names and ports from memory.
    for address, _ in GROUPS.values():
        assert address.rsplit(".", 1)[0] == "239.192.0"
        assert 1 <= int(address.rsplit(".", 1)[1]) <= 64
    assert GROUPS["NAVD"] == ("239.192.0.4", 60004)
    assert GROUPS["PROP"] == ("239.192.0.8", 60008)


class Ear:
    """Listens to one group on the network."""

    def __init__(self, group: str) -> None:
        address, port = GROUPS[group]
        self.channel = listen_udp(address, port)
        membership = socket.inet_aton(address) + socket.inet_aton("127.0.0.1")
        self.channel.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
        self.heard: list[bytes] = []

    def listen(self) -> list[bytes]:
        try:
            while True:
                self.heard.append(self.channel.recv(65535))
        except BlockingIOError:
            return self.heard


def lines(datagram: bytes) -> list[tuple[tag_block.Tag, bytes]]:
    """TAG block and sentence of each line, by hand."""
    assert datagram.startswith(HEADER)
    found = []
    for line in datagram[len(HEADER) :].splitlines(keepends=True):
        empty, block, sentence = line.split(b"\\")
        tag = tag_block.parse(block)
        assert empty == b"" and tag is not None
        found.append((tag, sentence))
    return found


@pytest.mark.usefixtures("own_groups")
def test_each_sentence_goes_to_its_group_with_header_and_tag_block(bench: Bench) -> None:
    gnss, ais = bench.link("gnss"), bench.link("ais")
    bench.settings["outputs"]["multicast"] = {
        "interface": "127.0.0.1",
        "source": "KW0001",
        "but": [{"formatter": "DPT"}],
    }
    ears = {group: Ear(group) for group in ("NAVD", "TGTD", "SATD", "PROP", "MISC")}

    async def play(feed: Feed) -> None:
        own = frame("$PXYZ1,1")
        gnss.say(GLL + VTG + HDG + own + frame("$SDDPT,1,0.5"))
        ais.say(b"".join(STATIC))
        await until(lambda: all(ears[group].listen() for group in ears if group != "MISC"))
        assert [text for _, text in lines(ears["NAVD"].heard[0])] == [GLL, VTG]
        assert [text for _, text in lines(ears["SATD"].heard[0])] == [HDG]
        assert [text for _, text in lines(ears["PROP"].heard[0])] == [own]
        first, second = lines(ears["TGTD"].heard[0])
        assert [first[1], second[1]] == STATIC
        # The parts of one message are grouped.
        assert first[0].group is not None and second[0].group is not None
        assert first[0].group[:2] == (1, 2) and second[0].group[:2] == (2, 2)
        assert first[0].group[2] == second[0].group[2]
        every = [tag for ear in ears.values() for d in ear.listen() for tag, _ in lines(d)]
        assert {tag.get("s") for tag in every} == {"KW0001"}
        assert sorted(int(tag.get("n") or -1) for tag in every) == list(range(6))
        assert ears["MISC"].listen() == []

    bench.run(play)
    for ear in ears.values():
        ear.channel.close()


@pytest.mark.usefixtures("own_groups")
def test_nothing_from_multicast_goes_to_multicast(bench: Bench) -> None:
    bench.settings["inputs"] = {"bridge": {"multicast": ["NAVD"], "address": "127.0.0.1"}}
    bench.settings["outputs"]["multicast"] = {"interface": "127.0.0.1"}
    gnss = bench.link("gnss")

    async def play(feed: Feed) -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            interface = socket.inet_aton("127.0.0.1")
            other.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, interface)
            other.sendto(HEADER + GLL, GROUPS["NAVD"])
        await until(lambda: feed.state()["inputs"]["bridge"]["sentences"] == 1)
        gnss.say(VTG)
        await until(lambda: feed.state()["outputs"]["multicast"]["sent"] == 1)
        await asyncio.sleep(0.05)
        # Ours was not taken in, the other's not sent out.
        assert feed.state()["inputs"]["bridge"]["sentences"] == 1
        assert feed.state()["outputs"]["multicast"]["sent"] == 1

    bench.run(play)


def test_an_interface_that_is_not_there_yet_is_waited_for(bench: Bench) -> None:
    gnss = bench.link("gnss")
    bench.settings["outputs"]["multicast"] = {"interface": "203.0.113.1"}

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: feed.state()["outputs"]["multicast"]["dropped"] == 1)

    bench.run(play)
