# SPDX-License-Identifier: GPL-3.0-or-later
"""Make one view a second for all who look, and leave the feed alone while no browser looks."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Awaitable, Callable
from typing import Any

from provision.onboard.page.facts.config import PageConfig
from provision.onboard.page.facts.health import Health
from provision.onboard.page.view.history import describe_history
from provision.onboard.page.view.view import make_view

#: Seconds between two events.
EVENT_S = 1.0

#: Seconds for which a view is shown again, and health and history are not asked for again.
VIEW_HOLDS_S, HEALTH_HOLDS_S, HISTORY_HOLDS_S = 0.5, 5.0, 15.0

#: Octets that may wait for a reader of events before the reader is cut off. One event has 8 kB.
MAX_WAITING_BYTES = 65536

State = dict[str, Any]


class Live:
    """Holds the view of this moment, and the readers of events."""

    def __init__(
        self,
        config: PageConfig,
        ask: Callable[[], Awaitable[State | None]],
        read_health: Callable[[], Health],
        ask_history: Callable[[], Awaitable[State | None]],
        read_charts: Callable[[], State | None] = lambda: None,
    ) -> None:
        self._config = config
        self._ask = ask
        self._read_health = read_health
        self._health: tuple[float, Health] | None = None
        self._view: tuple[float, State] | None = None
        self._ask_history = ask_history
        self._read_charts = read_charts
        self._history: tuple[float, State] | None = None
        self._asking = asyncio.Lock()
        self._asking_history = asyncio.Lock()
        self.readers: set[asyncio.WriteTransport] = set()
        self._task: asyncio.Task[None] | None = None

    async def view(self) -> State:
        """Return the view of this moment. Any number of readers ask the feed once."""
        async with self._asking:
            now = time.monotonic()
            if self._view is None or now - self._view[0] > VIEW_HOLDS_S:
                state, health = await self._ask(), self._health_at(now)
                made = make_view(self._config, state, health, self._read_charts())
                made["tick"] = round(now, 2)
                self._view = now, made
            return self._view[1]

    def _health_at(self, now: float) -> Health:
        if self._health is None or now - self._health[0] > HEALTH_HOLDS_S:
            self._health = now, self._read_health()
        return self._health[1]

    async def history(self) -> State:
        """Return what the boat remembers. Events do not have it: it changes once a minute."""
        # Its own lock: events must not wait for it.
        async with self._asking_history:
            now = time.monotonic()
            if self._history is None or now - self._history[0] > HISTORY_HOLDS_S:
                self._history = now, describe_history(await self._ask_history())
            return self._history[1]

    async def whole(self) -> State:
        """Return the view of this moment, and what the boat remembers."""
        return {**await self.view(), "history": await self.history()}

    async def event(self) -> bytes:
        """Return the view as one event (WHATWG HTML, server-sent events)."""
        text = json.dumps(await self.view(), separators=(",", ":"))
        return f"data: {text}\n\n".encode("ascii")

    def add(self, transport: asyncio.WriteTransport) -> None:
        """Send events to a reader from now on."""
        self.readers.add(transport)
        if self._task is None:
            self._task = asyncio.create_task(self._send_events())

    def remove(self, transport: asyncio.WriteTransport) -> None:
        """Send a reader no more events."""
        self.readers.discard(transport)

    async def _send_events(self) -> None:
        """Send an event a second as long as there are readers."""
        try:
            due = time.monotonic()
            while self.readers:
                self._send(await self.event())
                due = max(due + EVENT_S, time.monotonic())
                await asyncio.sleep(due - time.monotonic())
        finally:
            self._task = None
            # Without events a browser would wait for ever. It connects again.
            for transport in list(self.readers):
                self._cut_off(transport)

    def _send(self, event: bytes) -> None:
        for transport in list(self.readers):
            if transport.is_closing() or transport.get_write_buffer_size() > MAX_WAITING_BYTES:
                self._cut_off(transport)
            else:
                transport.write(event)

    def _cut_off(self, transport: asyncio.WriteTransport) -> None:
        self.remove(transport)
        transport.abort()
