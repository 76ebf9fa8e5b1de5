# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the card is large enough."""

from __future__ import annotations

from collections.abc import Iterator

from provision.card.layout.partitions import Layout
from provision.checks.figure import Figure, judge
from provision.checks.finding import Finding
from provision.onboard.feed.voyage_log.files import MIN_FREE_BYTES
from provision.profile.load import Boat

#: 16 GB or more: common practice.
MIN_CARD_BYTES = 16 * 10**9

_HELP_SIZE = "use a card of 16 GB or more"
_HELP_LOG = "write a smaller log.cap, or take a larger card and write its size under card"

#: Share of a partition that is left for files. The file system itself takes the rest.
#: Common practice.
FILES_SHARE = 0.95


def max_log_bytes(size: int) -> int:
    """Return the bytes that a voyage log can have on a card of `size` bytes."""
    data = size - Layout("gpt", "any").data.offset
    return int(data * FILES_SHARE) - MIN_FREE_BYTES


def check(boat: Boat) -> Iterator[Finding]:
    """Find a card of less than 16 GB, or without room for image or voyage log."""
    size, log = boat.profile.card.size, boat.profile.log
    image = Layout("gpt", "any").size
    if size < image:
        yield Finding(
            "error",
            "card-size",
            f"the card's image takes {image / 10**9:.1f} GB, and the card has {size / 10**9:g} GB",
            boat.location("card.size"),
            _HELP_SIZE,
        )
        return
    if log and log.cap > (left := max(0, max_log_bytes(size))):
        yield Finding(
            "error",
            "log-cap",
            f"a voyage log of {log.cap / 10**9:g} GB does not fit on a card of "
            f"{size / 10**9:g} GB, which has {left / 10**9:.1f} GB for it",
            boat.location("log.cap"),
            _HELP_LOG,
        )
    if size < MIN_CARD_BYTES:
        yield Finding(
            "warning",
            "card-size",
            f"a card of {size / 10**9:g} GB leaves little room for a second base and for data",
            boat.location("card.size"),
            _HELP_SIZE,
        )


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate the card's size, and the voyage log's share of it."""
    size, log = boat.profile.card.size, boat.profile.log
    image = Layout("gpt", "any").size
    yield Figure(
        "card-size",
        "the card",
        size / 10**9,
        "GB",
        "common practice",
        limit=MIN_CARD_BYTES / 10**9,
        bound="least",
        verdict="error" if size < image else judge(size, MIN_CARD_BYTES, "least", "warning"),
        help=_HELP_SIZE,
        key="card.size",
    )
    if log and size >= image:
        left = max(0, max_log_bytes(size))
        yield Figure(
            "log-cap",
            "the voyage log at its largest",
            log.cap / 10**9,
            "GB",
            "what the card has beside system and reserve",
            limit=left / 10**9,
            verdict=judge(log.cap, left),
            help=_HELP_LOG,
            key="log.cap",
        )
