# SPDX-License-Identifier: GPL-3.0-or-later
"""Read sentences from datagrams: plain UDP, and multicast as of IEC 61162-450."""

from __future__ import annotations

import asyncio
import errno
import socket
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.listening_sockets import listen_udp
from provision.onboard.feed.net.own_sockets import OwnPorts
from provision.onboard.feed.nmea0183.transmission_groups import ANY, GROUPS, HEADER
from provision.onboard.feed.policy.stalls import Arrivals, Stalls
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.ingest import Deliver, Ingest

#: The largest datagram (RFC 768), and datagrams read before other sources get their turn.
MAX_DATAGRAM_BYTES, DATAGRAMS_PER_TURN = 65535, 16


class _DatagramInput:
    """Reads sentences from datagrams that come to some ports."""

    def __init__(
        self,
        source: models.InputOptions,
        deliver: Deliver,
        stalls: Stalls,
        fault_log: FaultLog,
        own: OwnPorts,
    ) -> None:
        """Bind the ports. OSError when one is taken."""
        self.name = source.name
        self._fault_log = fault_log
        self._own = own
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(source, deliver, stalls, fault_log)
        self._framer = self._ingest.framer(from_start=True)
        self._channels = self._bind(source)

    def _bind(self, source: models.InputOptions) -> dict[str, socket.socket]:
        raise NotImplementedError

    def open(self) -> None:
        for channel in self._channels.values():
            self._loop.add_reader(channel, self._read, channel, self._ingest.arrivals())
        self.watch(self._loop.time())

    def watch(self, now: float) -> None:
        """Do nothing: a bound port needs no watch."""

    def _read(self, channel: socket.socket, arrivals: Arrivals) -> None:
        for _ in range(DATAGRAMS_PER_TURN):
            try:
                data, (address, port) = channel.recvfrom(MAX_DATAGRAM_BYTES)
            except OSError:
                arrivals.emptied()
                return
            since = arrivals.read(len(data), more=True)
            if not self._own.sent(address, port):
                self._take(data, address, since)

    def _take(self, data: bytes, address: str, since: float) -> None:
        self._framer.sender = address
        self._ingest.take_datagram(self._framer, data, since)

    def close(self) -> None:
        for channel in self._channels.values():
            self._loop.remove_reader(channel)
            channel.close()
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        return {"present": self._ingest.heard_at is not None, **self._ingest.as_json()}


class UdpInput(_DatagramInput):
    """Reads sentences from datagrams that come to one port."""

    def _bind(self, source: models.InputOptions) -> dict[str, socket.socket]:
        assert source.udp is not None
        return {"": listen_udp(source.address, source.udp)}

    @property
    def port(self) -> int:
        return int(self._channels[""].getsockname()[1])


class MulticastInput(_DatagramInput):
    """Reads sentences from transmission groups of IEC 61162-450."""

    def _bind(self, source: models.InputOptions) -> dict[str, socket.socket]:
        self._interface = source.address
        return {GROUPS[name][0]: listen_udp(*GROUPS[name]) for name in source.multicast}

    def watch(self, now: float) -> None:
        """Join the groups again where the interface has appeared or come back."""
        for group, channel in self._channels.items():
            membership = socket.inet_aton(group) + socket.inet_aton(self._interface or ANY)
            try:
                channel.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, membership)
            except OSError as error:
                # Joined already, and still so.
                if error.errno != errno.EADDRINUSE:
                    self._fault_log.warn(self.name, "join", f"{group}: {error.strerror}; trying on")
            else:
                self._fault_log.cleared(self.name, "join", "joined")

    def _take(self, data: bytes, address: str, since: float) -> None:
        if data.startswith(HEADER):
            super()._take(data[len(HEADER) :], address, since)
        else:
            self._ingest.errors.noise += 1
            self._fault_log.warn(self.name, "header", f"{address} sends no IEC 61162-450")
