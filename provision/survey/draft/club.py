# SPDX-License-Identifier: GPL-3.0-or-later
"""Find what a new boat shares with the others of its folder, and what it must not have."""

from __future__ import annotations

import ipaddress
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.profile import load
from provision.profile.load import Boat
from provision.profile.yaml.render import flow

#: What the club's file is called by `init`.
CLUB_FILE = "club.yml"

#: The networks that boats get, one after the other: of the private range 10/8 (RFC 1918).
NETWORKS = ipaddress.IPv4Network("10.47.0.0/16")


@dataclass(frozen=True)
class Club:
    """Hold what the files say that a new boat includes."""

    includes: tuple[str, ...]
    keys: Mapping[str, Any]
    """What these files say, as plain data."""
    boats: Sequence[Boat]

    def says(self, *path: str) -> bool:
        """Report whether the included files have a value at a key."""
        found: Any = self.keys
        for key in path:
            found = found.get(key) if isinstance(found, Mapping) else None
        return found is not None


def read_club(file: Path, boats: Sequence[Boat]) -> Club:
    """Read what a new boat's file is to include: as most of the `boats` do, or the club's file."""
    lists = Counter(
        tuple(boat.profile.includes) for boat in boats if boat.file.parent == file.parent
    )
    includes = lists.most_common(1)[0][0] if lists else ()
    club = file.parent / CLUB_FILE
    if not lists and club.is_file() and not load.names_a_boat(club):
        includes = (CLUB_FILE,)
    if not includes:
        return Club((), {}, boats)
    keys = load.read_keys(file, f"includes: {flow([*includes])}\n")
    return Club(includes, keys if isinstance(keys, dict) else {}, boats)


def free_address(boats: Sequence[Boat]) -> str:
    """Return the first address, with its network, that no boat's network overlaps."""
    taken = [boat.profile.network.address.network for boat in boats]
    free = (
        network
        for network in list(NETWORKS.subnets(new_prefix=24))[1:]
        if not any(network.overlaps(other) for other in taken)
    )
    network = next(free, NETWORKS)
    return f"{network.network_address + 1}/{network.prefixlen}"
