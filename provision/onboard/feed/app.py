# SPDX-License-Identifier: GPL-3.0-or-later
"""The parts put together from the configuration, and what happens every few seconds."""

from __future__ import annotations

import asyncio
import gc
import signal
from typing import Any

from provision.onboard.feed import config
from provision.onboard.feed.clock import Clock
from provision.onboard.feed.datagrams import Datagrams
from provision.onboard.feed.hub import Hub
from provision.onboard.feed.link import Link
from provision.onboard.feed.listener import Listener
from provision.onboard.feed.notify import notify, watchdog_interval
from provision.onboard.feed.server import Server
from provision.onboard.feed.state import StateSocket
from provision.onboard.feed.steering import Gate
from provision.onboard.feed.teller import Teller, log

#: Seconds between two looks at links, clients and the controller.
WATCH = 2.0


class Feed:
    """Everything that runs, from one configuration; to be made inside a running loop."""

    def __init__(self, settings: config.Config) -> None:
        """Opens what must be there (ports to listen on, OSError); the rest is waited for."""
        self._settings = settings
        self._loop = asyncio.get_running_loop()
        self._began = self._loop.time()
        self.teller = Teller()
        self.hub = Hub()
        by_name = {link.name: link for link in settings.links}
        self.gate = Gate(settings.steering, by_name, self.teller)
        self.links = [Link(link, self.hub.publish, self.teller) for link in settings.links]
        self.listeners = [Listener(link, self.gate) for link in self.links if link.config.listens]
        self.server = (
            Server(settings.tcp, self.hub, self.gate, self.teller) if settings.tcp else None
        )
        self.datagrams = [Datagrams(udp, self.teller) for udp in settings.udp]
        bauds = {link.name: link.baud for link in settings.links}
        self.clock = Clock(settings.clock, bauds, self.teller) if settings.clock else None
        # The most urgent first.
        for sink in [*self.listeners, self.clock, self.server, *self.datagrams]:
            if sink is not None:
                self.hub.add(sink)
        self.state_socket = StateSocket(settings.state.socket, self.state)
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        """Begin to read, and tell systemd."""
        await self.state_socket.start()
        for link in self.links:
            link.open()
        self._tasks = [
            asyncio.create_task(self._watch()),
            asyncio.create_task(self._journal()),
        ]
        notify("READY=1")
        interval = watchdog_interval()
        if interval is not None:
            self._tasks.append(asyncio.create_task(self._sign_of_life(interval)))

    def stop(self) -> None:
        """Let go of everything."""
        notify("STOPPING=1")
        for task in self._tasks:
            task.cancel()
        for link in self.links:
            link.close()
        for part in [self.server, self.clock, *self.datagrams, self.state_socket]:
            if part is not None:
                part.close()

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(WATCH)
            for link in self.links:
                link.watch()
            now = self._loop.time()
            self.gate.watch(now)
            if self.server is not None:
                self.server.watch(now)

    async def _journal(self) -> None:
        while True:
            await asyncio.sleep(self._settings.state.journal)
            for link in self.links:
                told = link.as_json()
                errors = sum(told["errors"].values())
                log.info(
                    "%s: %d bytes, %d sentences, %d errors, load %.0f %%",
                    *(link.name, told["bytes"], told["sentences"], errors, told["load"]),
                )

    async def _sign_of_life(self, interval: float) -> None:
        while True:
            notify("WATCHDOG=1")
            await asyncio.sleep(interval)

    def state(self) -> dict[str, Any]:
        """Everything that can be asked, as plain data."""
        now = self._loop.time()
        return {
            "running": round(now - self._began, 1),
            "links": {link.name: link.as_json() for link in self.links},
            "outputs": {
                "tcp": self.server.as_json() if self.server else None,
                "udp": [datagrams.as_json() for datagrams in self.datagrams],
                "listeners": {listener.name: listener.as_json() for listener in self.listeners},
            },
            "steering": self.gate.as_json(now),
            "clock": self.clock.as_json() if self.clock else None,
        }


async def run(settings: config.Config) -> None:
    """Feed until SIGTERM or SIGINT."""
    feed = Feed(settings)
    end = asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        asyncio.get_running_loop().add_signal_handler(number, end.set)
    await feed.start()
    # What is loaded by now stays: it need not be looked at again.
    gc.collect()
    gc.freeze()
    try:
        await end.wait()
    finally:
        feed.stop()
