# SPDX-License-Identifier: GPL-3.0-or-later
"""Calculate what boat-watch writes to the card, where the profile has a log."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.figure import Figure
from provision.onboard.watch.memory.files import CAP_BYTES
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile

_HOURS_A_YEAR = 24 * 365

#: Compressed bytes of an hour, and what each link adds to them: 417, 446 and 545 bytes with 4, 12
#: and 40 links, measured with made-up figures that wander.
BYTES_AN_HOUR, BYTES_A_LINK = 405, 3.5

#: Writes in a day: one an hour. Each start and each end add one.
WRITES_A_DAY = 24

_MEASURED = "405 bytes an hour and 3.5 for each link, measured with made-up figures"


def bytes_a_year(profile: Profile) -> float:
    """Return the bytes that the history writes in a year. A boat without a log writes none."""
    if profile.log is None:
        return 0.0
    links = len(profile.links) + len(profile.inputs)
    return (BYTES_AN_HOUR + BYTES_A_LINK * links) * _HOURS_A_YEAR


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate what the history writes in a year, and what it takes of the card."""
    if boat.profile.log is None:
        return
    yield Figure(
        "history",
        "what the boat's history writes in a year",
        bytes_a_year(boat.profile) / 10**6,
        "MB",
        _MEASURED,
        key="log",
    )
    yield Figure(
        "history",
        "the boat's history at its largest",
        CAP_BYTES / 10**6,
        "MB",
        "six times what thirty days without a pause take",
        key="log",
    )
