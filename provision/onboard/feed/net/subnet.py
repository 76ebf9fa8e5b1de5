# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide which addresses a broadcast or multicast reaches.

No sentence goes back to where it came from.
"""

from __future__ import annotations

import socket
import struct
from typing import NamedTuple

#: Loopback addresses do not identify a sender.
LOOPBACK = "127.0.0.1"


def _number(address: str) -> int:
    return int(struct.unpack("!I", socket.inet_aton(address))[0])


class Subnet(NamedTuple):
    """Holds a range of IPv4 addresses."""

    first: int
    mask: int

    @classmethod
    def parse(cls, text: str) -> Subnet:
        """Read CIDR notation. ValueError for any other text.

        >>> Subnet.parse("10.47.1.0/24").holds("10.47.1.60")
        True
        """
        address, _, length = text.partition("/")
        try:
            packed = socket.inet_pton(socket.AF_INET, address)
        except OSError:
            packed = b""
        if not packed or not length.isdecimal() or int(length) > 32:
            raise ValueError(f"{text} is no IPv4 network")
        mask = 0xFFFFFFFF << 32 - int(length) & 0xFFFFFFFF
        return cls(int(struct.unpack("!I", packed)[0]) & mask, mask)

    def holds(self, address: str) -> bool:
        return _number(address) & self.mask == self.first


#: All addresses.
EVERYWHERE = Subnet(0, 0)


def came_from(sender: str, subnet: Subnet) -> bool:
    """Report whether `sender` sent its sentence from `subnet`.

    False for serial links, which have no sender, and for this computer.
    """
    return bool(sender) and sender != LOOPBACK and subnet.holds(sender)
