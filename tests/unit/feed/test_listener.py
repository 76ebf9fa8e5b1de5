# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio

import pytest

from provision.onboard.feed.app import Feed
from provision.onboard.feed.listener import Listener
from provision.onboard.feed.pace import Pace
from provision.onboard.feed.sentence import Sentence, frame, make

from .conftest import GGA, GLL, VTG, Bench, numbered, until

APB = "$GPAPB,A,A,{:.2f},L,N,V,V,011,M,DEST,011,M,011,M"


def apb(number: float, heard: float, origin: str = "plotter") -> Sentence:
    return make(APB.format(number), origin=origin, heard=heard)


def sentence(body: str, heard: float, origin: str = "gnss") -> Sentence:
    return make(body, origin=origin, heard=heard)


def listener_of(feed: Feed) -> Listener:
    (listener,) = feed.listeners
    return listener


def unlimited(feed: Feed) -> Listener:
    """The listener without rate limits, where a test is about something else."""
    listener = listener_of(feed)
    listener._pace = Pace(dict.fromkeys(listener._rates, float("inf")))
    return listener


def lines(data: bytes) -> list[bytes]:
    return data.splitlines(keepends=True)


def test_only_what_it_listens_to_and_never_its_own(bench: Bench) -> None:
    gnss = bench.link("gnss")
    display = bench.link("display", baud=115200, listens={"GLL": 10, "DPT": 10}, talks={"DPT": 1})

    async def play(feed: Feed) -> None:
        gnss.say(GGA + VTG + GLL)
        display.say(numbered(1))
        await until(lambda: feed.state()["links"]["display"]["sentences"] == 1)
        gnss.say(numbered(2))
        await until(lambda: listener_of(feed).sent == 2)
        await asyncio.sleep(0.05)

    bench.run(play)
    assert display.heard() == GLL + numbered(2)


def test_the_wire_is_never_filled_ahead(bench: Bench) -> None:
    display = bench.link("display", baud=4800, listens={"DPT": 1000})

    async def play(feed: Feed) -> None:
        unlimited(feed)
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for number in range(30):
            feed.hub.publish([sentence(f"$SDDPT,{number},0.5", begin)])
        await asyncio.sleep(0.25)
        heard = display.heard()
        # IEC 61162-1: 480 characters a second, and the sentence that was begun.
        assert 50 <= len(heard) <= 480 * (loop.time() - begin) + len(numbered(10))

    bench.run(play)


def test_steering_goes_first_then_own_motion_then_the_rest(bench: Bench) -> None:
    bench.link("plotter", talks={"APB": 1})
    pilot = bench.link(
        "pilot", baud=38400, listens={"DPT": 1000, "RMC": 1000, "APB": 1000, "VTG": 1000}
    )

    async def play(feed: Feed) -> None:
        unlimited(feed)
        now = asyncio.get_running_loop().time()
        busy = sentence("$SDDPT,0,0.5", now)
        rest = [sentence(f"$SDDPT,{n},0.5", now) for n in (1, 2)]
        motion = [sentence("$GPVTG,1", now)]
        steering = [apb(0.5, now)]
        feed.hub.publish([busy, *rest, *motion, *steering])
        await until(lambda: listener_of(feed).sent == 5)
        await asyncio.sleep(0.05)
        order = [busy, *steering, *motion, *rest]
        assert lines(pilot.heard()) == [s.raw for s in order]

    bench.run(play)


def test_full_queue_drops_the_oldest_of_the_least_urgent(bench: Bench) -> None:
    bench.link("display", baud=4800, listens={"DPT": 1000, "RMC": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        now = asyncio.get_running_loop().time()
        for n in range(40):
            listener.put(sentence(f"$SDDPT,{n},0.5", now))
        for n in range(10):
            listener.put(sentence(f"$GPRMC,{n}", now))
        _, motion, rest = listener._queues
        assert [s.fields[0] for s in motion] == [str(n) for n in range(10)]
        assert [s.fields[0] for s in rest] == [str(n) for n in range(18, 40)]
        # The first one is on the wire.
        assert listener.drops["full"] == 17 and listener.sent == 1

    bench.run(play)


def test_steering_older_than_a_second_is_never_delivered(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=4800, listens={"APB": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        now = asyncio.get_running_loop().time()
        # It would be a second old when its last character has left.
        listener.put(apb(1, now - 0.95))
        assert listener.drops["stale"] == 1
        # The newest takes the place of those that wait.
        for n in range(2, 6):
            listener.put(apb(n, asyncio.get_running_loop().time()))
        await until(lambda: listener.sent == 2)
        await asyncio.sleep(0.3)
        assert [line.split(b",")[3] for line in lines(pilot.heard())] == [b"2.00", b"5.00"]
        assert listener.drops["replaced"] == 2

    bench.run(play)
    for said in ("it would be more than a second old", "a newer one has come"):
        assert caplog.text.count(said) == 1


def test_a_listener_that_takes_nothing_gets_no_old_steering_later(bench: Bench) -> None:
    bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=115200, listens={"APB": 1000, "DPT": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        loop = asyncio.get_running_loop()
        # Nobody reads: the pseudo-terminal fills up, quickly as on a fast wire.
        listener._character = 1e-6
        while not listener._rest:
            feed.hub.publish([sentence(f"$SDDPT,{n},{'0' * 60}", loop.time()) for n in range(30)])
            await asyncio.sleep(0.02)
        old = apb(1, loop.time())
        feed.hub.publish([old])
        await asyncio.sleep(1.3)
        assert listener.drops["blocked"] >= 1
        heard = pilot.heard()
        await asyncio.sleep(0.1)
        new = apb(2, loop.time())
        feed.hub.publish([new])
        await until(lambda: new.raw in pilot.heard())
        assert old.raw not in heard

    bench.run(play)


def test_listener_waits_for_its_adapter(bench: Bench) -> None:
    gnss = bench.link("gnss")
    display = bench.link("display", listens={"GLL": 1})
    display.unplug()

    async def play(feed: Feed) -> None:
        gnss.say(GLL)
        await until(lambda: feed.state()["links"]["gnss"]["sentences"] == 1)
        display.plug()
        await until(lambda: feed.links[1].port is not None)
        await asyncio.sleep(0.05)
        # What was heard before is old news.
        assert display.heard() == b""
        gnss.say(GLL)
        await until(lambda: display.heard() == GLL)

    bench.run(play)


def test_filter_of_what_is_sent_to_a_link(bench: Bench) -> None:
    gnss, spare = bench.link("gnss"), bench.link("spare")
    sends = {"only": [{"link": "gnss"}], "but": [{"talker": "GN"}]}
    display = bench.link("display", baud=115200, listens={"GLL": 10, "VTG": 10}, sends=sends)

    async def play(feed: Feed) -> None:
        spare.say(VTG)
        await until(lambda: feed.state()["links"]["spare"]["sentences"] == 1)
        gnss.say(frame("$GNGLL,5057.970,N,00146.110,E,142451,A") + GLL)
        await until(lambda: listener_of(feed).sent == 1)
        await asyncio.sleep(0.03)

    bench.run(play)
    assert display.heard() == GLL


def test_a_whole_sentence_is_what_leaves(bench: Bench) -> None:
    gnss = bench.link("gnss")
    display = bench.link("display", baud=115200, listens={"TXT": 1})
    text = frame("$GPTXT,01,01,02,ABC")

    async def play(feed: Feed) -> None:
        gnss.say(text)
        await until(lambda: listener_of(feed).sent == 1)
        await asyncio.sleep(0.02)

    bench.run(play)
    assert display.heard() == text
