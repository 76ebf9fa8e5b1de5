# SPDX-License-Identifier: GPL-3.0-or-later
"""The state socket: whoever connects is told the state as JSON."""

from __future__ import annotations

import asyncio
import json
import os
import socket
import stat
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from provision.onboard.feed.keys import ConfigError

#: Seconds that asking for the state may take.
TIMEOUT = 10.0


class StateSocket:
    """Tells the state on an AF_UNIX socket, in one piece for each connection."""

    def __init__(self, path: str, state: Callable[[], dict[str, Any]]) -> None:
        """Binds the socket, in the place of one that a dead process left; OSError if it cannot."""
        self._path = path
        self._state = state
        self._server: asyncio.AbstractServer | None = None
        Path(path).parent.mkdir(parents=True, exist_ok=True)
        with suppress(FileNotFoundError):
            if stat.S_ISSOCK(os.stat(path).st_mode):
                os.unlink(path)
        self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._channel.bind(path)

    async def start(self) -> None:
        self._server = await asyncio.start_unix_server(self._tell, sock=self._channel)

    async def _tell(self, _: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, asyncio.TimeoutError):
            writer.write(json.dumps(self._state()).encode() + b"\n")
            await asyncio.wait_for(writer.drain(), TIMEOUT)
        writer.close()

    def close(self) -> None:
        if self._server is not None:
            self._server.close()
        with suppress(OSError):
            os.unlink(self._path)


def ask(path: str) -> dict[str, Any]:
    """The state that the socket at `path` tells; ConfigError when nobody answers there."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(TIMEOUT)
        try:
            channel.connect(path)
            pieces = []
            while piece := channel.recv(65536):
                pieces.append(piece)
            told = json.loads(b"".join(pieces))
        except (OSError, ValueError) as error:
            raise ConfigError(f"{path}: no state told: {error}") from error
    if not isinstance(told, dict):
        raise ConfigError(f"{path}: tells no state")
    return told
