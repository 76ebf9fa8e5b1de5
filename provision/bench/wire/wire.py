# SPDX-License-Identifier: GPL-3.0-or-later
"""Carry bytes between one adapter and the instruments on its wire.

Bytes pass unchanged as long as both ends have the same baud rate, the right polarity, and nothing
else is on the wire. Otherwise each bit is put onto a line, and sampled at the other end's rate.

All times are those of the running event loop, in seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
from pathlib import Path
from random import Random

from provision.bench.hull.schema import HullAdapter
from provision.bench.wire.line import Line, Noise, Talker
from provision.bench.wire.receiver import Receiver
from provision.bench.wire.terminal import Terminal
from provision.profile.schema.types import BITS_PER_CHARACTER

#: Seconds between two looks at a line: an adapter hands over what it received as often (the
#: default latency timer of ftdi_sio).
LOOK_S = 0.016

#: Bytes that are read from an instrument at once.
READ_BYTES = 256

#: How much faster than its wire a log may be played back.
MAX_SPEED = 10.0


class End:
    """Serve one instrument's socket: one program plays the instrument at a time."""

    def __init__(self, path: Path, baud: int) -> None:
        self.baud = baud
        self.talker = Talker()
        self.stream: socket.socket | None = None
        self.listening = Line()
        self.received = Receiver(self.listening)
        self.boat = Talker()
        self.listening.add(self.boat)
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(path))
        self._server.listen()
        self._server.setblocking(False)

    async def accept(self) -> socket.socket:
        """Wait for a program, and return its connection."""
        self.stream, _ = await asyncio.get_running_loop().sock_accept(self._server)
        self.stream.setblocking(False)
        return self.stream

    def hear(self, data: bytes, baud: int, inverted: bool, now: float) -> None:
        """Let the instrument receive what the boat sent at `baud`."""
        if baud != self.baud or inverted:
            self.listening.inverted = inverted
            self.boat.say(data, now, baud)
            end = self.boat.free + BITS_PER_CHARACTER / self.baud
            data = self.received.read(self.baud, end)
            self.boat.free = end
        if self.stream and data:
            # An instrument that does not read misses what is sent.
            with contextlib.suppress(OSError):
                self.stream.send(data)

    def close(self) -> None:
        """Close the socket."""
        self._server.close()
        if self.stream:
            self.stream.close()


class Wire:
    """Carry what one adapter and its instruments say to each other.

    `paths` are the instruments' sockets, in the order of the adapter's instruments.
    """

    def __init__(self, adapter: HullAdapter, terminal: Terminal, paths: list[Path]) -> None:
        self._adapter = adapter
        self._terminal = terminal
        self._ends = [
            End(path, instrument.baud)
            for path, instrument in zip(paths, adapter.instruments, strict=True)
        ]
        talkers = [instrument for instrument in adapter.instruments if instrument.is_talker]
        self._mixes = adapter.inverted or adapter.noise or len(talkers) > 1
        self._attached = False
        self._baud = 0
        self._line, self._receiver = Line(), Receiver(Line())
        self._looking: asyncio.Task[None] | None = None

    async def run(self) -> None:
        """Carry until cancelled."""
        loop = asyncio.get_running_loop()
        loop.add_reader(self._terminal.master, self._from_boat)
        try:
            async with asyncio.TaskGroup() as group:
                for end in self._ends:
                    group.create_task(self._serve(end))
                group.create_task(self._look())
        finally:
            loop.remove_reader(self._terminal.master)
            for end in self._ends:
                end.close()

    def attach(self, attached: bool) -> None:
        """Plug the adapter in, or out. Nothing that is said while it is out reaches the boat."""
        self._terminal.clear()
        self._attached = attached

    def set_baud(self, instrument: int, baud: int) -> None:
        """Set the end of one of the adapter's instruments to another baud rate."""
        self._ends[instrument].baud = baud

    async def _serve(self, end: End) -> None:
        """Carry what an instrument sends."""
        loop = asyncio.get_running_loop()
        while True:
            stream = await end.accept()
            try:
                free = 0.0
                while data := await loop.sock_recv(stream, READ_BYTES):
                    speed = await self._carry(end, data)
                    # A program that sends faster than that is held back.
                    taken = len(data) * BITS_PER_CHARACTER / (end.baud * speed)
                    free = max(free, loop.time()) + taken
                    if (ahead := free - loop.time()) > LOOK_S:
                        await asyncio.sleep(ahead - LOOK_S)
            except OSError:
                pass
            finally:
                stream.close()
                end.stream = None

    async def _carry(self, end: End, data: bytes) -> float:
        """Carry bytes to the boat. Return how much faster than its wire the end may send."""
        if not self._attached:
            return 1
        self._follow()
        if not self._mixes and self._baud == end.baud:
            while self._attached and not self._terminal.has_room:
                # What waits here and in the socket holds the instrument back.
                await asyncio.sleep(LOOK_S)
            if self._attached:
                self._terminal.write(data)
            return MAX_SPEED
        if self._terminal.has_room:
            end.talker.say(data, asyncio.get_running_loop().time(), end.baud)
        return 1

    def _follow(self) -> None:
        """Begin anew when the boat has set another baud rate: an adapter drops what it held."""
        baud = self._terminal.baud
        if baud == self._baud:
            return
        self._baud = baud
        self._terminal.clear()
        self._line = Line(inverted=self._adapter.inverted)
        for end in self._ends:
            end.talker.edges.clear()
            self._line.add(end.talker)
        if self._adapter.noise:
            self._line.add(Noise(Random(self._baud), asyncio.get_running_loop().time()))  # noqa: S311
        self._receiver = Receiver(self._line)

    async def _look(self) -> None:
        """Receive what is on the line, as often as an adapter hands it over."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(LOOK_S)
            busy = self._adapter.noise or any(end.talker.edges for end in self._ends)
            if not (self._attached and busy and self._terminal.has_room):
                continue
            self._follow()
            if self._baud and (data := self._receiver.read(self._baud, loop.time())):
                self._terminal.write(data)

    def _from_boat(self) -> None:
        """Carry what the boat sends to every instrument on the wire."""
        data = self._terminal.read()
        now = asyncio.get_running_loop().time()
        for end in self._ends:
            end.hear(data, self._terminal.baud or end.baud, self._adapter.inverted, now)
