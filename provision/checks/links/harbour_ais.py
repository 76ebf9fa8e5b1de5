# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the reports of all ships in a busy harbour fit where they have to go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from provision.checks.figure import Figure, judge
from provision.checks.finding import Finding
from provision.checks.links.baud import CROWDED_SHARE, load_share
from provision.checks.links.passing import may_pass, sources_of, taken_rates
from provision.checks.links.sentence_lengths import typical_length
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import LinkConfig
from provision.profile.schema.types import BITS_PER_CHARACTER

#: Links that a listener is compared with: more than any board has sockets for.
MAX_DEVICES = 64

#: The formatter of other ships' reports (IEC 61162-1).
AIS = "VDM"

#: Each of two channels has 2250 slots a minute, and each slot carries at most one report, such as a
#: position in 168 bits (ITU-R M.1371). A ship's static report takes two slots, and its sentences
#: are a sixth longer for each slot. It hardly counts: it comes every 6 minutes, and positions under
#: way every 10 s or more often (ITU-R M.1371, from memory).
REPORTS_A_SECOND = 2 * 2250 / 60

#: The baud rate of the high-speed link (IEC 61162-2).
HIGH_SPEED_BAUD = 38400

#: Frames of a class A position report (129038, fast packet), bits of the longest frame of 8 bytes,
#: and the bus (ISO 11783-2 / NMEA 2000). Frames and bits are from memory.
CAN_FRAMES, CAN_FRAME_BITS, CAN_BITS_A_SECOND = 5, 160, 250_000

_SOURCE = "2 channels of 2250 slots a minute, ITU-R M.1371; 10 bits a character, IEC 61162-1"


def harbour_characters(talks: Mapping[str, float]) -> float:
    """Return the characters a second that an instrument sends in a busy harbour."""
    others = {name: rate for name, rate in talks.items() if name != AIS}
    reports = max(REPORTS_A_SECOND, talks.get(AIS, 0)) if AIS in talks else 0
    return reports * typical_length(AIS) + load_share(others, BITS_PER_CHARACTER)


def enough_reports(link: LinkConfig) -> int:
    """Return the reports a second that a link should be sent: all, or what a fast link can carry.

    What else the link is sent goes first.
    """
    if link.baud < HIGH_SPEED_BAUD:
        return int(REPORTS_A_SECOND)
    others = {name: rate for name, rate in link.listens.items() if name != AIS}
    free = (CROWDED_SHARE - load_share(others, link.baud)) * link.baud / BITS_PER_CHARACTER
    return max(0, min(int(REPORTS_A_SECOND), int(free / typical_length(AIS))))


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of links that lose reports in a busy harbour, from a receiver or to a listener."""
    for name, link in boat.profile.serial_links.items():
        yield from _sending(boat, name, link)
    for name, link in _listeners(boat.profile):
        yield from _listening(boat, name, link)


def _sending(boat: Boat, name: str, link: LinkConfig) -> Iterator[Finding]:
    characters, capacity = harbour_characters(link.talks), link.baud / BITS_PER_CHARACTER
    # Of a link that is too full at any time, the other check tells.
    if AIS in link.talks and characters > capacity and load_share(link.talks, link.baud) <= 1:
        yield Finding(
            "warning",
            f"ais-harbour.{name}",
            f"in a busy harbour {name} loses ships: with {REPORTS_A_SECOND:.0f} reports a second "
            f"it sends {characters / capacity:.0%} of what {link.baud} baud can carry",
            boat.location(f"links.{name}.baud"),
            _help_sending(link),
        )


def _listening(boat: Boat, name: str, link: LinkConfig) -> Iterator[Finding]:
    rate, enough = link.listens[AIS], enough_reports(link)
    if rate < enough:
        yield Finding(
            "warning",
            f"ais-listener.{name}",
            f"{name} is sent at most {rate:g} AIS reports a second, and loses the others: a busy "
            f"harbour has {REPORTS_A_SECOND:.0f} a second",
            boat.location(f"links.{name}.listens"),
            _help_listening(link),
        )


def _listeners(profile: Profile) -> list[tuple[str, LinkConfig]]:
    """Return the links that AIS reports of any source may come to."""
    talkers = {name for name, source in sources_of(profile).items() if AIS in taken_rates(source)}
    wired = [name for name in profile.links if name in talkers][:MAX_DEVICES]
    return [
        (name, link)
        for name, link in profile.serial_links.items()
        if AIS in link.listens
        and any(
            origin in talkers and origin != name and may_pass(link.gives, AIS, origin)
            for origin in (*wired, *(link.listens_to or ()))
        )
    ]


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate what a busy harbour brings to each way of AIS reports."""
    profile = boat.profile
    for name, link in profile.serial_links.items():
        capacity = link.baud / BITS_PER_CHARACTER
        if AIS in link.talks and load_share(link.talks, link.baud) <= 1:
            characters = harbour_characters(link.talks)
            yield Figure(
                f"ais-harbour.{name}",
                f"what {name} sends in a busy harbour",
                characters,
                "characters a second",
                _SOURCE,
                limit=capacity,
                verdict=judge(characters, capacity, above="warning"),
                help=_help_sending(link),
                key=f"links.{name}.baud",
            )
    for name, link in _listeners(profile):
        rate, enough = link.listens[AIS], enough_reports(link)
        yield Figure(
            f"ais-listener.{name}",
            f"AIS reports that {name} is sent",
            rate,
            "a second",
            _SOURCE,
            limit=enough,
            bound="least",
            verdict=judge(rate, enough, "least", "warning"),
            help=_help_listening(link),
            key=f"links.{name}.listens",
        )
    for name, can in profile.can_links.items():
        if "ais" in can.talks:
            yield Figure(
                f"ais-harbour.{name}",
                f"what a busy harbour puts on {name}",
                REPORTS_A_SECOND * CAN_FRAMES * CAN_FRAME_BITS / 1000,
                "kbit a second",
                "ITU-R M.1371, ISO 11783-2 / NMEA 2000; 5 frames of 160 bits from memory",
                limit=CAN_BITS_A_SECOND / 1000,
                key=f"links.{name}",
            )
    if any(AIS in taken_rates(source) for source in sources_of(profile).values()):
        yield Figure(
            "ais-harbour",
            "what a busy harbour brings to each client of the feed",
            sum(
                harbour_characters(taken_rates(source))
                for name, source in sources_of(profile).items()
                if AIS in taken_rates(source) and may_pass(profile.feed.gives.get("tcp"), AIS, name)
            ),
            "characters a second",
            _SOURCE,
            key="feed",
        )


def _help_sending(link: LinkConfig) -> str:
    if link.baud < HIGH_SPEED_BAUD:
        return f"set receiver and link to {HIGH_SPEED_BAUD} baud (IEC 61162-2)"
    return "let the receiver send nothing else by this link, or set both to a higher baud rate"


def _help_listening(link: LinkConfig) -> str:
    if link.baud < HIGH_SPEED_BAUD:
        fast = enough_reports(link.model_copy(update={"baud": HIGH_SPEED_BAUD}))
        return (
            f"set listener and link to {HIGH_SPEED_BAUD} baud (IEC 61162-2), and write under its "
            f"listens {AIS}: {fast}"
        )
    return (
        f"write under its listens {AIS}: {enough_reports(link)}, which {link.baud} baud can carry"
    )
