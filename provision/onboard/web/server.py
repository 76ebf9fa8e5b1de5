# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the one socket that systemd passes on: bounded connections, and an end when idle."""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections import Counter
from contextlib import suppress

from provision.onboard.web.connection import bound
from provision.onboard.web.http import MAX_HEAD_BYTES

#: Seconds without a connection after which a program ends, and between two looks.
IDLE_S, LOOK_S = 180.0, 5.0

#: The first descriptor that systemd passes on (sd_listen_fds(3)).
FIRST_DESCRIPTOR = 3


class BoundedServer:
    """Counts the connections of one listening socket. A subclass converses with each client.

    There are `at_most` connections at once, and `per_address` from one address.
    """

    def __init__(self, at_most: int, per_address: int) -> None:
        self._at_most, self._per_address = at_most, per_address
        self._by_address: Counter[str] = Counter()
        self.connections = 0
        self.used = time.monotonic()
        """When the last connection began or ended, in monotonic seconds."""

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Read one request and answer it. OSError and IncompleteReadError are passed over."""
        raise NotImplementedError

    def leave(self, transport: asyncio.WriteTransport) -> None:
        """Forget a connection that ends."""

    async def start(self, listening: socket.socket) -> asyncio.Server:
        """Take connections of this socket from now on."""
        return await asyncio.start_server(self._serve, sock=listening, limit=MAX_HEAD_BYTES)

    async def serve_until_idle(self, listening: socket.socket) -> None:
        """Serve until no client has been connected for `IDLE_S`."""
        async with await self.start(listening):
            while self.connections or time.monotonic() - self.used < IDLE_S:
                await asyncio.sleep(LOOK_S)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        address = str((writer.get_extra_info("peername") or ("",))[0])
        full = self.connections >= self._at_most
        if full or self._by_address[address] >= self._per_address:
            writer.transport.abort()
            return
        self.connections += 1
        self._by_address[address] += 1
        self.used = time.monotonic()
        try:
            bound(writer)
            with suppress(OSError, asyncio.IncompleteReadError):
                await self.converse(reader, writer)
        finally:
            self.leave(writer.transport)
            writer.transport.abort()
            self.connections -= 1
            self._by_address -= Counter([address])
            self.used = time.monotonic()


def passed_socket(unit: str) -> socket.socket:
    """Return the one socket that systemd has passed on. ValueError, naming `unit`, without one."""
    if os.environ.get("LISTEN_PID") != str(os.getpid()) or os.environ.get("LISTEN_FDS") != "1":
        raise ValueError(f"needs one socket from {unit}")
    listening = socket.socket(fileno=FIRST_DESCRIPTOR)
    listening.setblocking(False)
    return listening
