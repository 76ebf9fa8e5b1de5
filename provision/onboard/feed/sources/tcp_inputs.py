# SPDX-License-Identifier: GPL-3.0-or-later
"""Read sentences over TCP: from a server, or from clients that connect to our port."""

from __future__ import annotations

import asyncio
import socket
from functools import partial
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.acceptor import Acceptor
from provision.onboard.feed.net.retry import Retry
from provision.onboard.feed.net.tcp_socket import CHUNK_BYTES, keep_alive, receive
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.opening import NOT_NMEA, Opening
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.ingest import Deliver, Ingest

#: Seconds between attempts to connect: at first, and at most.
RETRY_S = (0.5, 8.0)

#: Seconds of silence after which we reconnect to a server: at first, and at most.
SERVER_SILENCE_S = (60.0, 600.0)

#: Seconds that connecting may take.
CONNECT_TIMEOUT_S = 10.0

#: Connections that one listening port takes: in all, and from one address.
MAX_CONNECTIONS, MAX_PER_ADDRESS = 16, 4

#: Seconds that a connection to a listening port may go without a sentence: at first, later.
IDLE_S = (30.0, 300.0)


class Connection:
    """Reads one TCP connection until it ends."""

    def __init__(
        self,
        channel: socket.socket,
        peer: str,
        ingest: Ingest,
        opening: Opening | None = None,
        since: float | None = None,
    ) -> None:
        """Start to read. With `opening` the connection ends unless it begins as NMEA 0183.

        `since` is when the connection may have begun to wait to be accepted.
        """
        self.ended = asyncio.get_running_loop().create_future()
        self._channel = channel
        self._ingest = ingest
        self._loop = asyncio.get_running_loop()
        self.peer, self.connected = peer, self._loop.time()
        self._framer: Framer = ingest.framer(sender=peer, from_start=True)
        self._framer.connected = self.connected
        self._arrivals = ingest.arrivals(since)
        self._opening = opening
        self.heard: float | None = None
        """When a sentence was heard last, in monotonic seconds."""
        keep_alive(channel, CONNECT_TIMEOUT_S)
        self._loop.add_reader(channel, self._read)

    def _read(self) -> None:
        data = receive(self._channel, CHUNK_BYTES, self.close, "closed by the other side")
        if not data:
            return
        if self._opening is not None and self._opening.refuses(data):
            self.close(NOT_NMEA)
        else:
            since = self._arrivals.read(len(data), more=len(data) == CHUNK_BYTES)
            if self._ingest.take(self._framer, data, since):
                self.heard = self._loop.time()

    def close(self, reason: str) -> None:
        """End the connection. `ended` holds the reason."""
        if not self.ended.done():
            self._loop.remove_reader(self._channel)
            self._channel.close()
            self.ended.set_result(reason)


