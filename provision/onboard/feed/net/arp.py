# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the hardware address of a network address, in the kernel's neighbour table."""

from __future__ import annotations

#: The kernel's table of IPv4 neighbours (proc(5)). A service that sees no other processes
#: finds it at this path too.
TABLE = "/proc/self/net/arp"

_COMPLETE = 0x2


def hardware_address(address: str, table: str = TABLE) -> str | None:
    """Return the hardware address behind an IPv4 address, such as 02:00:00:12:34:56, or None."""
    try:
        with open(table, encoding="ascii") as file:
            lines = file.read().splitlines()[1:]
    except OSError:
        return None
    for line in lines:
        columns = line.split()
        if len(columns) >= 4 and columns[0] == address and int(columns[2], 16) & _COMPLETE:
            return columns[3].lower()
    return None
