# SPDX-License-Identifier: GPL-3.0-or-later
"""Recognise our own datagrams when a broadcast or multicast brings them back."""

from __future__ import annotations

import socket

#: Addresses remembered. A sender that keeps changing its address must not fill memory.
MAX_ADDRESSES = 64


class OwnPorts:
    """Remembers the ports that our own sockets send datagrams from."""

    def __init__(self) -> None:
        self._ports: set[int] = set()
        self._local: dict[str, bool] = {}

    def sender(self) -> socket.socket:
        """Return a socket to send datagrams from, and remember its port as ours."""
        channel = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        channel.setblocking(False)
        channel.bind(("", 0))
        self._ports.add(channel.getsockname()[1])
        return channel

    def sent(self, address: str, port: int) -> bool:
        """Report whether a datagram from this address and port is one of ours."""
        return port in self._ports and self._is_local(address)

    def _is_local(self, address: str) -> bool:
        if address not in self._local:
            if len(self._local) >= MAX_ADDRESSES:
                self._local.clear()
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                try:
                    # Only an address of this machine can be bound to.
                    probe.bind((address, 0))
                    self._local[address] = True
                except OSError:
                    self._local[address] = False
        return self._local[address]
