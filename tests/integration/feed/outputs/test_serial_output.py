# SPDX-License-Identifier: GPL-3.0-or-later
import asyncio
import os
from contextlib import suppress

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import Sentence, frame, make
from provision.onboard.feed.outputs import serial_output as listeners
from provision.onboard.feed.outputs.serial_output import SerialOutput
from provision.onboard.feed.policy.rate_limit import RateLimit
from tests.support.feed.rig import GGA, GLL, VTG, Bench, Tablet, numbered, port_of, until

APB = "$GPAPB,A,A,{:.2f},L,N,V,V,011,M,DEST,011,M,011,M"


def apb(number: float, heard: float, origin: str = "plotter") -> Sentence:
    return make(APB.format(number), origin=origin, heard=heard)


def sentence(body: str, heard: float, origin: str = "gnss") -> Sentence:
    return make(body, origin=origin, heard=heard)


def listener_of(feed: Feed) -> SerialOutput:
    (listener,) = feed.listeners
    return listener


def unlimited(feed: Feed) -> SerialOutput:
    """Return the listener without rate limits, where a test is about something else."""
    listener = listener_of(feed)
    listener._rate_limit = RateLimit(dict.fromkeys(listener._rates, float("inf")))
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
            feed.router.publish([sentence(f"$SDDPT,{number},0.5", begin)])
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
        rest = [sentence(f"$SDDPT,{n},0.5", now) for n in (0, 1, 2)]
        motion = [sentence("$GPVTG,1", now)]
        steering = [apb(0.5, now)]
        feed.router.publish([*rest, *motion, *steering])
        await until(lambda: listener_of(feed).sent == 5)
        await asyncio.sleep(0.05)
        assert lines(pilot.heard()) == [s.raw for s in (*steering, *motion, *rest)]

    bench.run(play)


