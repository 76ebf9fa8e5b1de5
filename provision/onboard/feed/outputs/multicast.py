# SPDX-License-Identifier: GPL-3.0-or-later
"""Send multicast to the transmission groups of IEC 61162-450."""

from __future__ import annotations

import asyncio
import socket
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.own_sockets import OwnPorts
from provision.onboard.feed.net.subnet import came_from
from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.nmea0183.transmission_groups import ANY, GROUPS, HEADER, group_of
from provision.onboard.feed.outputs.output import Output
from provision.onboard.feed.outputs.udp import MAX_DATAGRAM_BYTES, pack
from provision.onboard.feed.report.fault_log import FaultLog

#: Line counts and group ids run up to this number and start again (from memory).
MAX_COUNT = 1000

#: Seconds between attempts to find the interface.
RETRY_S = 2.0


class MulticastOutput(Output):
    """Sends each sentence to its transmission group, with a TAG block that names us."""

    def __init__(
        self,
        multicast: models.MulticastOptions,
        fault_log: FaultLog,
        own: OwnPorts,
        not_from: frozenset[str],
    ) -> None:
        """Take `not_from`, the origins on the same medium."""
        self._multicast = multicast
        self._fault_log = fault_log
        self._not_from = not_from
        self._loop = asyncio.get_running_loop()
        self._pending: list[Sentence] = []
        self._line = self._group = 0
        self._ready = self._faulty = False
        self._retry_at = 0.0
        self._channel = own.sender()
        # Never past the boat's own network.
        self._channel.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 1)
        self.sent = self.dropped = 0
        self.name = "multicast"

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return origin not in self._not_from and self._multicast.filter.passes(
            origin, talker, formatter
        )

    def put(self, sentence: Sentence) -> None:
        if came_from(sentence.sender, self._multicast.network):
            return
        if not self._pending:
            self._loop.call_soon(self._fault_log.guarded(self.name, self._flush))
        self._pending.append(sentence)

    def _flush(self) -> None:
        pending, self._pending = self._pending, []
        if not self._on_interface():
            self._faulty = True
            self.dropped += len(pending)
            return
        groups: dict[str, list[bytes]] = {}
        for sentence in pending:
            group = group_of(sentence.talker, sentence.formatter)
            groups.setdefault(group, []).append(self._tagged(sentence))
        for group, pieces in groups.items():
            for datagram in pack(pieces, MAX_DATAGRAM_BYTES - len(HEADER)):
                self._send(HEADER + datagram, GROUPS[group])

    def _tagged(self, sentence: Sentence) -> bytes:
        lines = sentence.raw.splitlines(keepends=True)
        source = ("s", self._multicast.source)
        tagged = []
        if len(lines) > 1:
            self._group = self._group % (MAX_COUNT - 1) + 1
        for number, line in enumerate(lines, start=1):
            count = ("n", str(self._line))
            self._line = (self._line + 1) % MAX_COUNT
            grouping = ("g", f"{number}-{len(lines)}-{self._group}")
            block = (grouping, source, count) if len(lines) > 1 else (source, count)
            tagged.append(tag_block.build(*block) + line)
        return b"".join(tagged)

    def _on_interface(self) -> bool:
        """Report whether the interface exists. Looked up every few seconds."""
        now = self._loop.time()
        if not self._ready and now >= self._retry_at:
            self._retry_at = now + RETRY_S
            address = socket.inet_aton(self._multicast.interface or ANY)
            try:
                self._channel.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, address)
                self._ready = True
            except OSError as error:
                self._fault_log.warn("multicast", "send", error.strerror or str(error))
        return self._ready

    def _send(self, datagram: bytes, to: tuple[str, int]) -> None:
        try:
            self._channel.sendto(datagram, to)
        except OSError as error:
            self.dropped += 1
            self._ready, self._faulty = False, True
            self._fault_log.warn("multicast", "send", error.strerror or str(error))
        else:
            self.sent += 1
            if self._faulty:
                self._faulty = False
                self._fault_log.cleared("multicast", "send", "sends again")

    def close(self) -> None:
        self._channel.close()

    def as_json(self) -> dict[str, Any]:
        """Return the datagrams sent and dropped, for the state."""
        return {"source": self._multicast.source, "sent": self.sent, "dropped": self.dropped}
