# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve one TCP client of the feed from its own bounded queue, so that it slows no other client.

The queue holds pieces of whole sentences. When it is full the oldest piece is dropped. A piece
that was started is always finished.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections import deque
from collections.abc import Callable

from provision.onboard.feed.config import models
from provision.onboard.feed.net.tcp_socket import CHUNK_BYTES, keep_alive, receive
from provision.onboard.feed.nmea0183.sentence import CLIENT_PREFIX

#: Bytes that the kernel may hold for one client: old news is worth little.
SEND_BUFFER_BYTES = 32768

#: Bytes read from a client in one go. Data that were held up on their way must come in one
#: piece, so that the newest sentence is known.
MAX_RECEIVE_BYTES = 16384


def prepare(channel: socket.socket, patience: float) -> None:
    """Set the options of a client's socket, so that a vanished tablet is noticed."""
    channel.setblocking(False)
    channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    keep_alive(channel, patience)


class TcpClient:
    """Holds a connection that sentences are sent to."""

    def __init__(
        self,
        channel: socket.socket,
        peer: tuple[str, int],
        tcp: models.TcpOptions,
        received: Callable[[TcpClient, bytes, bool], None],
        gone: Callable[[TcpClient, str], None],
    ) -> None:
        """Set the callbacks.

        `received` gets what the client sends, and whether more may wait to be read. `gone` gets the
        reason, once.
        """
        self.address, self.port = peer
        self.name = f"{CLIENT_PREFIX}{self.address}:{self.port}"
        self.connected = asyncio.get_running_loop().time()
        self.sent = self.dropped = 0
        self._channel = channel
        self._limit = tcp.queue
        self._patience = tcp.patience
        self._received = received
        self._gone = gone
        self._loop = asyncio.get_running_loop()
        self._begun = b""
        self._queue: deque[tuple[bytes, int]] = deque()
        self._queued = 0
        self._moved = 0.0
        self._closed = False
        self._loop.add_reader(channel, self._read)

    def send(self, piece: bytes, count: int) -> None:
        """Send a piece of `count` whole sentences now, or as soon as the client takes it."""
        if self._closed:
            return
        if self._begun:
            self._queue.append((piece, count))
            self._queued += len(piece)
            while self._queued > self._limit and len(self._queue) > 1:
                oldest, lost = self._queue.popleft()
                self._queued -= len(oldest)
                self.dropped += lost
            return
        try:
            written = self._channel.send(piece)
        except BlockingIOError:
            written = 0
        except OSError as error:
            self.close(error.strerror or str(error))
            return
        self.sent += written
        if written < len(piece):
            self._begun = piece[written:]
            self._moved = self._loop.time()
            self._loop.add_writer(self._channel, self._write)

    def _write(self) -> None:
        try:
            written = self._channel.send(self._begun)
        except BlockingIOError:
            return
        except OSError as error:
            self.close(error.strerror or str(error))
            return
        self.sent += written
        self._moved = self._loop.time()
        self._begun = self._begun[written:]
        if not self._begun:
            if not self._queue:
                self._loop.remove_writer(self._channel)
                return
            pieces = []
            size = 0
            while self._queue and size < CHUNK_BYTES:
                piece, _ = self._queue.popleft()
                pieces.append(piece)
                size += len(piece)
            self._queued -= size
            self._begun = b"".join(pieces)

    def _read(self) -> None:
        if data := receive(self._channel, MAX_RECEIVE_BYTES, self.close, "left"):
            self._received(self, data, len(data) == MAX_RECEIVE_BYTES)

    def watch(self, now: float) -> None:
        """Disconnect a client that has taken nothing for too long."""
        if self._begun and now - self._moved > self._patience:
            self.close(f"took nothing for {self._patience:.0f} s")

    def close(self, reason: str) -> None:
        """End the connection at once, and drop what waits for it."""
        if self._closed:
            return
        self._closed = True
        self._loop.remove_reader(self._channel)
        self._loop.remove_writer(self._channel)
        try:
            # Reset, instead of keeping what was not taken.
            if self._begun:
                linger = struct.pack("ii", 1, 0)
                self._channel.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
        except OSError:
            pass
        self._channel.close()
        self._begun = b""
        self._queue.clear()
        self._queued = 0
        self._gone(self, reason)

    @property
    def queued(self) -> int:
        """Return the bytes that wait for this client."""
        return len(self._begun) + self._queued
