# SPDX-License-Identifier: GPL-3.0-or-later
"""Assign the addresses of the boat's own network.

The lower two fifths of the addresses are left to devices that are set by hand. DHCP assigns the
next two fifths. The upper fifth is for named tablets.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Interface

from provision.errors import UserError
from provision.profile.load import Boat

#: No boat has more guests. dnsmasq takes at most 1000 leases by default.
MAX_LEASES = 800


@dataclass(frozen=True)
class Leases:
    """Hold the addresses from `first` to `last` for DHCP, and `fixed` ones of named tablets."""

    first: IPv4Address
    last: IPv4Address
    fixed: dict[str, IPv4Address]


def plan_leases(boat: Boat) -> Leases:
    """Assign the addresses of a boat's network. Raise UserError if tablets do not fit in."""
    network = boat.profile.network
    try:
        return divide_network(network.address, network.tablets)
    except ValueError as error:
        raise UserError(
            str(error),
            location=boat.location("network.tablets"),
            hint="give network.address a shorter prefix, such as /24",
        ) from error


def divide_network(address: IPv4Interface, tablets: Iterable[str]) -> Leases:
    """Divide the network of `address`, which is the boat's own and no device's lease.

    Tablets get addresses in the order of the profile, so that another tablet at the end changes no
    address. Raise ValueError if the network has no room for all tablets.
    """
    base = int(address.network.network_address) + 1
    count = address.network.num_addresses - 2
    own = int(address.ip)
    begin, end = base + count * 2 // 5, base + count * 4 // 5
    fixed = [host for host in range(end, base + count) if host != own]
    names = list(tablets)
    if len(names) > len(fixed):
        raise ValueError(
            f"{address.network} has room for {len(fixed)} tablets with fixed addresses, "
            f"and there are {len(names)}"
        )
    if begin <= own < end:
        begin, end = max((begin, own), (own + 1, end), key=lambda run: run[1] - run[0])
    end = min(end, begin + MAX_LEASES)
    return Leases(
        first=IPv4Address(begin),
        last=IPv4Address(end - 1),
        fixed={name: IPv4Address(host) for name, host in zip(names, fixed, strict=False)},
    )
