# SPDX-License-Identifier: GPL-3.0-or-later
"""A fault of our own in one part of the feed stops no other: it is counted, named and shown."""

import asyncio
from collections.abc import Callable

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.voyage_log import log
from tests.support.feed.rig import Bench, Tablet, numbered, port_of, until

APB = frame("$GPAPB,A,A,0.10,L,N,V,V,011,M,DEST,011,M,011,M")
PREFER = {"order": {"depth": ["depth"]}}


def breaks(*_: object) -> bool:
    raise ValueError("a fault of our own")


def break_wants_of_a_tap(feed: Feed) -> None:
    feed.log.wants = breaks  # type: ignore[union-attr, method-assign]


def break_wants_of_the_server(feed: Feed) -> None:
    feed.server.wants = breaks  # type: ignore[union-attr, method-assign]


def break_wants_of_a_display(feed: Feed) -> None:
    feed.listeners[1].wants = breaks  # type: ignore[method-assign]


def break_put(feed: Feed) -> None:
    feed.server.put = breaks  # type: ignore[union-attr, method-assign, assignment]


def break_hears(feed: Feed) -> None:
    group = feed.router._groups[1]
    assert group.sinks == [feed.listeners[1]]
    feed.router._groups[1] = group._replace(hears=breaks)


def break_beliefs(feed: Feed) -> None:
    feed.priority.passes = breaks  # type: ignore[union-attr, method-assign]


def break_a_links_own_beliefs(feed: Feed) -> None:
    feed.router._groups[0].priority.passes = breaks  # type: ignore[union-attr, method-assign]


def break_kinds(feed: Feed) -> None:
    feed.priority.kind = breaks  # type: ignore[union-attr, method-assign, assignment]


def break_echoes(feed: Feed) -> None:
    feed.loop_guard.returns = breaks  # type: ignore[method-assign]


def break_a_deferred_send_to_a_client(feed: Feed) -> None:
    next(iter(feed.server._clients)).send = breaks  # type: ignore[union-attr, method-assign, assignment]


def break_the_servers_flush(feed: Feed) -> None:
    feed.server._send = breaks  # type: ignore[union-attr, method-assign, assignment]


def break_datagrams(feed: Feed) -> None:
    feed.outputs.by_kind["udp"][0]._udp = None  # type: ignore[attr-defined]


def break_multicast(feed: Feed) -> None:
    (multicast,) = feed.outputs.by_kind["multicast"]
    multicast._on_interface = breaks  # type: ignore[attr-defined]


def break_a_display(feed: Feed) -> None:
    feed.listeners[1]._next = breaks  # type: ignore[method-assign, assignment]


FAULTS: list[tuple[Callable[[Feed], None], str]] = [
    (break_wants_of_a_tap, "voyage log"),
    (break_wants_of_the_server, "tcp"),
    (break_wants_of_a_display, "display"),
    (break_put, "tcp"),
    (break_hears, "display"),
    (break_beliefs, "beliefs"),
    (break_a_links_own_beliefs, "pilot: beliefs"),
    (break_kinds, "beliefs"),
    (break_echoes, "echoes"),
    (break_a_deferred_send_to_a_client, "tcp"),
    (break_the_servers_flush, "tcp"),
    (break_datagrams, "127.0.0.5:10110"),
    (break_multicast, "multicast"),
    (break_a_display, "display"),
]


@pytest.fixture
def boat(bench: Bench) -> Bench:
    """Let a plotter steer a pilot. A display, tablets, datagrams and the voyage log hear all."""
    settings = bench.settings
    settings["inputs"] = {"net": {"udp": 0, "address": "127.0.0.1", "talks": {"HDT": 1}}}
    settings["outputs"]["udp"] = [{"address": "127.0.0.5", "port": 10110}]
    settings["outputs"]["multicast"] = {"interface": "127.0.0.1"}
    settings["prefer"] = PREFER
    settings["log"] = {"folder": str(bench.folder / "log"), "interval": 1}
    return bench


