# SPDX-License-Identifier: GPL-3.0-or-later
"""What two links, or two boats, cannot share."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

from provision.errors import Place, UserError
from provision.profile.models import Adapter, Profile


def adapters(profile: Profile, place: Callable[[str], Place]) -> list[UserError]:
    """An error for each pair of links of one boat that mean one adapter.

    `place` tells where a key of the profile stands.
    """
    errors = []
    for (first, one), (second, two) in combinations(profile.links.items(), 2):
        reason = _shared(one.adapter, two.adapter)
        if reason:
            where = place(f"links.{first}.adapter")
            errors.append(
                UserError(
                    f"the links {first} and {second} are on one adapter: {reason}",
                    place=place(f"links.{second}.adapter"),
                    hint=f"{first} stands in {where.file}:{where.line}; for a chip with several "
                    "ports give each link its interface",
                )
            )
    return errors


def _shared(one: Adapter, two: Adapter) -> str:
    """Why both must be the same socket of the same chip; empty when they need not be."""
    same = (one.serial and one.serial == two.serial) or (one.port and one.port == two.port)
    if same and (one.interface is None or two.interface is None or one.interface == two.interface):
        return str(one) if one == two else f"{one} is also matched by {two}"
    for inner, outer in ((one, two), (two, one)):
        if inner.port and outer.port and inner.port.startswith(f"{outer.port}."):
            return f"a hub is in port {outer.port} if port {inner.port} exists"
    return ""
