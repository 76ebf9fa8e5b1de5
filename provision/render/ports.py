# SPDX-License-Identifier: GPL-3.0-or-later
"""Sort a boat's listening ports for the templates."""

from __future__ import annotations

from dataclasses import dataclass

from provision.profile.listening import listening_ports
from provision.profile.schema.boat import Profile


@dataclass(frozen=True)
class Ports:
    """Hold the ports where the boat's own programs listen."""

    tcp: list[int]
    udp: list[int]
    """Without those of multicast addresses."""
    groups: list[tuple[str, int]]
    """Multicast addresses with their UDP ports."""
    reserved: list[int]
    """Ports that the kernel gives to no other program, ascending."""


def collect_ports(profile: Profile) -> Ports:
    """Return the ports of the profile's page, charts, feed and inputs."""
    found = [*listening_ports(profile)]
    return Ports(
        tcp=[one.port for one in found if one.protocol == "tcp"],
        udp=[one.port for one in found if one.protocol == "udp" and not one.group],
        groups=[(one.group, one.port) for one in found if one.group],
        reserved=sorted({one.port for one in found if one.reserved}),
    )
