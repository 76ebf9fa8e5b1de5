# SPDX-License-Identifier: GPL-3.0-or-later
"""The page's server in this process, on a loopback port."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.facts.health import Health
from provision.onboard.page.web.live import Live
from provision.onboard.page.web.server import Server
from tests.support.page.boat import page_config, state


@dataclass
class Served:
    """A running server, its port, and how often it has asked the feed."""

    server: Server
    live: Live
    port: int
    asked: list[None] = field(default_factory=list)

    async def say(self, request: bytes) -> bytes:
        """Send octets and return all that comes back until the server hangs up."""
        reader, writer = await asyncio.open_connection("127.0.0.1", self.port)
        writer.write(request)
        try:
            return await asyncio.wait_for(reader.read(-1), 10)
        except ConnectionError:
            return b""
        finally:
            writer.close()

    async def get(self, path: str, method: str = "GET", host: str = "tern") -> tuple[int, bytes]:
        """Return status and body."""
        answer = await self.say(f"{method} {path} HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        head, _, body = answer.partition(b"\r\n\r\n")
        return int(head.split()[1]), body


async def read_event(reader: asyncio.StreamReader) -> dict[str, Any]:
    """Read one event of a stream."""
    while True:
        line = await asyncio.wait_for(reader.readline(), 10)
        assert line, "the stream has ended"
        if line.startswith(b"data: "):
            found: dict[str, Any] = json.loads(line.removeprefix(b"data: "))
            return found


async def open_events(port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    """Open an event stream."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(b"GET /events HTTP/1.1\r\nHost: tern\r\n\r\n")
    return reader, writer


async def _nothing() -> None:
    """Answer as a boat-watch that is not there."""


def serve(
    play: Callable[[Served], Coroutine[Any, Any, None]],
    *,
    config: PageConfig | None = None,
    ask: Callable[[], Awaitable[dict[str, Any] | None]] | None = None,
    remember: Callable[[], Awaitable[dict[str, Any] | None]] | None = None,
) -> None:
    """Run `play` beside a server. The feed says what `state()` returns, or `ask`.

    boat-watch says nothing, or what `remember` returns.
    """

    async def run() -> None:
        boat = config or page_config()
        asked: list[None] = []

        async def told() -> dict[str, Any] | None:
            asked.append(None)
            return await ask() if ask else state()

        with socket.socket() as listening:
            listening.bind(("127.0.0.1", 0))
            live = Live(boat, told, lambda: Health(degraded=False), remember or _nothing)
            server = Server(boat, live)
            running = await server.start(listening)
            await play(Served(server, live, listening.getsockname()[1], asked))
            running.close()

    asyncio.run(run())
