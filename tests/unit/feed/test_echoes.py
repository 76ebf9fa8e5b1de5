# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import socket
from ipaddress import IPv4Address, IPv4Network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net.subnet import Subnet
from provision.onboard.feed.nmea0183.sentence import Sentence, make
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.onboard.feed.policy.loop_guard import ECHO_WINDOW_S, LoopGuard
from provision.onboard.feed.policy.recent import MAX_SENTENCE_AGE_S, MAX_SENTENCES
from provision.onboard.feed.report.fault_log import FaultLog
from tests.support.feed_rig import GGA, GLL, VTG, Bench, Tablet, numbered, port_of, until


def says(origin: str, number: int, at: float, formatter: str = "DPT") -> Sentence:
    return make(f"$SD{formatter},{number},0.5", origin=origin, heard=at)


def loop_guard(*two_way: str) -> LoopGuard:
    every = {"gnss", "display", "sounder", "second-sounder", "repeater", "ais", "second-ais"}
    sent = {name: frozenset({"DPT"} if name in two_way else {}) for name in every}
    return LoopGuard(sent, FaultLog())


def test_what_comes_back_from_where_we_sent_it_is_dropped() -> None:
    breaking = loop_guard("display")
    assert not breaking.returns(says("gnss", 1, 0.0))
    assert breaking.returns(says("display", 1, 0.5))
    assert not breaking.returns(says("display", 2, 0.6))
    # The same again much later is news.
    assert not breaking.returns(says("display", 1, 0.6 + ECHO_WINDOW_S))


def test_what_is_not_sent_there_cannot_come_back() -> None:
    breaking = loop_guard("autopilot", "display")
    # Two compasses that agree, one of them an autopilot's, which listens to depths only.
    for second in range(10):
        assert not breaking.returns(says("gnss", second, second + 0.0, "HDG"))
        assert not breaking.returns(says("display", second, second + 0.1, "HDG"))
    # An input on the network may bring back anything.
    breaking.returns(says("gnss", 1, 100.0, "HDG"))
    assert breaking.returns(says("net", 1, 100.1, "HDG"))


def test_a_source_may_repeat_itself_and_two_may_agree() -> None:
    breaking = loop_guard("display")
    for second in range(10):
        assert not breaking.returns(says("sounder", 5, float(second)))
    # Two sounders with one reading, both talkers only, agree now and then.
    for second in range(100):
        assert not breaking.returns(says("sounder", second, second + 0.0))
        same = second if second % 2 else -second
        assert not breaking.returns(says("second-sounder", same, second + 0.1))
    assert breaking.dropped == 0


def test_a_talker_that_says_only_what_others_said_is_a_repeater() -> None:
    """It may be a second adapter on the same wire. Dropping its sentences would change nothing
    here: they come whatever we send. A ring is another thing, see test_echo_rings.py."""
    breaking = loop_guard()
    for number in range(200):
        assert not breaking.returns(says("gnss", number, number / 10))
        assert not breaking.returns(says("repeater", number, number / 10 + 0.05))


def test_an_input_that_repeats_its_fixes_is_a_repeater() -> None:
    """20 fixes a second with times of whole seconds, and a depth that stays. What comes whatever
    we send is no ring, and nothing of it is dropped; were it one, the fixes would come late."""
    breaking = loop_guard()
    for second in range(60):
        for n in range(20):
            at = second + n / 20
            fix = make(f"$GPGGA,1235{second:02},4807.038,N", origin="net", heard=at)
            depth = make("$SDDPT,5.2,0.5", origin="net", heard=at + 0.01)
            assert not breaking.returns(fix)
            assert not breaking.returns(depth)


def test_an_instrument_on_the_network_may_say_the_same_as_often_as_it_likes() -> None:
    breaking = loop_guard()
    bodies = "$HCHDG,101.1,,,7.1,W", "$GPGGA,,,,,,0", "$SDDPT,5.2,0.5"
    for n in range(600):
        fix = f"$GPGGA,{123500 + n},4807.038,N"
        for body in (fix, *bodies):
            assert not breaking.returns(make(body, origin="net", heard=n / 10))


def test_two_receivers_hear_the_same_targets() -> None:
    breaking = loop_guard()
    for number in range(100):
        body = f"!AIVDM,1,1,,A,{number:020d},0"
        assert not breaking.returns(make(body, origin="ais", heard=number / 10))
        assert not breaking.returns(make(body, origin="second-ais", heard=number / 10))


def test_memory_is_bounded() -> None:
    breaking = loop_guard("display")
    for number in range(3 * MAX_SENTENCES):
        breaking.returns(says("gnss", number, 0.0))
    assert max(map(len, breaking._recent.values())) <= 2 * MAX_SENTENCES
    breaking = loop_guard("display")
    for number in range(MAX_SENTENCES):
        breaking.returns(says("gnss", number, number / 10))
    assert max(map(len, breaking._recent.values())) <= 2 * (MAX_SENTENCE_AGE_S * 10 + 2)


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
    """Somebody reads the feed and brings all of it to an input of ours."""
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
    """One box on the boat's network brings its own sentences, one beyond it others; a broadcast
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


@given(st.integers(0, 2**32 - 1), st.integers(0, 32), st.integers(0, 2**32 - 1))
def test_a_subnet_holds_what_the_standard_library_says(base: int, length: int, other: int) -> None:
    network = IPv4Network((base, length), strict=False)
    subnet = Subnet.parse(str(network))
    assert subnet.holds(str(IPv4Address(other))) == (IPv4Address(other) in network)
    assert subnet.holds(str(network.broadcast_address))
