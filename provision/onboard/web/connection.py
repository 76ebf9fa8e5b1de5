# SPDX-License-Identifier: GPL-3.0-or-later
"""Read one request of a connection and answer it, within bounds of time and memory."""

from __future__ import annotations

import asyncio
import socket

from provision.onboard.web.http import MAX_HEAD_BYTES, Refused

#: Seconds that a request may take to arrive, and an answer to be taken.
REQUEST_TIMEOUT_S, ANSWER_TIMEOUT_S = 5.0, 10.0

#: Seconds, and reads of 8 KiB, for which more than a request is passed over.
LINGER_S, MAX_PASSED_OVER = 1.0, 256

#: Octets that the kernel holds for a reader. By default it may hold megabytes of each.
SEND_BUFFER_BYTES = 65536

#: Milliseconds after which the kernel gives up a reader that acknowledges nothing (tcp(7)).
USER_TIMEOUT_MS = 10_000


async def read_head(reader: asyncio.StreamReader) -> bytes:
    """Read the head of a request, with its empty last line. Refused says why not."""
    try:
        async with asyncio.timeout(REQUEST_TIMEOUT_S):
            return await reader.readuntil(b"\r\n\r\n")
    except asyncio.LimitOverrunError:
        raise Refused(431) from None
    except TimeoutError:
        raise Refused(408) from None


def bound(writer: asyncio.StreamWriter) -> None:
    """Bound what a connection can hold of the kernel's memory, and how long it stays silent."""
    channel = writer.get_extra_info("socket")
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    channel.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    if channel.family == socket.AF_INET:
        channel.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, USER_TIMEOUT_MS)


async def send(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, answer: bytes) -> None:
    """Send an answer whole. TimeoutError when its reader does not take it.

    What is still being sent to us is passed over for a moment. Else the kernel would reset the
    connection, and the browser might lose the answer.
    """
    # Else the end of the answer would wait for ever for a reader that does not read.
    writer.transport.set_write_buffer_limits(0)
    async with asyncio.timeout(ANSWER_TIMEOUT_S):
        writer.write(answer)
        await writer.drain()
    await linger(reader, writer)


async def linger(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """End an answer that was sent whole, and pass over what is still being sent to us."""
    writer.write_eof()
    async with asyncio.timeout(LINGER_S):
        for _ in range(MAX_PASSED_OVER):
            if not await reader.read(MAX_HEAD_BYTES):
                return
