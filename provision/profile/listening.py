# SPDX-License-Identifier: GPL-3.0-or-later
"""List the ports where a boat's own programs listen, for all that has to know of them.

The firewall lets these in, `check` looks at them, and no two may be the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.profile.schema.boat import Profile
from provision.profile.schema.charts import CHARTS_PORT
from provision.profile.schema.page import PAGE_PORT


@dataclass(frozen=True)
class ListeningPort:
    """Hold one port that is open on the boat's own network."""

    protocol: Literal["tcp", "udp"]
    port: int
    key: str
    """The key of the profile that opens it."""
    group: str = ""
    """The multicast address that it is about. Empty for any of the boat's addresses."""
    by_feed: bool = True
    """Whether the feed opens it, which has no privileges."""
    reserved: bool = False
    """Whether the kernel is told to give it to no other program."""


def listening_ports(profile: Profile) -> Iterator[ListeningPort]:
    """Yield the ports of a boat, beside those of SSH, the name service and DHCP."""
    if profile.page:
        yield ListeningPort("tcp", PAGE_PORT, "page", by_feed=False)
    if profile.charts:
        yield ListeningPort("tcp", CHARTS_PORT, "charts", by_feed=False)
    yield ListeningPort("tcp", profile.feed.tcp, "feed.tcp")
    for name, source in profile.inputs.items():
        if source.listen:
            yield ListeningPort("tcp", source.listen, f"inputs.{name}.listen", reserved=True)
        if source.udp:
            yield ListeningPort("udp", source.udp, f"inputs.{name}.udp", reserved=True)
        for group in source.multicast or ():
            address, port = GROUPS[group]
            yield ListeningPort("udp", port, f"inputs.{name}.multicast", address, reserved=True)
