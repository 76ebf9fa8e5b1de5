# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that a steering sentence reaches a slow pilot before it is too old to be sent."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.checks.links.sentence_lengths import typical_length
from provision.onboard.feed.nmea0183.sentence import steers
from provision.onboard.feed.policy.steering_age import MAX_STEERING_AGE_S
from provision.profile.load import Boat
from provision.profile.schema.links import LinkConfig
from provision.profile.schema.types import BITS_PER_CHARACTER


def worst_delay(link: LinkConfig) -> float:
    """Return the seconds until the longest steering sentence has left, behind any other.

    It counts ordinary lengths. Without a steering sentence, or with one alone, it is 0.
    """
    steering = [name for name in link.listens if steers("P" if len(name) > 3 else "", name)]
    if not steering:
        return 0.0
    longest = max(steering, key=typical_length)
    others = [typical_length(name) for name in link.listens if name != longest]
    behind = typical_length(longest) + max(others) if others else 0
    return behind * BITS_PER_CHARACTER / link.baud


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of links so slow that steering waits longer than the feed lets it grow old."""
    for name, link in boat.profile.serial_links.items():
        delay = worst_delay(link)
        if delay > MAX_STEERING_AGE_S:
            yield Finding(
                "warning",
                f"late-steering.{name}",
                f"at {link.baud} baud a steering sentence for {name} may take {delay:.1f} s behind "
                f"another, and the feed drops it when it is {MAX_STEERING_AGE_S:g} s old",
                boat.location(f"links.{name}.listens"),
                "set pilot and link to 4800 baud (IEC 61162-1), or send it fewer kinds of "
                "sentences",
            )