def test_full_queue_drops_the_oldest_of_the_least_urgent(bench: Bench) -> None:
    bench.link("display", baud=4800, listens={"DPT": 1000, "RMC": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        now = asyncio.get_running_loop().time()
        for n in range(40):
            listener.put(sentence(f"$SDDPT,{n},0.5", now))
        for n in range(10):
            listener.put(sentence(f"$GPRMC,{n},A,4807.038,N,01131.000,E,0.1,84.4,230394,,", now))
        _, motion, rest = listener._queues
        assert [s.fields[0] for s in motion] == [str(n) for n in range(10)]
        assert [s.fields[0] for s in rest] == [str(n) for n in range(18, 40)]
        assert listener.drops["full"] == 18

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
        await until(lambda: listener.drops["stale"] == 1)
        listener.put(apb(2, asyncio.get_running_loop().time()))
        await until(lambda: listener.sent == 1)
        # The newest takes the place of those that wait.
        for n in range(3, 6):
            listener.put(apb(n, asyncio.get_running_loop().time()))
        await until(lambda: listener.sent == 2)
        await asyncio.sleep(0.3)
        assert [line.split(b",")[3] for line in lines(pilot.heard())] == [b"2.00", b"5.00"]
        assert listener.drops["replaced"] == 2

    bench.run(play)
    for said in ("it would be more than a second old", "a newer one has come"):
        assert caplog.text.count(said) == 1


@pytest.mark.parametrize(
    ("body", "is_followed"),
    [("$HCHDG,{}.0,,,7.1,W", True), ("$WIMWV,{}.0,R,12.0,N,A", True), ("$SDDPT,{}.0,0.5", False)],
)
def test_nothing_that_a_pilot_follows_is_sent_when_it_is_a_second_old(
    bench: Bench, body: str, is_followed: bool
) -> None:
    """A heading or wind of before misleads a pilot; a depth is shown, late as it is."""
    bench.link("pilot", baud=4800, listens={"HDG": 1000, "MWV": 1000, "DPT": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        now = asyncio.get_running_loop().time()
        bodies = [body.format(number) for number in range(100, 130)]
        size = len(frame(bodies[0]))
        for one in bodies:
            listener.put(sentence(one, now))
        await until(lambda: listener.sent + listener.drops["stale"] == 30)
        # All of it takes longer than a second at 4800 baud.
        in_time = round(4800 / 10 / size)
        assert in_time < 25
        assert listener.sent == (pytest.approx(in_time, abs=3) if is_followed else 30)

    bench.run(play)


def test_of_what_was_held_up_on_its_way_only_the_newest_steers(bench: Bench) -> None:
    """Ten seconds of a tablet's sentences come in one piece, once its radio is heard again."""
    pilot = bench.link("pilot", baud=4800, listens={"APB": 1})
    bench.settings["steering"] = {
        "link": "pilot",
        "sentences": ["APB"],
        "from": {"chart-table": {"address": "127.0.0.1"}},
    }

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        tablet.channel.send(b"".join(apb(n, 0).raw for n in range(10)))
        await until(lambda: listener_of(feed).sent == 1)
        await asyncio.sleep(0.3)
        assert listener_of(feed).sent == 1
        assert pilot.heard() == apb(9, 0).raw
        tablet.close()

    bench.run(play)


def test_each_waypoint_of_a_route_is_sent(bench: Bench) -> None:
    bench.link("plotter", talks={"WPL": 1})
    pilot = bench.link("pilot", baud=115200, listens={"WPL": 10})

    async def play(feed: Feed) -> None:
        unlimited(feed)
        route = b"".join(frame(f"$GPWPL,4917.16,N,12310.64,W,{n:03}") for n in range(5))
        bench.instruments["plotter"].say(route)
        await until(lambda: listener_of(feed).sent == 5)
        await asyncio.sleep(0.02)
        assert pilot.heard() == route

    bench.run(play)


async def stuff(listener: SerialOutput, port: int) -> None:
    """Fill the port, so that nothing more goes in; the far end does not read."""
    listener._character = 1e-6
    tries = 0
    while tries < 5:
        try:
            os.write(port, b"\n")
            tries = 0
        except BlockingIOError:
            # The kernel may still be moving some of it on to the far end.
            await asyncio.sleep(0.01)
            tries += 1


def test_steering_that_was_begun_is_given_up_when_it_is_a_second_old(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=115200, listens={"APB": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        port = feed.links[1].port
        assert port is not None
        await stuff(listener, port)
        # Half of its second was gone before it could be begun.
        heard = asyncio.get_running_loop().time() - 0.5
        feed.router.publish([apb(1, heard)])
        await until(lambda: listener._begun is not None)
        # It is dropped then, and not a second after it was begun.
        assert listener._until == heard + 1.0
        await until(lambda: listener.drops["blocked"] == 1)
        assert b"APB" not in pilot.heard()

    bench.run(play)
    assert caplog.text.count("APB of plotter dropped: the other side takes nothing") == 1


def test_what_a_new_adapter_echoed_is_no_part_of_the_first_sentence(bench: Bench) -> None:
    """Before its port is set up the kernel sends back to it what its instrument says."""
    gnss, pilot = bench.link("gnss"), bench.link("pilot", listens={"DPT": 10})
    said = b""

    def whole() -> bool:
        # The kernel may bring it in pieces, and forgets what it has not brought at the end.
        nonlocal said
        with suppress(BlockingIOError):
            said += os.read(pilot.far, 100)
        return said.endswith(numbered(1))

    async def play(feed: Feed) -> None:
        gnss.say(numbered(1))
        await until(whole)

    bench.run(play)
    assert said == b"\r\n" + numbered(1)


def test_nothing_waits_in_the_kernel_behind_what_does_not_leave(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listeners, "STUCK_S", 0.2)
    held: list[int] = []
    monkeypatch.setattr(listeners, "waiting_to_leave", lambda _: len(held))
    pilot = bench.link("pilot", baud=115200, listens={"DPT": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        loop = asyncio.get_running_loop()

        def say(number: int) -> None:
            feed.router.publish([sentence(f"$SDDPT,{number},0.5", loop.time())])

        say(1)
        await until(lambda: listener.sent == 1)
        held.append(1)
        say(2)
        await asyncio.sleep(0.05)
        assert listener.sent == 1
        held.clear()
        await until(lambda: listener.sent == 2)
        # For good: the port is opened again, which makes the kernel forget it.
        held.append(1)
        say(3)
        await until(lambda: feed.links[0].port is None)
        held.clear()
        assert listener.drops["absent"] == 1
        await until(lambda: feed.links[0].port is not None)
        say(4)
        await until(lambda: listener.sent == 3)
        await asyncio.sleep(0.02)

    bench.run(play)
    assert lines(pilot.heard()) == [numbered(n) for n in (1, 2, 4)]


def test_steering_that_waits_when_the_adapter_goes_is_dropped_and_named(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    bench.link("plotter", talks={"APB": 1, "RMB": 1})
    bench.link("pilot", baud=4800, listens={"APB": 1000, "RMB": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        now = asyncio.get_running_loop().time()
        feed.router.publish(
            [
                sentence(
                    "$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,1.3,52.5,0.5,V", now, "plotter"
                ),
                apb(1, now),
            ]
        )
        feed.links[1].lost("pulled out")
        assert listener.drops["absent"] == 2
        assert listener.as_json()["queue"] == 0

    bench.run(play)
    assert "APB of plotter dropped: the adapter is not there" in caplog.text


def test_a_listener_that_takes_nothing_gets_no_old_steering_later(bench: Bench) -> None:
    bench.link("plotter", talks={"APB": 1})
    pilot = bench.link("pilot", baud=115200, listens={"APB": 1000, "DPT": 1000})

    async def play(feed: Feed) -> None:
        listener = unlimited(feed)
        loop = asyncio.get_running_loop()
        # Nobody reads: the pseudo-terminal fills up, quickly as on a fast wire.
        listener._character = 1e-6
        while not listener._rest:
            feed.router.publish(
                [sentence(f"$SDDPT,{n},{'0' * 60}", loop.time()) for n in range(30)]
            )
            await asyncio.sleep(0.02)
        old = apb(1, loop.time())
        feed.router.publish([old])
        await asyncio.sleep(1.3)
        assert listener.drops["blocked"] >= 1
        heard = pilot.heard()
        await asyncio.sleep(0.1)
        new = apb(2, loop.time())
        feed.router.publish([new])
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


def test_each_formatter_is_kept_to_its_rate(bench: Bench) -> None:
    display = bench.link("display", baud=115200, listens={"DPT": 2, "MTW": 20})

    async def play(feed: Feed) -> None:
        loop = asyncio.get_running_loop()
        begin = loop.time()
        for n in range(30):
            # As if three seconds went by, ten of each in a second.
            heard = begin + n / 10
            feed.router.publish(
                [sentence(f"$SDDPT,{n},0.5", heard), sentence(f"$YXMTW,{n},C", heard)]
            )
            await asyncio.sleep(0.01)
        await until(lambda: listener_of(feed)._begun is None)

    bench.run(play)
    heard = [line[3:6] for line in lines(display.heard())]
    assert heard.count(b"MTW") == 30
    assert 6 <= heard.count(b"DPT") <= 7


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
