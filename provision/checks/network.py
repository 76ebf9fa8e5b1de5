# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the feed reaches, and can be reached by, what the profile names on the network."""

from __future__ import annotations

from collections.abc import Iterator
from ipaddress import IPv4Address

from provision.checks.finding import Finding
from provision.errors import UserError
from provision.profile.load import Boat
from provision.render.leases import Leases, leases

#: Lower ports are for programs with privileges, and the feed has none (ip(7)).
FIRST_PORT = 1024


def check(boat: Boat) -> Iterator[Finding]:
    """Tablets without room, ports that the feed may not have, hosts that it cannot reach,
    multicast to nobody."""
    yield from _ports(boat)
    try:
        shared = leases(boat)
    except UserError as error:
        assert error.place is not None
        yield Finding("error", "tablets", error.message, error.place, error.hint)
    else:
        yield from _hosts(boat, shared)
    if boat.profile.feed.multicast and boat.profile.network.wired == "shore":
        yield Finding(
            "error",
            "multicast",
            "multicast is for instruments on the wired port, and that leads ashore",
            boat.place("feed.multicast"),
            "write wired: boat under network, or multicast: false",
        )


def _ports(boat: Boat) -> Iterator[Finding]:
    listening = {"feed.tcp": boat.profile.feed.tcp}
    for name, source in boat.profile.inputs.items():
        listening |= {
            f"inputs.{name}.{way}": port
            for way, port in (("listen", source.listen), ("udp", source.udp))
            if port
        }
    for key, port in listening.items():
        if port < FIRST_PORT:
            yield Finding(
                "error",
                f"port.{port}",
                f"port {port} is for programs with privileges, and the feed has none",
                boat.place(key),
                f"take one from {FIRST_PORT} up; 10110 is nmea-0183 (IANA, from memory)",
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
                f"{address} is one that any guest may be given",
                boat.place(key),
                f"set the device to one before {shared.first}, or name it under network.tablets",
            )
            continue
        else:
            continue
        yield Finding("error", check_name, message, boat.place(key), hint)
