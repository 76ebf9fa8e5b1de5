# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that a link's sentences fit through it at its baud rate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from provision.checks.figure import Figure
from provision.checks.finding import Finding
from provision.checks.links.sentence_lengths import typical_length
from provision.onboard.feed.nmea0183.sentence import MAX_SENTENCE_CHARS
from provision.profile.load import Boat
from provision.profile.schema.types import BITS_PER_CHARACTER

#: Above this share sentences queue up whenever a few come together. Common practice.
CROWDED_SHARE = 0.8

_HELP = (
    "set instrument and link to a higher baud rate (38400 in IEC 61162-2), or send fewer sentences"
)


def load_share(sentences: Mapping[str, float], baud: int) -> float:
    """Return the share of a link's capacity that sentences (rate by formatter) take.

    It counts ordinary lengths. Above 1 they do not fit.
    """
    return (
        sum(rate * typical_length(name) for name, rate in sentences.items())
        * BITS_PER_CHARACTER
        / baud
    )


def check(boat: Boat) -> Iterator[Finding]:
    """Find links over 80 % full (warning) or over 100 % (error), in each direction."""
    for name, link in boat.profile.serial_links.items():
        for way in ("talks", "listens"):
            sentences: Mapping[str, float] = getattr(link, way)
            full = load_share(sentences, link.baud)
            if full <= CROWDED_SHARE:
                continue
            longest = sum(sentences.values()) * MAX_SENTENCE_CHARS * BITS_PER_CHARACTER / link.baud
            sends = "sends" if way == "talks" else "is sent"
            much = "more than" if full > 1 else "nearly what"
            yield Finding(
                "error" if full > 1 else "warning",
                f"link-load.{name}",
                f"{name} {sends} {much} {link.baud} baud can carry: {full:.0%}, and {longest:.0%} "
                "with the longest sentences",
                boat.location(f"links.{name}.{way}"),
                _HELP,
            )


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate the characters a second of each link, in each direction that it is used."""
    for name, link in boat.profile.serial_links.items():
        for way, words in (("talks", "sends"), ("listens", "is sent")):
            sentences: Mapping[str, float] = getattr(link, way)
            if not sentences:
                continue
            full = load_share(sentences, link.baud)
            capacity = link.baud / BITS_PER_CHARACTER
            yield Figure(
                f"link-load.{name}",
                f"what {name} {words}",
                full * capacity,
                "characters a second",
                "10 bits a character, IEC 61162-1",
                limit=capacity,
                verdict="error" if full > 1 else "warning" if full > CROWDED_SHARE else "fine",
                help=_HELP,
                key=f"links.{name}.{way}",
            )
