# SPDX-License-Identifier: GPL-3.0-or-later
"""Each way somebody could steer who should not."""

import asyncio
from pathlib import Path

import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.net import arp
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.sources import ingest
from tests.support.feed.rig import APB, GLL, Bench, Tablet, port_of, until

RMB = frame("$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,001.3,052.5,000.5,V")
HSC = frame("$APHSC,40.12,T,39.11,M")

LISTENS = {"APB": 100, "RMB": 100, "HSC": 100, "PXYZ1": 100}
TABLE = """\
IP address       HW type     Flags       HW address            Mask     Device
127.0.0.2        0x1         0x2         02:00:00:12:34:56     *        boat0
127.0.0.3        0x1         0x0         02:00:00:12:34:57     *        boat0
"""


@pytest.fixture
def aboard(bench: Bench) -> Bench:
    """Give an autopilot, a plotter on a link, and a profile that names two controllers."""
    bench.link("autopilot", baud=115200, talks={"HDG": 10}, listens=LISTENS)
    bench.link("plotter", talks={"APB": 1, "RMB": 1})
    bench.link("gnss", talks={"GLL": 1})
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB", "RMB"],
        "silence": 2,
        "from": {"chart-table": {"address": "127.0.0.2"}, "plotter": {"link": "plotter"}},
    }
    return bench


async def settle(feed: Feed) -> None:
    await asyncio.sleep(0.08)


def steered(bench: Bench) -> bytes:
    return bench.instruments["autopilot"].heard()


async def tablets(feed: Feed, *addresses: str) -> list[Tablet]:
    come = [Tablet(port_of(feed), address) for address in addresses]
    await until(lambda: len(feed.server._clients) == len(addresses))  # type: ignore[union-attr]
    return come


