# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the page to browsers on the boat's network, and bound what each of them can use."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.web.files import read_files
from provision.onboard.page.web.live import Live
from provision.onboard.page.web.plain import make_plain
from provision.onboard.web.connection import read_head, send
from provision.onboard.web.http import Refused, Request, make_head, parse_request
from provision.onboard.web.server import BoundedServer

#: Connections at once: in all, and from one address. A browser opens up to six.
MAX_CONNECTIONS, MAX_PER_ADDRESS = 64, 16

HTML, JSON, SVG = "text/html; charset=utf-8", "application/json", "image/svg+xml"


class Server(BoundedServer):
    """Answers the browsers of one listening socket."""

    def __init__(self, config: PageConfig, live: Live) -> None:
        super().__init__(MAX_CONNECTIONS, MAX_PER_ADDRESS)
        self._hosts = frozenset(config.hosts)
        self._live = live
        self._files = read_files(config)
        self._made: dict[str, tuple[str, Callable[[], Awaitable[bytes]]]] = {
            "/plain": (HTML, self._plain),
            "/state.json": (JSON, self._state),
            "/history.json": (JSON, self._history),
        }

    def leave(self, transport: asyncio.WriteTransport) -> None:
        """Send no more events to it."""
        self._live.remove(transport)

    async def converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Answer with a page, or with events until the reader goes."""
        try:
            request = parse_request(await read_head(reader), self._hosts)
        except Refused as refusal:
            text = f"{refusal.status} {refusal}\n".encode()
            await send(reader, writer, make_head(refusal.status, "text/plain", len(text)) + text)
            return
        if request.path == "/events" and not request.head_only:
            await self._stream(reader, writer)
        else:
            await send(reader, writer, await self._answer(request))

    async def _answer(self, request: Request) -> bytes:
        if request.path in self._files:
            kind, body = self._files[request.path]
        elif request.path in self._made:
            kind, make = self._made[request.path]
            body = await make()
        elif request.path == "/events":
            kind, body = "text/event-stream", b""
        else:
            body = b"404 Not Found\n"
            return make_head(404, "text/plain", len(body)) + (b"" if request.head_only else body)
        head = make_head(200, kind, None if request.path == "/events" else len(body))
        return head if request.head_only else head + body

    async def _plain(self) -> bytes:
        return make_plain(await self._live.whole()).encode()

    async def _state(self) -> bytes:
        return json.dumps(await self._live.whole()).encode() + b"\n"

    async def _history(self) -> bytes:
        return json.dumps(await self._live.history(), separators=(",", ":")).encode() + b"\n"

    async def _stream(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Send events until the reader goes, or sends more than its request."""
        writer.write(make_head(200, "text/event-stream", None) + b"retry: 1000\n\n")
        writer.write(await self._live.event())
        self._live.add(writer.transport)
        await reader.read(1)
