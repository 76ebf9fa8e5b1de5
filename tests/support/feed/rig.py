# SPDX-License-Identifier: GPL-3.0-or-later
"""A feed in this process, with pseudo-terminals for adapters and sockets for tablets."""

from __future__ import annotations

import asyncio
import os
import socket
import termios
import tty
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pyais
import pytest

from provision.onboard.feed.config import parse
from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.sentence import Sentence, frame
from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.onboard.feed.sources import ingest

GLL = b"$GPGLL,5057.970,N,00146.110,E,142451,A*27\r\n"
VTG = b"$GPVTG,089.0,T,,,15.2,N,,*7F\r\n"
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
APB = frame("$GPAPB,A,A,0.10,R,N,V,V,011,M,DEST,011,M,011,M")

#: An AIS message of type 5 in two parts, as encoded by pyais.
STATIC = [
    line.encode() + b"\r\n"
    for line in pyais.encode_dict(
        {"type": 5, "mmsi": 235000001, "shipname": "TERN", "destination": "NORTH HARBOUR"},
        talker_id="AI",
        radio_channel="B",
        seq_id=3,
    )
]


class Instrument:
    """Plays an instrument on a pseudo-terminal. `device` is a link that can be pulled out."""

    def __init__(self, device: Path) -> None:
        self.device = device
        self.plug()

    def plug(self) -> None:
        self._in_line = False
        self.far, near = os.openpty()
        tty.setraw(near)
        self.device.symlink_to(os.ttyname(near))
        os.close(near)
        os.set_blocking(self.far, False)

    def unplug(self) -> None:
        self.device.unlink(missing_ok=True)
        with suppress(OSError):
            os.close(self.far)
        self.far = -1

    def say(self, data: bytes) -> None:
        os.write(self.far, data)

    def heard(self) -> bytes:
        """Return what came since the last call for the instrument, without the line ends
        that its port is begun with whenever it is opened."""
        pieces = []
        with suppress(OSError):
            while piece := os.read(self.far, 65536):
                pieces.append(piece)
        said = b""
        for line in b"".join(pieces).splitlines(keepends=True):
            if line != b"\r\n" or self._in_line:
                said += line
            self._in_line = not line.endswith(b"\n")
        return said

    def speed(self) -> int:
        """Return the termios speed that the port was set to."""
        return int(termios.tcgetattr(self.far)[4])


class Tablet:
    """Reads the feed as a TCP client."""

    def __init__(self, port: int, address: str = "127.0.0.1") -> None:
        self.channel = socket.socket()
        self.channel.bind((address, 0))
        self.channel.connect(("127.0.0.1", port))
        self.channel.setblocking(False)
        self.seen = b""

    def look(self) -> bytes:
        """Return all that has come so far."""
        with suppress(BlockingIOError):
            while piece := self.channel.recv(65536):
                self.seen += piece
        return self.seen

    def left(self) -> bool:
        """Report whether the feed has closed the connection."""
        try:
            return self.channel.recv(1) == b""
        except BlockingIOError:
            return False
        except ConnectionResetError:
            return True

    def close(self) -> None:
        self.channel.close()


async def until(condition: Callable[[], object], seconds: float = 5.0) -> None:
    """Wait until something is so; fail when it is not so in time."""
    async with asyncio.timeout(seconds):
        while not condition():
            await asyncio.sleep(0.005)


@contextmanager
def feeding(settings: dict[str, Any]) -> Iterator[Feed]:
    feed = Feed(parse.parse(settings))
    try:
        yield feed
    finally:
        feed.stop()


class Bench:
    """Instruments by name, and settings that name them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.instruments: dict[str, Instrument] = {}
        self.settings: dict[str, Any] = {
            "links": {},
            "outputs": {"tcp": {"port": 0, "address": "127.0.0.1"}},
            "state": {"socket": str(folder / "state.sock")},
        }

    def link(self, name: str, **keys: Any) -> Instrument:
        instrument = Instrument(self.folder / name)
        self.instruments[name] = instrument
        self.settings["links"][name] = {"device": str(instrument.device), **keys}
        return instrument

    def run(self, play: Callable[[Feed], Coroutine[Any, Any, None]]) -> None:
        """Run `play` beside a feed with these settings."""

        async def both() -> None:
            with feeding(self.settings) as feed:
                await feed.start()
                await play(feed)
                if feed.listeners:
                    # A port that is closed at once takes back what the kernel has not moved yet.
                    await asyncio.sleep(0.05)

        asyncio.run(both())


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    # Pseudo-terminals store up nothing while nobody reads them.
    monkeypatch.setattr(ingest, "STORED_S", 0.0)
    bench = Bench(tmp_path)
    yield bench
    for instrument in bench.instruments.values():
        instrument.unplug()


@pytest.fixture
def own_groups(monkeypatch: pytest.MonkeyPatch) -> None:
    """Multicast groups at ports of our own: other tests may run on this machine."""
    for name, (address, _) in list(GROUPS.items()):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.bind(("127.0.0.1", 0))
            monkeypatch.setitem(GROUPS, name, (address, probe.getsockname()[1]))


def port_of(feed: Feed) -> int:
    assert feed.server is not None
    return feed.server.port


def numbered(number: int, formatter: str = "DPT") -> bytes:
    """A sentence that can be told from its neighbours."""
    return frame(f"$SD{formatter},{number},0.5")


def feed_sentence(raw: bytes, heard: float) -> Sentence:
    (sentence,) = Framer("gnss", from_start=True).feed(raw, heard)
    return sentence