class TcpInput:
    """Connects to a server and reads from it, again and again."""

    def __init__(
        self, source: models.InputOptions, deliver: Deliver, stalls: Stalls, fault_log: FaultLog
    ) -> None:
        assert source.tcp is not None
        self.name = source.name
        self._host, self._port = source.tcp
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(source, deliver, stalls, fault_log)
        self._connection: Connection | None = None
        self._task: asyncio.Task[None] | None = None
        self._retry = Retry(self.open, RETRY_S)
        self._patience = SERVER_SILENCE_S[0]
        self._before = 0

    def open(self) -> None:
        self._task = self._loop.create_task(self._run())
        self._task.add_done_callback(self._over)

    def _over(self, task: asyncio.Task[None]) -> None:
        """Start again after a fault of our own, which is logged. Only a fault ends the task."""
        if not task.cancelled():
            self._retry.later()
            task.result()

    async def _run(self) -> None:
        while True:
            try:
                self._connection = await self._connect()
            except OSError as error:
                where = f"{self._host}:{self._port}"
                reason = error.strerror or "no answer"
                self._fault_log.warn(self.name, "open", f"{where}: {reason}; trying on")
            else:
                self._before = self._ingest.bytes
                reason = await self._connection.ended
                self._connection = None
                self._note()
                self._fault_log.warn(self.name, "open", f"{reason}; connecting again")
            await asyncio.sleep(self._retry.pause())

    async def _connect(self) -> Connection:
        channel = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        channel.setblocking(False)
        try:
            async with asyncio.timeout(CONNECT_TIMEOUT_S):
                await self._loop.sock_connect(channel, (self._host, self._port))
        except BaseException:
            channel.close()
            raise
        self._ingest.heard_at = self._loop.time()
        # A server may hand over what it has kept.
        self._ingest.opened()
        return Connection(channel, self._host, self._ingest)

    def _note(self) -> None:
        """Note that the server is heard.

        A server that accepts and at once closes the connection each time does not count as heard.
        """
        if self._ingest.bytes > self._before:
            self._before = self._ingest.bytes
            self._retry.worked()
            self._patience = SERVER_SILENCE_S[0]
            self._fault_log.cleared(self.name, "open", "heard again")

    def watch(self, now: float) -> None:
        """Reconnect to a silent server. Call it every few seconds."""
        if self._connection is None:
            return
        self._note()
        heard = self._ingest.heard_at
        if heard is not None and now - heard > self._patience:
            self._patience = min(2 * self._patience, SERVER_SILENCE_S[1])
            self._connection.close(f"silent for {now - heard:.0f} s")

    def hang_up(self, address: str, before: float) -> None:
        """End the connection to an address if it began before a moment (monotonic seconds)."""
        connection = self._connection
        if connection and connection.peer == address and connection.connected < before:
            connection.close("it began before its sender joined the Wi-Fi")

    def close(self) -> None:
        self._retry.cancel()
        if self._task is not None:
            self._task.cancel()
        if self._connection is not None:
            self._connection.close("closed")
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        return {"present": self._connection is not None, **self._ingest.as_json()}


class TcpServerInput:
    """Takes sentences from the clients that connect to its port."""

    def __init__(
        self, source: models.InputOptions, deliver: Deliver, stalls: Stalls, fault_log: FaultLog
    ) -> None:
        """Bind the port. OSError when it is taken."""
        assert source.listen is not None
        self.name = source.name
        self._fault_log = fault_log
        self._ingest = Ingest(source, deliver, stalls, fault_log)
        self._connections: set[Connection] = set()
        endpoint = source.address, source.listen
        failed = partial(fault_log.warn, self.name, "accept")
        self._acceptor = Acceptor(endpoint, MAX_CONNECTIONS, self._take, failed, stalls.since)

    @property
    def port(self) -> int:
        return self._acceptor.port

    def open(self) -> None:
        self._acceptor.open()

    def _take(self, channel: socket.socket, peer: tuple[str, int]) -> None:
        here = sum(connection.peer == peer[0] for connection in self._connections)
        if len(self._connections) >= MAX_CONNECTIONS or here >= MAX_PER_ADDRESS:
            message = f"{peer[0]} refused: {here} from there, {len(self._connections)} in all"
            self._fault_log.warn(self.name, "cap", message)
            channel.close()
            return
        channel.setblocking(False)
        opening = self._ingest.opening()
        connection = Connection(channel, peer[0], self._ingest, opening, self._acceptor.short_since)
        self._connections.add(connection)
        self._fault_log.note(self.name, f"{peer[0]}:{peer[1]} has come")
        connection.ended.add_done_callback(lambda _: self._over(connection))

    def _over(self, connection: Connection) -> None:
        self._connections.discard(connection)
        if connection.ended.result() == NOT_NMEA:
            self._fault_log.warn(self.name, "opening", f"{connection.peer} {NOT_NMEA}")

    def hang_up(self, address: str, before: float) -> None:
        """End the connections from an address that began before a moment (monotonic seconds)."""
        for connection in list(self._connections):
            if connection.peer == address and connection.connected < before:
                connection.close("it began before its sender joined the Wi-Fi")

    def watch(self, now: float) -> None:
        """End connections that bring no sentence. Call it every few seconds."""
        for connection in list(self._connections):
            first, later = IDLE_S
            heard = connection.heard
            quiet = now - (connection.connected if heard is None else heard)
            if quiet > (first if heard is None else later):
                message = f"{connection.peer} sent away: no sentence for {quiet:.0f} s"
                self._fault_log.warn(self.name, "idle", message)
                connection.close("idle")

    def close(self) -> None:
        self._acceptor.close()
        for connection in list(self._connections):
            connection.close("closed")
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        return {"present": bool(self._connections), **self._ingest.as_json()}
