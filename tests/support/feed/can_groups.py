# SPDX-License-Identifier: GPL-3.0-or-later
"""Groups of an NMEA 2000 network, and a feed to send them to."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import pynmea2
import pytest

from provision.onboard.feed.daemon import Feed
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.nmea2000 import pgn
from provision.onboard.feed.sources.can import EXTENDED, FRAME, CanSource
from tests.support.feed.rig import Bench, Tablet, port_of, until

HEADING = struct.pack("<BHhhB", 1, 17645, 32767, -1240, 0xFD)
TRUE_HEADING = struct.pack("<BHhhB", 1, 17645, 32767, 32767, 0xFC)
SPEED = struct.pack("<BHHBB", 1, 262, 65535, 0, 0xFF)
DEPTH = struct.pack("<BIhB", 1, 523, 500, 10)
POSITION = struct.pack("<ii", 509661666, -17685000)
COURSE = struct.pack("<BBHHH", 1, 0xFC, 15533, 257, 0xFFFF)
WIND = struct.pack("<BHHB2x", 1, 617, 7854, 0xFA)
FIX = (
    struct.pack("<BHIqqq", 1, 20782, 518912500, 509661666000000000, -17685000000000000, 45400000)
    + bytes([0x13, 0xFC, 8])
    + struct.pack("<hhiB", 90, 150, 4690, 0)
)


def parsed(body: str) -> Any:
    return pynmea2.parse(frame(f"${pgn.TALKER}{body}").decode(), check=True)


def fast(group_bytes: bytes, sequence: int = 0) -> list[bytes]:
    """Return the frames of a fast packet."""
    pieces = [group_bytes[:6]] + [group_bytes[n : n + 7] for n in range(6, len(group_bytes), 7)]
    frames = []
    for count, piece in enumerate(pieces):
        head = bytes([sequence << 5 | count]) + (bytes([len(group_bytes)]) if count == 0 else b"")
        frames.append((head + piece).ljust(8, b"\xff"))
    return frames


def reference() -> Any:
    return pytest.importorskip("nmea2000", reason="the reference library is not installed")


def decoded(group: int, data: bytes) -> dict[str, Any]:
    """Return what the library reads, in its own units: radians, metres a second, degrees."""
    decoder = reference().NMEA2000Decoder()
    pieces = fast(data) if pgn.GROUPS[group].is_fast else [data]
    message = None
    for piece in pieces:
        identifier = 2 << 26 | group << 8 | 7
        said = " ".join(f"{byte:02X}" for byte in piece)
        message = decoder.decode(f" can0  {identifier:08X}   [{len(piece)}]  {said}")
    assert message is not None and group == message.PGN
    return {field.id: field.value for field in message.fields}


def can_frame(group: int, data: bytes, source: int = 3) -> bytes:
    return FRAME.pack(2 << 26 | group << 8 | source | EXTENDED, len(data), data)


Say = Callable[[int, bytes, int], Awaitable[None]]


@asynccontextmanager
async def plugged_in(feed: Feed) -> AsyncIterator[tuple[CanSource, socket.socket, Tablet]]:
    """Give the feed's only NMEA 2000 link a network, and read what a tablet gets."""
    (link,) = feed.cans
    tablet = Tablet(port_of(feed))
    await until(lambda: feed.server._clients)  # type: ignore[union-attr]
    ours, network = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    ours.setblocking(False)
    link.use(ours)
    yield link, network, tablet
    network.close()
    await asyncio.sleep(0.02)
    tablet.close()


def play(
    bench: Bench, talks: dict[str, int], story: Callable[[Say, Tablet], Awaitable[None]]
) -> None:
    """Let `story` send groups to a feed with one NMEA 2000 network, and read what comes out."""
    bench.settings["links"]["backbone"] = {"can": "none0", "talks": talks}

    async def run(feed: Feed) -> None:
        async with plugged_in(feed) as (link, network, tablet):

            async def say(group: int, data: bytes, source: int) -> None:
                pieces = fast(data) if pgn.GROUPS[group].is_fast else [data]
                before = link.frames
                for piece in pieces:
                    network.send(can_frame(group, piece, source))
                await until(lambda: link.frames == before + len(pieces))

            await story(say, tablet)

    bench.run(run)
