# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the card is large enough."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.profile.load import Boat

#: 16 GB or more: common practice.
SMALLEST = 16 * 10**9


def check(boat: Boat) -> Iterator[Finding]:
    """A card of less than 16 GB."""
    size = boat.profile.card.size
    if size < SMALLEST:
        yield Finding(
            "warning",
            "card-size",
            f"a card of {size / 10**9:g} GB leaves little room for a second base and for data",
            boat.place("card.size"),
            "use a card of 16 GB or more",
        )
