# SPDX-License-Identifier: GPL-3.0-or-later
"""Derive the hull of a boat that is exactly what its profile says."""

from __future__ import annotations

from provision.bench.hull.schema import Hull, HullAdapter, HullInstrument, HullNetwork
from provision.profile.schema.boat import Profile


def derive(profile: Profile) -> Hull:
    """Return the hull, whose adapters and networks have the names of the profile's links."""
    return Hull(
        boat=profile.boat,
        adapters={
            name: HullAdapter(
                serial=link.adapter.serial,
                port=link.adapter.port,
                interface=link.adapter.interface,
                instruments=[HullInstrument(baud=link.baud, talks=link.talks)],
            )
            for name, link in profile.serial_links.items()
        },
        networks={
            name: HullNetwork(can=link.can, talks=link.talks)
            for name, link in profile.can_links.items()
        },
    )