def test_the_named_tablet_steers_and_is_shown(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        (table, other) = await tablets(feed, "127.0.0.2", "127.0.0.9")
        table.channel.send(APB + RMB)
        await until(lambda: feed.listeners[0].sent == 2)
        told = feed.state()["steering"]
        assert (told["controller"], told["refused"]) == ("chart-table", 0)
        await settle(feed)
        assert steered(aboard) == APB + RMB
        # Other tablets see who steers where; it is not sent back to its sender.
        assert other.look() == APB + RMB
        assert table.look() == b""

    aboard.run(play)


def test_a_tablet_that_connects_anew_steers_on(
    aboard: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    """Sending the same sentence as a moment before is no echo."""

    async def play(feed: Feed) -> None:
        for count in range(1, 4):
            (table,) = await tablets(feed, "127.0.0.2")
            table.channel.send(APB)
            await until(lambda count=count: feed.listeners[0].sent == count)
            table.close()
            await until(lambda: not feed.server._clients)  # type: ignore[union-attr]
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == APB * 3
    assert "loop" not in caplog.text and "come back" not in caplog.text


def test_another_tablet_does_not(aboard: Bench, caplog: pytest.LogCaptureFixture) -> None:
    async def play(feed: Feed) -> None:
        (stranger, other) = await tablets(feed, "127.0.0.9", "127.0.0.2")
        stranger.channel.send(APB * 5)
        await until(lambda: feed.gate.refused == 5)
        await settle(feed)
        assert other.look() == b""

    aboard.run(play)
    assert steered(aboard) == b""
    assert caplog.text.count("APB from 127.0.0.9 refused") == 1


def test_nobody_on_the_network_without_a_word_in_the_profile(aboard: Bench) -> None:
    del aboard.settings["steering"]

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        table.channel.send(APB)
        await until(lambda: feed.gate.refused == 1)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == b""


def test_without_a_word_a_link_that_declares_the_sentence_steers(aboard: Bench) -> None:
    del aboard.settings["steering"]

    async def play(feed: Feed) -> None:
        aboard.instruments["gnss"].say(APB)
        await until(lambda: feed.gate.refused == 1)
        aboard.instruments["plotter"].say(RMB)
        await until(lambda: feed.listeners[0].sent == 1)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == RMB


def test_another_link_does_not(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        aboard.instruments["gnss"].say(APB)
        await until(lambda: feed.gate.refused == 1)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == b""


def test_another_sentence_does_not(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        # The link listens to both, but the profile names neither for steering; what a
        # proprietary sentence does to a pilot is unknown.
        table.channel.send(HSC + frame("$PXYZ1,1"))
        await until(lambda: feed.gate.refused == 2)
        aboard.instruments["plotter"].say(HSC)
        await until(lambda: feed.gate.refused == 3)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == b""


def test_another_listener_is_not_steered(aboard: Bench) -> None:
    aboard.link("second-pilot", baud=115200, listens={"APB": 100})

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        table.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        await settle(feed)

    aboard.run(play)
    assert aboard.instruments["second-pilot"].heard() == b""
    assert steered(aboard) == APB


def test_a_display_shows_what_a_link_says_and_nothing_from_the_network(aboard: Bench) -> None:
    display = aboard.link("display", baud=115200, listens={"APB": 100})

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        table.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        assert feed.gate.refused == 1
        other = APB.replace(b"0.10", b"0.11")
        aboard.instruments["plotter"].say(frame(other[:-5].decode()))
        await until(lambda: feed.listeners[1].sent == 1)
        await settle(feed)

    aboard.run(play)
    assert b"0.11" in display.heard()
    # The tablet is the controller; the plotter only shows its own on the display.
    assert steered(aboard) == APB


def test_one_controller_at_a_time(aboard: Bench, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level("INFO")

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        aboard.instruments["plotter"].say(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        table.channel.send(RMB)
        await until(lambda: feed.gate.refused == 1)
        assert feed.state()["steering"]["controller"] == "plotter"
        await settle(feed)
        assert steered(aboard) == APB
        # The plotter falls silent: nobody steers, nothing is repeated, the tablet may.
        loop = asyncio.get_running_loop()
        feed.gate.watch(loop.time() + 2.1)
        assert feed.state()["steering"]["controller"] is None
        await settle(feed)
        assert steered(aboard) == b""
        table.channel.send(RMB)
        await until(lambda: feed.listeners[0].sent == 2)
        assert feed.state()["steering"]["controller"] == "chart-table"
        await settle(feed)
        assert steered(aboard) == RMB

    aboard.run(play)
    for said in (
        "plotter takes over from nobody",
        "RMB from chart-table refused, plotter steers",
        "plotter has fallen silent",
        "chart-table takes over from nobody",
    ):
        assert said in caplog.text


def test_each_listener_has_one_controller_at_a_time(aboard: Bench) -> None:
    """A second pilot, which two plotters say to steer; the profile names neither."""
    second = aboard.link("second-pilot", baud=115200, listens={"APB": 100})
    aboard.link("second-plotter", talks={"APB": 1})
    other = frame(APB[:-5].decode().replace("0.10", "0.20"))

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        table.channel.send(RMB)
        await until(lambda: feed.listeners[0].sent == 1)
        aboard.instruments["second-plotter"].say(other)
        await until(lambda: feed.listeners[1].sent == 1)
        refused = feed.gate.refused
        aboard.instruments["plotter"].say(APB)
        # By the tablet at one pilot, and by the other plotter at the other.
        await until(lambda: feed.gate.refused == refused + 2)
        told = feed.state()["steering"]
        assert told["controller"] == "chart-table"
        assert told["controllers"] == {"autopilot": "chart-table", "second-pilot": "second-plotter"}
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == RMB
    assert second.heard() == other


def test_a_borrowed_address_with_another_hardware_address_does_not(
    aboard: Bench, tmp_path: Path
) -> None:
    table_file = tmp_path / "arp"
    table_file.write_text(TABLE)
    senders = aboard.settings["steering"]["from"]
    senders["chart-table"]["mac"] = "02:00:00:12:34:56"
    senders["helm"] = {"address": "127.0.0.3", "mac": "02:00:00:12:34:57"}

    async def play(feed: Feed) -> None:
        feed.gate._hardware_address = lambda a: arp.hardware_address(a, str(table_file))
        (table, helm) = await tablets(feed, "127.0.0.2", "127.0.0.3")
        # This one's entry in the neighbour table is not complete.
        helm.channel.send(APB)
        await until(lambda: feed.gate.refused == 1)
        table.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        table_file.write_text(TABLE.replace("12:34:56", "66:66:66"))
        table.channel.send(RMB)
        await until(lambda: feed.gate.refused == 2)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == APB


def test_a_broken_or_half_sentence_does_not(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        table.channel.send(APB.replace(b"0.10", b"9.10") + APB[:30] + b"\r\n" + APB[:-5] + b"\r\n")
        aboard.instruments["plotter"].say(APB.replace(b"0.10", b"9.10"))
        await settle(feed)
        assert feed.gate.as_json(0)["controller"] is None

    aboard.run(play)
    assert steered(aboard) == b""


def test_what_an_adapter_may_have_stored_up_does_not(
    aboard: Bench, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Adapters keep what came before their port was opened, and say it then."""
    monkeypatch.setattr(ingest, "STORED_S", 0.3)

    async def play(feed: Feed) -> None:
        (table,) = await tablets(feed, "127.0.0.2")
        plotter = aboard.instruments["plotter"]
        for old, new in ((APB, RMB), (RMB, APB)):
            plotter.say(old * 3 + GLL)
            await until(lambda: GLL in table.look())
            await settle(feed)
            assert steered(aboard) == b""
            await asyncio.sleep(0.3)
            plotter.say(new)
            await until(lambda: feed.listeners[0].sent == 1)
            await settle(feed)
            assert steered(aboard) == new
            feed.listeners[0].sent, table.seen = 0, b""
            feed.links[1].lost("pulled out")
            await until(lambda: feed.links[1].port is not None)

    aboard.run(play)
    assert "plotter: APB only logged: the port has just been opened" in caplog.text


def test_a_sentence_without_a_checksum_does_not_where_others_may_lack_it(aboard: Bench) -> None:
    aboard.settings["links"]["plotter"]["unchecked"] = True

    async def play(feed: Feed) -> None:
        aboard.instruments["plotter"].say(APB[:-5] + b"\r\n" + GLL[:-5] + b"\r\n")
        await until(lambda: feed.state()["links"]["plotter"]["sentences"] == 1)
        await settle(feed)

    aboard.run(play)
    assert steered(aboard) == b""


def test_other_sentences_of_a_controller_go_nowhere(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        (table, other) = await tablets(feed, "127.0.0.2", "127.0.0.9")
        table.channel.send(GLL + APB)
        await until(lambda: other.look() == APB)

    aboard.run(play)
