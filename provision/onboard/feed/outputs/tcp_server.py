# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the feed to tablets over TCP."""

from __future__ import annotations

import asyncio
import socket
from collections import Counter
from functools import partial
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.acceptor import Acceptor
from provision.onboard.feed.net.subnet import LOOPBACK
from provision.onboard.feed.nmea0183.framer import Framer
from provision.onboard.feed.nmea0183.opening import NOT_NMEA, Opening
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.outputs.output import Output
from provision.onboard.feed.outputs.tcp_client import TcpClient, prepare
from provision.onboard.feed.policy.stalls import Arrivals
from provision.onboard.feed.policy.steering_gate import SteeringGate
from provision.onboard.feed.policy.tablet_proof import TabletProof
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.router import Router

#: Connections that wait to be accepted.
MAX_UNACCEPTED = 32


class TcpServer(Output):
    """Sends every client all sentences that pass its filter.

    What clients send is dropped, except the steering sentences of a sender that the profile
    names.
    """

    name = "tcp"

    def __init__(
        self,
        tcp: models.TcpOptions,
        router: Router,
        gate: SteeringGate,
        proof: TabletProof,
        fault_log: FaultLog,
    ) -> None:
        """Bind the port. OSError when it is taken."""
        self._tcp = tcp
        self._router = router
        self._gate = gate
        self._proof = proof
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._clients: set[TcpClient] = set()
        self._framers: dict[TcpClient, Framer] = {}
        self._openings: dict[TcpClient, Opening] = {}
        self._arrivals: dict[TcpClient, Arrivals] = {}
        self._pending: list[Sentence] = []
        self._gone = {"sent": 0, "dropped": 0}
        self.sentences = 0
        endpoint, since = (tcp.address, tcp.port), router.stalls.since
        failed = partial(fault_log.warn, self.name, "accept")
        self._acceptor = Acceptor(endpoint, MAX_UNACCEPTED, self._take, failed, since)
        self._acceptor.open()

    @property
    def port(self) -> int:
        """Return the port that it listens on."""
        return self._acceptor.port

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return self._tcp.filter.passes(origin, talker, formatter)

    def put(self, sentence: Sentence) -> None:
        if not self._pending:
            # Sentences that arrive in the same turn of the loop go into the same piece.
            self._loop.call_soon(self._fault_log.guarded(self.name, self._flush))
        self._pending.append(sentence)

    def _flush(self) -> None:
        pending, self._pending = self._pending, []
        self.sentences += len(pending)
        if not self._clients:
            return
        piece = b"".join([sentence.raw for sentence in pending])
        # No sentence goes back to where it came from: neither to the connection nor, except on this
        # machine, to the address.
        apart = {sentence.origin for sentence in pending}
        apart.update(sentence.sender for sentence in pending)
        apart.discard(LOOPBACK)
        for client in list(self._clients):
            mine = client.name, client.address
            whole, count = piece, len(pending)
            if not apart.isdisjoint(mine):
                raw = [s.raw for s in pending if s.origin not in mine and s.sender not in mine]
                whole, count = b"".join(raw), len(raw)
            self._send(client, whole, count)

    def _send(self, client: TcpClient, piece: bytes, count: int) -> None:
        """Send to one client. A fault with this client does not touch the others."""
        if not count:
            return
        try:
            client.send(piece, count)
        except Exception as error:
            self._fault_log.fault(self.name, f"in sending to {client.name}", error)
            client.close("a fault of our own")

    def _take(self, channel: socket.socket, peer: tuple[str, int]) -> None:
        address = peer[0]
        here = sum(client.address == address for client in self._clients)
        if len(self._clients) >= self._tcp.clients or here >= self._tcp.per_address:
            self._fault_log.warn(
                "tcp", f"cap {address}", f"{address} refused, {here} clients there"
            )
            channel.close()
            return
        prepare(channel, self._tcp.patience)
        client = TcpClient(channel, peer, self._tcp, self._received, self._left)
        self._clients.add(client)
        framer = self._framers[client] = Framer(client.name, sender=address, from_start=True)
        framer.connected = client.connected
        self._openings[client] = Opening()
        self._arrivals[client] = Arrivals(self._router.stalls, self._acceptor.short_since)
        self._fault_log.note("tcp", f"{client.name} has come, {len(self._clients)} here")

    def _received(self, client: TcpClient, data: bytes, more: bool) -> None:
        if self._openings[client].refuses(data):
            self._fault_log.warn("tcp", f"opening {client.address}", f"{client.name} {NOT_NMEA}")
            client.close("left by us")
            return
        since = self._arrivals[client].read(len(data), more=more)
        sentences = self._framers[client].feed(data, self._loop.time(), since)
        self._proof.take(sentences, self._proven)

    def _proven(self, sentences: list[Sentence]) -> None:
        self._router.publish([s for s in sentences if self._gate.knows(s)])

    def hang_up(self, address: str, before: float) -> None:
        """End the connections from an address that began before a moment (monotonic seconds)."""
        for client in list(self._clients):
            if client.address == address and client.connected < before:
                client.close("began before its tablet joined the Wi-Fi")

    def _left(self, client: TcpClient, reason: str) -> None:
        self._clients.discard(client)
        self._framers.pop(client, None)
        self._openings.pop(client, None)
        self._arrivals.pop(client, None)
        self._gone["sent"] += client.sent
        self._gone["dropped"] += client.dropped
        self._fault_log.note("tcp", f"{client.name} {reason}, {len(self._clients)} here")

    def watch(self, now: float) -> None:
        """Disconnect clients that take nothing. Call it every few seconds."""
        for client in list(self._clients):
            client.watch(now)

    def close(self) -> None:
        """Close the port and every client."""
        self._acceptor.close()
        for client in list(self._clients):
            client.close("sent away")

    def summary(self) -> str:
        """Return the line of counters for the journal."""
        dropped = self.as_json()["dropped"]
        return f"{len(self._clients)} clients, {self.sentences} sentences, {dropped} dropped"

    def as_json(self) -> dict[str, Any]:
        """Return clients with queue and drops, for the state."""
        by_address = Counter(client.address for client in self._clients)
        return {
            "port": self.port,
            "sentences": self.sentences,
            "sent": self._gone["sent"] + sum(client.sent for client in self._clients),
            "dropped": self._gone["dropped"] + sum(c.dropped for c in self._clients),
            "addresses": dict(by_address),
            "clients": [
                {"name": c.name, "sent": c.sent, "queue": c.queued, "dropped": c.dropped}
                for c in self._clients
            ],
        }
