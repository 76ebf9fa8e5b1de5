# SPDX-License-Identifier: GPL-3.0-or-later
"""List the ports where the feed is reached from the boat's own network."""

from __future__ import annotations

from dataclasses import dataclass

from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.profile.schema.boat import Profile


@dataclass(frozen=True)
class InputPorts:
    """Hold the ports that inputs listen on."""

    tcp: list[int]
    udp: list[int]
    groups: list[tuple[str, int]]
    """Multicast addresses with their UDP ports."""

    @property
    def all(self) -> list[int]:
        """Return the ports of all protocols, ascending."""
        return sorted({*self.tcp, *self.udp, *(port for _, port in self.groups)})


def collect_ports(profile: Profile) -> InputPorts:
    """Return the ports that the profile's inputs listen on."""
    inputs = profile.inputs.values()
    return InputPorts(
        tcp=[source.listen for source in inputs if source.listen],
        udp=[source.udp for source in inputs if source.udp],
        groups=[GROUPS[name] for source in inputs for name in source.multicast or ()],
    )
