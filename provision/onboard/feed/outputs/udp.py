# SPDX-License-Identifier: GPL-3.0-or-later
"""Send UDP to a broadcast address or a named host."""

from __future__ import annotations

import asyncio
import socket
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.own_sockets import OwnPorts
from provision.onboard.feed.net.subnet import Subnet, came_from
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.outputs.output import Output
from provision.onboard.feed.report.fault_log import FaultLog

#: Bytes of sentences in one datagram: what fits an Ethernet frame (RFC 894) behind the
#: headers of IP and UDP, with some to spare.
MAX_DATAGRAM_BYTES = 1400


def pack(pieces: list[bytes], most: int = MAX_DATAGRAM_BYTES) -> list[bytes]:
    """Join whole pieces into datagrams of at most `most` bytes. A longer piece goes alone."""
    datagrams: list[bytes] = []
    current: list[bytes] = []
    size = 0
    for piece in pieces:
        if current and size + len(piece) > most:
            datagrams.append(b"".join(current))
            current, size = [], 0
        current.append(piece)
        size += len(piece)
    if current:
        datagrams.append(b"".join(current))
    return datagrams


class UdpOutput(Output):
    """Sends sentences to one address. A network that does not exist yet is no fault of ours."""

    def __init__(
        self,
        udp: models.UdpOptions,
        fault_log: FaultLog,
        own: OwnPorts,
        not_from: frozenset[str] = frozenset(),
    ) -> None:
        """Take `not_from`, the origins on the same medium."""
        self.name = f"{udp.address}:{udp.port}"
        self._udp = udp
        self._reaches = udp.network or Subnet.parse(f"{udp.address}/32")
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._pending: list[bytes] = []
        self._not_from = not_from
        self._channel = own.sender()
        self._channel.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        self._faulty = False
        self.sent = self.dropped = 0

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return origin not in self._not_from and self._udp.filter.passes(origin, talker, formatter)

    def put(self, sentence: Sentence) -> None:
        if came_from(sentence.sender, self._reaches):
            return
        if not self._pending:
            self._loop.call_soon(self._fault_log.guarded(self.name, self._flush))
        self._pending.append(sentence.raw)

    def _flush(self) -> None:
        pending, self._pending = self._pending, []
        for datagram in pack(pending):
            try:
                self._channel.sendto(datagram, (self._udp.address, self._udp.port))
            except OSError as error:
                self.dropped += 1
                self._faulty = True
                self._fault_log.warn(f"udp {self.name}", "send", error.strerror or str(error))
            else:
                self.sent += 1
                if self._faulty:
                    self._faulty = False
                    self._fault_log.cleared(f"udp {self.name}", "send", "sends again")

    def close(self) -> None:
        self._channel.close()

    def as_json(self) -> dict[str, Any]:
        """Return the datagrams sent and dropped, for the state."""
        return {"to": self.name, "sent": self.sent, "dropped": self.dropped}
