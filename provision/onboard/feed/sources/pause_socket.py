# SPDX-License-Identifier: GPL-3.0-or-later
"""Let a survey have the port of one serial link for as long as its connection lasts.

A client connects, writes the link's name and a line feed, and gets one line of JSON:
`{"paused": NAME, "device": PATH}` once the feed has closed the port, or `{"error": REASON}`. The
feed opens the port again when the connection ends, however it ends: the client closes it, dies or
is killed. After `MAX_PAUSE_S` the feed ends it. Only root may connect, and the feed's own user.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import struct
from collections.abc import Iterable
from contextlib import suppress

from provision.onboard.feed.report import unix_socket
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.serial_link import SerialLink

#: Seconds that a link stays paused at most. A survey listens on a port for 30 s.
MAX_PAUSE_S = 45.0

#: Seconds until a client has named its link.
NAME_TIMEOUT_S = 2.0

#: More bytes than a link's name has.
MAX_NAME_BYTES = 64

#: What SO_PEERCRED tells: process, user and group (unix(7)).
_CREDENTIALS = struct.Struct("3i")


class PauseSocket:
    """Pauses one link at a time, so that all others go on."""

    def __init__(self, path: str, links: Iterable[SerialLink], fault_log: FaultLog) -> None:
        """Bind the socket with mode 0600, in place of a dead process's socket. OSError if not."""
        self._path = path
        self._links = {link.name: link for link in links}
        self._fault_log = fault_log
        self._paused: SerialLink | None = None
        self._server: asyncio.AbstractServer | None = None
        self._channel = unix_socket.bind(path, 0o600)

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(
            self._serve, sock=self._channel, limit=MAX_NAME_BYTES
        )

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(NAME_TIMEOUT_S):
                name = (await reader.readline()).decode("ascii", "replace").strip()
            error = self._refusal(name, _user(writer))
            if error:
                writer.write(json.dumps({"error": error}).encode() + b"\n")
            else:
                await self._lend(self._links[name], reader, writer)
        except (OSError, ValueError):
            # A client that names no link in time, writes too much, or has gone.
            pass
        finally:
            writer.close()

    def _refusal(self, name: str, user: int) -> str:
        """Return why the link is not paused. Empty when it is to be."""
        if user not in (0, os.geteuid()):
            return "only root may pause a link"
        if name not in self._links:
            return f"there is no serial link {name}"
        if self._paused is not None:
            return f"{self._paused.name} is paused already"
        return ""

    async def _lend(
        self, link: SerialLink, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        """Pause a link until the client has gone, or for `MAX_PAUSE_S`."""
        self._paused = link
        try:
            link.pause()
            self._fault_log.note(link.name, "paused: a survey listens on its port")
            answer = {"paused": link.name, "device": link.config.device}
            writer.write(json.dumps(answer).encode() + b"\n")
            async with asyncio.timeout(MAX_PAUSE_S):
                while await reader.read(MAX_NAME_BYTES):
                    pass
        finally:
            self._paused = None
            link.resume()
            self._fault_log.note(link.name, "its port is the feed's again")

    def close(self) -> None:
        if self._server is not None:
            self._server.close()
        with suppress(OSError):
            os.unlink(self._path)


def _user(writer: asyncio.StreamWriter) -> int:
    """Return the user of the process at the other end."""
    channel = writer.get_extra_info("socket")
    peer = channel.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS.size)
    return int(_CREDENTIALS.unpack(peer)[1])
