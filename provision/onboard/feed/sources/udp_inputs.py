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


class UdpInput:
    """Reads sentences from datagrams that come to one port."""

    def __init__(
        self,
        source: models.InputOptions,
        deliver: Deliver,
        stalls: Stalls,
        fault_log: FaultLog,
        own: OwnPorts,
    ) -> None:
        """Bind the port. OSError when it is taken."""
        assert source.udp is not None
        self.name = source.name
        self._own = own
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(source, deliver, stalls, fault_log)
        self._framer = self._ingest.framer(from_start=True)
        self._arrivals = self._ingest.arrivals()
        self._channel = listen_udp(source.address, source.udp)

    @property
    def port(self) -> int:
        return int(self._channel.getsockname()[1])

    def open(self) -> None:
        self._loop.add_reader(self._channel, self._read)

    def _read(self) -> None:
        for _ in range(DATAGRAMS_PER_TURN):
            try:
                data, (address, port) = self._channel.recvfrom(MAX_DATAGRAM_BYTES)
            except OSError:
                self._arrivals.emptied()
                return
            since = self._arrivals.read(len(data), more=True)
            if not self._own.sent(address, port):
                self._framer.sender = address
                self._ingest.take_datagram(self._framer, data, since)

    def watch(self, now: float) -> None:
        """Do nothing: a bound port needs no watch."""

    def close(self) -> None:
        self._loop.remove_reader(self._channel)
        self._channel.close()
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        heard = self._ingest.heard_at
        return {"present": heard is not None, **self._ingest.as_json()}


class MulticastInput:
    """Reads sentences from transmission groups of IEC 61162-450."""

    def __init__(
        self,
        source: models.InputOptions,
        deliver: Deliver,
        stalls: Stalls,
        fault_log: FaultLog,
        own: OwnPorts,
    ) -> None:
        """Bind the ports of the groups. OSError when a port is taken."""
        self.name = source.name
        self._interface = source.address
        self._fault_log = fault_log
        self._own = own
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(source, deliver, stalls, fault_log)
        self._framer = self._ingest.framer(from_start=True)
        self._arrivals = {GROUPS[name][0]: self._ingest.arrivals() for name in source.multicast}
        self._channels = {GROUPS[name][0]: listen_udp(*GROUPS[name]) for name in source.multicast}

    def open(self) -> None:
        for group, channel in self._channels.items():
            self._loop.add_reader(channel, self._read, channel, self._arrivals[group])
        self.watch(self._loop.time())

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

    def _read(self, channel: socket.socket, arrivals: Arrivals) -> None:
        for _ in range(DATAGRAMS_PER_TURN):
            try:
                data, (address, port) = channel.recvfrom(MAX_DATAGRAM_BYTES)
            except OSError:
                arrivals.emptied()
                return
            since = arrivals.read(len(data), more=True)
            if self._own.sent(address, port):
                continue
            if not data.startswith(HEADER):
                self._ingest.errors.noise += 1
                self._fault_log.warn(self.name, "header", f"{address} sends no IEC 61162-450")
                continue
            self._framer.sender = address
            self._ingest.take_datagram(self._framer, data[len(HEADER) :], since)

    def close(self) -> None:
        for channel in self._channels.values():
            self._loop.remove_reader(channel)
            channel.close()
        self._ingest.close()

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state."""
        return {"present": self._ingest.heard_at is not None, **self._ingest.as_json()}
