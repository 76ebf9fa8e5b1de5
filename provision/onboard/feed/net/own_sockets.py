# SPDX-License-Identifier: GPL-3.0-or-later
"""Knowing our own datagrams when a broadcast or multicast brings them back."""

from __future__ import annotations

import socket

#: Addresses remembered; senders of ever new ones must not eat memory.
REMEMBERED = 64


class OwnPorts:
    """The ports that our own sockets send datagrams from."""

    def __init__(self) -> None:
        self._ports: set[int] = set()
        self._local: dict[str, bool] = {}

    def sender(self) -> socket.socket:
        """A socket to send datagrams from, known as ours."""
        channel = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        channel.setblocking(False)
        channel.bind(("", 0))
        self._ports.add(channel.getsockname()[1])
        return channel

    def sent(self, address: str, port: int) -> bool:
        """Whether a datagram from there is one of ours."""
        return port in self._ports and self._is_local(address)

    def _is_local(self, address: str) -> bool:
        if address not in self._local:
            if len(self._local) >= REMEMBERED:
                self._local.clear()
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
                try:
                    # Only an address of this machine can be bound to.
                    probe.bind((address, 0))
                    self._local[address] = True
                except OSError:
                    self._local[address] = False
        return self._local[address]
