# SPDX-License-Identifier: GPL-3.0-or-later
"""A tablet with a pass-phrase of its own steers only while hostapd says that it joined by it.

The whole way is at work here but for the radio: the feed, boat-stations and the protocol of
hostapd's control interface.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.onboard.feed.config import parse
from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.policy import station_query, tablet_proof
from provision.onboard.stations.server import Server
from tests.support.feed.hostapd_double import HostapdDouble
from tests.support.feed.rig import Bench, Tablet, port_of, until

MAC = "02:00:00:12:34:56"
APB = frame("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M")
RMC = frame("$GPRMC,120000,A,5057.970,N,00146.110,E,5.0,089.0,260726,,")


@pytest.fixture
def hostapd(tmp_path: Path) -> Iterator[HostapdDouble]:
    double = HostapdDouble(tmp_path / "wlan0")
    yield double
    double.stop()


@pytest.fixture
def boat_stations(tmp_path: Path, hostapd: HostapdDouble) -> Iterator[None]:
    server = Server(str(tmp_path / "stations"), str(tmp_path / "wlan0"))
    ended = threading.Event()

    def work() -> None:
        while not ended.is_set():
            server.step(0.05)

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    yield
    ended.set()
    thread.join()
    server.close()


@pytest.fixture
def aboard(bench: Bench, tmp_path: Path) -> Bench:
    """Give an autopilot, and a tablet with its own pass-phrase that may steer it."""
    bench.link("autopilot", baud=115200, listens={"APB": 100, "RMC": 100})
    sender = {"address": "127.0.0.2", "mac": MAC, "keyid": "chart-table"}
    bench.settings["steering"] = {
        "link": "autopilot",
        "sentences": ["APB"],
        "from": {"chart-table": sender},
    }
    bench.settings["stations"] = str(tmp_path / "stations")
    return bench


def steered(bench: Bench) -> bytes:
    return bench.instruments["autopilot"].heard()


async def connect(feed: Feed, address: str = "127.0.0.2") -> Tablet:
    assert feed.server is not None
    feed.gate._hardware_address = lambda _: MAC
    before = len(feed.server._clients)
    tablet = Tablet(port_of(feed), address)
    server = feed.server
    await until(lambda: len(server._clients) == before + 1)
    return tablet


async def refused(feed: Feed, count: int, seconds: float = 5.0) -> None:
    await until(lambda: feed.gate.refused == count, seconds)
    await asyncio.sleep(0.05)
    assert feed.listeners[0].sent == 0


@pytest.mark.usefixtures("boat_stations")
def test_a_tablet_that_joined_by_its_own_steers(aboard: Bench, hostapd: HostapdDouble) -> None:
    async def play(feed: Feed) -> None:
        hostapd.join(MAC, "chart-table")
        feed.proof.watch()
        await until(lambda: feed.state()["steering"]["tablets"])
        assert feed.state()["steering"]["tablets"] == {
            "chart-table": "joined by its own pass-phrase"
        }
        tablet = await connect(feed)
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        told = feed.state()["steering"]
        assert (told["controller"], told["refused"]) == ("chart-table", 0)

    aboard.run(play)
    assert steered(aboard) == APB


@pytest.mark.usefixtures("boat_stations")
@pytest.mark.parametrize(
    ("keyid", "said"),
    [
        # By the boat's: whoever forges the tablet's addresses, and knows no more.
        ("", "joined by another pass-phrase than its own"),
        ("galley", "joined by another pass-phrase than its own"),
        # Over the wire, or as another station: hostapd knows none with this address.
        (None, "not joined"),
    ],
)
def test_right_addresses_do_not_steer(
    aboard: Bench,
    hostapd: HostapdDouble,
    caplog: pytest.LogCaptureFixture,
    keyid: str | None,
    said: str,
) -> None:
    async def play(feed: Feed) -> None:
        if keyid is not None:
            hostapd.join(MAC, keyid)
        guest = await connect(feed)
        other = await connect(feed, "127.0.0.9")
        guest.channel.send(APB * 3)
        await refused(feed, 3)
        assert feed.state()["steering"]["controller"] is None
        assert other.look() == b""

    aboard.run(play)
    assert steered(aboard) == b""
    assert caplog.text.count(f"APB from chart-table does not steer: {said}") == 1


@pytest.mark.usefixtures("boat_stations")
def test_every_sentence_is_asked_about(aboard: Bench, hostapd: HostapdDouble) -> None:
    """A guest that takes the tablet's place takes over its addresses and its connection."""

    async def play(feed: Feed) -> None:
        hostapd.join(MAC, "chart-table")
        await asyncio.sleep(0.1)
        tablet = await connect(feed)
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        hostapd.join(MAC)
        tablet.channel.send(APB)
        await until(lambda: feed.gate.refused == 1)
        assert feed.listeners[0].sent == 1

    aboard.run(play)
    assert steered(aboard) == APB


