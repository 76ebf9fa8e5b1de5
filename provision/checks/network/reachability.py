# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the feed reaches, and can be reached by, what the profile names on the network."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Address, IPv4Network

from provision.checks.finding import Finding
from provision.errors import UserError
from provision.profile.leases import Leases, plan_leases
from provision.profile.listening import listening_ports
from provision.profile.load import Boat

#: Lower ports need privileges, which the feed does not have (ip(7)).
FIRST_UNPRIVILEGED_PORT = 1024

#: Networks that routers ashore and telephones commonly use: common practice, from memory.
COMMON_SHORE_NETWORKS = [
    IPv4Network(network)
    for network in (
        *("192.168.0.0/24", "192.168.1.0/24", "192.168.2.0/24", "192.168.8.0/24"),
        *("192.168.43.0/24", "192.168.100.0/24", "192.168.178.0/24"),
        *("10.0.0.0/24", "10.0.1.0/24", "172.20.10.0/28"),
    )
]


def check(boat: Boat) -> Iterator[Finding]:
    """Find network settings that cannot work.

    Find tablets without room, ports that the feed may not have, hosts that it cannot reach,
    networks that the shore has too, and multicast without a receiver.
    """
    yield from _ports(boat)
    yield from _shore(boat)
    try:
        shared = plan_leases(boat)
    except UserError as error:
        assert error.location is not None
        yield Finding("error", "tablets", error.message, error.location, error.hint)
    else:
        yield from _hosts(boat, shared)
    if boat.profile.feed.multicast and boat.profile.network.wired == "shore":
        yield Finding(
            "error",
            "multicast",
            "multicast is for instruments on the wired port, and that leads ashore",
            boat.location("feed.multicast"),
            "write wired: boat under network, or multicast: false",
        )


def _ports(boat: Boat) -> Iterator[Finding]:
    for one in listening_ports(boat.profile):
        if one.by_feed and one.port < FIRST_UNPRIVILEGED_PORT:
            yield Finding(
                "error",
                f"port.{one.port}",
                f"port {one.port} needs privileges, which the feed does not have",
                boat.location(one.key),
                f"take one from {FIRST_UNPRIVILEGED_PORT} up; "
                # IANA, from memory.
                "10110 is the port of nmea-0183",
            )


def _shore(boat: Boat) -> Iterator[Finding]:
    """Warn of a boat's network that the network on its uplink is likely to have, too."""
    own = boat.profile.network.address.network
    if boat.profile.network.wired != "shore" or not any(map(own.overlaps, COMMON_SHORE_NETWORKS)):
        return
    yield Finding(
        "warning",
        "shore-network",
        f"many routers ashore use {own}, too: behind one of them the boat reaches nothing ashore, "
        "and perhaps no tablet",
        boat.location("network.address"),
        "give the boat a network that is rarely used, such as 10.47.1.1/24",
    )


def _hosts(boat: Boat, shared: Leases) -> Iterator[Finding]:
    profile = boat.profile
    named = [
        (f"inputs.{name}.tcp", f"input-host.{name}", source.tcp)
        for name, source in profile.inputs.items()
        if source.tcp
    ]
    if isinstance(profile.feed.udp, list):
        named += [
            (f"feed.udp[{number}]", f"udp-host.{host.partition(':')[0]}", host)
            for number, host in enumerate(profile.feed.udp)
        ]
    network = profile.network
    everybody = network.address.network.broadcast_address
    for key, check_name, host in named:
        address = IPv4Address(host.partition(":")[0])
        if address == network.address.ip:
            message = f"{address} is the boat's own address: the feed would talk to itself"
            hint = "name another device's address"
        elif address in (network.address.network.network_address, everybody):
            message = f"{address} is the boat's whole network, not one device"
            hint = "name a device's address; a broadcast is a port alone, such as udp: 10110"
        elif address not in network.address.network and network.wired == "boat":
            message = f"{address} is not on the boat's network {network.address.network}"
            hint = "give the device an address there; nothing else can be reached"
        elif shared.first <= address <= shared.last:
            yield Finding(
                "warning",
                check_name,
                f"DHCP may give {address} to any guest",
                boat.location(key),
                f"set the device to one before {shared.first}, or name it under network.tablets",
            )
            continue
        else:
            continue
        yield Finding("error", check_name, message, boat.location(key), hint)
