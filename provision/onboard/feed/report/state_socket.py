# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the state as JSON to each client that connects to the state socket."""

from __future__ import annotations

import asyncio
import json
import os
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from provision.onboard.feed.report import unix_socket

#: Seconds that sending the state may take.
CLIENT_TIMEOUT_S = 10.0


class StateSocket:
    """Sends the state on an AF_UNIX socket, in one piece for each connection."""

    def __init__(
        self, path: str, state: Callable[[], dict[str, Any]], *, group: bool = False
    ) -> None:
        """Bind the socket, in place of a dead process's socket. OSError if that fails.

        With `group` this process's group may ask, too. Else only its user and root may.
        """
        self._path = path
        self._state = state
        self._server: asyncio.AbstractServer | None = None
        self._channel = unix_socket.bind(path, 0o660 if group else None)

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(self._send, sock=self._channel)

    async def _send(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        # Else the end of the state would wait for ever for a client that does not read.
        writer.transport.set_write_buffer_limits(0)
        try:
            async with asyncio.timeout(CLIENT_TIMEOUT_S):
                writer.write(json.dumps(self._state()).encode() + b"\n")
                await writer.drain()
        except OSError:
            writer.transport.abort()
        writer.close()

    def close(self) -> None:
        if self._server is not None:
            self._server.close()
        with suppress(OSError):
            os.unlink(self._path)