@pytest.mark.usefixtures("boat_stations")
def test_a_connection_from_before_the_tablet_joined_has_to_begin_again(
    aboard: Bench, hostapd: HostapdDouble, caplog: pytest.LogCaptureFixture
) -> None:
    """A guest may have begun it, or put something into it that is read only now."""

    async def play(feed: Feed) -> None:
        hostapd.join(MAC)
        old = await connect(feed)
        await asyncio.sleep(0.05)
        hostapd.join(MAC, "chart-table")
        old.channel.send(APB)
        await refused(feed, 1)
        await until(old.left)
        new = await connect(feed)
        new.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)
        # A port that is closed at once takes back what the kernel has not moved yet.
        await asyncio.sleep(0.08)

    aboard.run(play)
    assert steered(aboard) == APB
    assert "its connection began before it joined" in caplog.text


@pytest.mark.usefixtures("boat_stations")
def test_nothing_steers_while_hostapd_does_not_answer(
    aboard: Bench, hostapd: HostapdDouble, caplog: pytest.LogCaptureFixture
) -> None:
    async def play(feed: Feed) -> None:
        hostapd.join(MAC, "chart-table")
        hostapd.stop()
        tablet = await connect(feed)
        tablet.channel.send(APB)
        await refused(feed, 1)
        hostapd.start()
        # What happened meanwhile is unknown: by this connection nothing steers any more.
        await asyncio.sleep(0.05)
        tablet.channel.send(APB)
        await refused(feed, 2)
        await until(tablet.left)
        tablet = await connect(feed)
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent == 1)

    aboard.run(play)
    assert "does not steer: not known: hostapd does not answer" in caplog.text


def test_nothing_steers_without_boat_stations(aboard: Bench) -> None:
    async def play(feed: Feed) -> None:
        tablet = await connect(feed)
        tablet.channel.send(APB)
        await refused(feed, 1)
        feed.proof.watch()
        assert feed.state()["steering"]["tablets"]["chart-table"].startswith("not known: ")

    aboard.run(play)


@pytest.mark.usefixtures("boat_stations")
def test_a_hostapd_that_hangs_delays_nobody_else(
    aboard: Bench, hostapd: HostapdDouble, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(station_query, "TIMEOUT_S", 0.3)
    gnss = aboard.link("gnss", talks={"RMC": 1})

    async def play(feed: Feed) -> None:
        hostapd.join(MAC, "chart-table")
        feed.proof.watch()
        await until(feed.proof.as_json)
        hostapd.silent = True
        tablet, other = await connect(feed), await connect(feed, "127.0.0.9")
        tablet.channel.send(APB)
        began = time.monotonic()
        gnss.say(RMC)
        await until(lambda: other.look() == RMC)
        assert time.monotonic() - began < 0.25
        await until(lambda: feed.gate.refused == 1)
        # The pilot gets what a link says all the same.
        assert feed.listeners[0].sent == 1
        hostapd.silent = False

    aboard.run(play)
    assert steered(aboard) == RMC


@pytest.mark.usefixtures("boat_stations")
@pytest.mark.parametrize(("keyid", "sent"), [("chart-table", 1), ("", 0)])
def test_the_same_holds_at_a_port_that_takes_sentences(
    aboard: Bench, hostapd: HostapdDouble, keyid: str, sent: int
) -> None:
    aboard.settings["inputs"] = {"guests": {"listen": 0, "address": "127.0.0.1"}}

    async def play(feed: Feed) -> None:
        hostapd.join(MAC, keyid)
        await asyncio.sleep(0.1)
        feed.gate._hardware_address = lambda _: MAC
        tablet = Tablet(feed.inputs[0].port, "127.0.0.2")  # type: ignore[union-attr]
        tablet.channel.send(APB)
        await until(lambda: feed.listeners[0].sent + feed.gate.refused == 1)
        assert feed.listeners[0].sent == sent

    aboard.run(play)
    assert steered(aboard) == APB * sent


def test_what_waits_for_an_answer_is_bounded(
    aboard: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """boat-stations takes the question, and says nothing."""
    monkeypatch.setattr(station_query, "TIMEOUT_S", 60.0)

    async def play(feed: Feed) -> None:
        server = Server(str(tmp_path / "stations"), str(tmp_path / "nothing"))
        tablet = await connect(feed)
        for _ in range(3):
            tablet.channel.send(APB * 50)
            await asyncio.sleep(0.05)
        await until(lambda: feed.gate.refused == 150 - tablet_proof.MAX_WAITING)
        server.close()
        await until(lambda: feed.gate.refused == 150)

    aboard.run(play)
    assert steered(aboard) == b""


@pytest.mark.parametrize("missing", ["address", "mac"])
def test_a_pass_phrase_is_known_by_a_hardware_address(aboard: Bench, missing: str) -> None:
    del aboard.settings["steering"]["from"]["chart-table"][missing]
    with pytest.raises(ConfigError, match="keyid needs address and mac"):
        parse.parse(aboard.settings)
