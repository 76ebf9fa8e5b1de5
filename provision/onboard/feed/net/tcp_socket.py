# SPDX-License-Identifier: GPL-3.0-or-later
"""Set the options of TCP connections whose other side may vanish without a FIN."""

from __future__ import annotations

import socket
from collections.abc import Callable

#: Seconds until keepalive starts, seconds between its probes, and unanswered probes that end it.
KEEPALIVE = (15, 5, 3)

#: Bytes taken from a client's queue, or read from a connection, in one go.
CHUNK_BYTES = 4096


def keep_alive(channel: socket.socket, patience: float) -> None:
    """Notice within some `patience` seconds that the other side has vanished."""
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    idle, interval, count = KEEPALIVE
    channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, idle)
    channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, interval)
    channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, count)
    channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(patience * 1000))


def receive(channel: socket.socket, most: int, close: Callable[[str], None], ended: str) -> bytes:
    """Return up to `most` bytes, or none when there is nothing to do with the connection now.

    A connection that fails is closed with the error as its reason, one that the other side has
    ended with `ended`.
    """
    try:
        data = channel.recv(most)
    except BlockingIOError:
        return b""
    except OSError as error:
        close(error.strerror or str(error))
        return b""
    if not data:
        close(ended)
    return data