@pytest.mark.usefixtures("own_groups")
@pytest.mark.parametrize(("damage", "name"), FAULTS, ids=[f.__name__ for f, _ in FAULTS])
def test_a_fault_of_one_part_keeps_nothing_from_the_pilot(
    boat: Bench, caplog: pytest.LogCaptureFixture, damage: Callable[[Feed], None], name: str
) -> None:
    plotter = boat.link("plotter", talks={"APB": 1})
    depth = boat.link("depth", talks={"DPT": 1})
    pilot = boat.link("pilot", baud=38400, listens={"APB": 10, "DPT": 10})
    boat.link("display", baud=38400, listens={"APB": 10, "DPT": 10})

    async def play(feed: Feed) -> None:
        tablets = [Tablet(port_of(feed)) for _ in range(2)]
        await until(lambda: len(feed.server._clients) == 2)  # type: ignore[union-attr]
        damage(feed)
        for number in range(3):
            plotter.say(APB)
            depth.say(numbered(number))
            await until(lambda number=number: feed.listeners[0].sent >= 2 * (number + 1))
            # No more often than the pilot takes it.
            await asyncio.sleep(0.15)
        await until(lambda: feed.state()["faults"].get(name, 0) >= 1)
        assert set(feed.state()["faults"]) == {name}
        if name != "tcp":
            await until(lambda: tablets[0].look().count(APB) == 3)
        elif damage is break_a_deferred_send_to_a_client:
            await until(lambda: max(t.look().count(APB) for t in tablets) == 3)
        for tablet in tablets:
            tablet.close()

    boat.run(play)
    heard = pilot.heard()
    assert heard.count(APB) == 3
    assert all(numbered(number) in heard for number in range(3))
    assert f"{name}: a fault" in caplog.text


def test_a_log_that_cannot_be_written_by_a_fault_of_our_own(
    boat: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    del boat.settings["prefer"]
    plotter = boat.link("plotter", talks={"APB": 1})
    boat.link("pilot", baud=38400, listens={"APB": 10})
    monkeypatch.setattr(log.VoyageLog, "write", breaks)

    async def play(feed: Feed) -> None:
        plotter.say(APB)
        await until(lambda: feed.state()["faults"] == {"voyage log": 1})
        assert feed.listeners[0].sent == 1
        monkeypatch.undo()

    boat.run(play)


def test_what_wants_nothing_by_a_fault_is_asked_again(bench: Bench) -> None:
    depth = bench.link("depth", talks={"DPT": 1})

    async def play(feed: Feed) -> None:
        tablet = Tablet(port_of(feed))
        server = feed.server
        assert server is not None
        await until(lambda: server._clients)
        server.wants = breaks  # type: ignore[method-assign]
        depth.say(numbered(1))
        await until(lambda: feed.state()["faults"] == {"tcp": 1})
        del server.wants  # type: ignore[method-assign]
        depth.say(numbered(2))
        await until(lambda: tablet.look() == numbered(2))
        tablet.close()

    bench.run(play)


def test_a_display_that_failed_once_is_sent_whole_sentences_after_it(bench: Bench) -> None:
    depth = bench.link("depth", talks={"DPT": 1})
    display = bench.link("display", baud=38400, listens={"DPT": 10})

    async def play(feed: Feed) -> None:
        listener = feed.listeners[0]
        begin = listener._begin

        def fails(sentence: object, now: float) -> None:
            listener._begin = begin  # type: ignore[method-assign]
            raise ValueError("a fault of our own")

        listener._begin = fails  # type: ignore[method-assign, assignment]
        depth.say(numbered(1))
        await until(lambda: feed.state()["faults"] == {"display": 1})
        depth.say(numbered(2))
        await until(lambda: listener.sent == 1)

    bench.run(play)
    assert display.heard() == numbered(2)
