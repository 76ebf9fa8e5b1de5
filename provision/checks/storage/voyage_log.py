# SPDX-License-Identifier: GPL-3.0-or-later
"""Check how many days the voyage log holds, and how long the card lasts under it."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.figure import Figure, judge
from provision.checks.finding import Finding
from provision.checks.links.passing import sources_of, taken_rates
from provision.checks.storage import history
from provision.onboard.feed.config.types import LOG_INTERVAL_S
from provision.onboard.feed.voyage_log.files import MAX_MEMBER_BYTES
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile

_DAY_S, _YEAR_DAYS = 86400, 365

#: Compressed bytes of a sentence: 18 MB a day at twenty sentences a second (measured with simulated
#: instruments, see README).
BYTES_A_SENTENCE = 18 * 10**6 / (20 * _DAY_S)

#: Bytes that a card may have to write for the smallest write: an allocation unit of an SDHC card
#: (SD Association, from memory).
ERASE_BLOCK_BYTES = 4 * 2**20

#: Blocks of a write: one of the file, and one of the file system's journal (ext4, from memory).
BLOCKS_A_WRITE = 2

#: Years that a card should last: a choice of ours.
MIN_CARD_YEARS = 10

_MEASURED = "18 MB a day at 20 sentences a second, measured with simulated instruments"
_AT_WORST = "two erase blocks of 4 MiB for each write, SD Association and ext4, from memory"


def sentence_rate(profile: Profile) -> float:
    """Return the sentences a second that the log hears, as far as the profile names them."""
    return sum(sum(taken_rates(source).values()) for source in sources_of(profile).values())


def bytes_a_day(profile: Profile) -> float:
    """Return the compressed bytes that the log gathers in a day."""
    return sentence_rate(profile) * _DAY_S * BYTES_A_SENTENCE


def writes_a_day(profile: Profile) -> float:
    """Return the writes in a day: one in each interval, or more when much is heard."""
    return max(_DAY_S / LOG_INTERVAL_S, bytes_a_day(profile) / MAX_MEMBER_BYTES)


def worst_bytes_a_year(profile: Profile) -> float:
    """Return the bytes that the card itself writes in a year for log and history, at worst."""
    writes = writes_a_day(profile) + history.WRITES_A_DAY
    blocks = writes * BLOCKS_A_WRITE * ERASE_BLOCK_BYTES
    return (bytes_a_day(profile) + blocks) * _YEAR_DAYS + history.bytes_a_year(profile)


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of a log that holds fewer days than it should keep, and of a card that wears out."""
    profile, log = boat.profile, boat.profile.log
    if log is None or not sentence_rate(profile):
        return
    days, keep = log.cap / bytes_a_day(profile), log.keep / _DAY_S
    if days < keep:
        yield Finding(
            "warning",
            "log-days",
            f"a voyage log of {log.cap / 10**9:g} GB holds {int(days)} days of the "
            f"{sentence_rate(profile):.0f} sentences a second that the boat hears, and it is to "
            f"keep {keep:.0f} days",
            boat.location("log.cap"),
            _help_days(profile),
        )
    endurance = profile.card.endurance
    if endurance is not None and endurance < MIN_CARD_YEARS * worst_bytes_a_year(profile):
        yield Finding(
            "warning",
            "card-endurance",
            "the voyage log and the history may wear the card out in "
            f"{endurance / worst_bytes_a_year(profile):.1f} years: the card is rated for "
            f"{endurance / 10**12:g} TB in all, and at worst writes "
            f"{worst_bytes_a_year(profile) / 10**12:.2g} TB a year",
            boat.location("card.endurance"),
            _help_endurance(profile),
        )


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate the days that the log holds, what it writes, and the years of the card."""
    profile, log = boat.profile, boat.profile.log
    if log is None or not sentence_rate(profile):
        return
    days, keep = log.cap / bytes_a_day(profile), log.keep / _DAY_S
    yield Figure(
        "log-days",
        "days that the voyage log holds",
        days,
        "days",
        _MEASURED,
        limit=keep,
        bound="least",
        verdict=judge(days, keep, "least", "warning"),
        help=_help_days(profile),
        key="log.cap",
    )
    yield Figure(
        "card-endurance",
        "what the voyage log writes in a year",
        bytes_a_day(profile) * _YEAR_DAYS / 10**9,
        "GB",
        _MEASURED,
        key="log",
    )
    worst, endurance = worst_bytes_a_year(profile), profile.card.endurance
    yield Figure(
        "card-endurance",
        "what the card itself writes for log and history in a year, at worst",
        worst / 10**9,
        "GB",
        _AT_WORST,
        key="log",
    )
    years = None if endurance is None else endurance / worst
    yield Figure(
        "card-endurance",
        "years until that has worn the card out",
        years,
        "years",
        "the card's rated endurance; the years that it should last are a choice of ours",
        limit=MIN_CARD_YEARS,
        bound="least",
        verdict="unknown" if years is None else judge(years, MIN_CARD_YEARS, "least", "warning"),
        help="write card.endurance, such as 40 TB: the card's data sheet has it (TBW)"
        if years is None
        else _help_endurance(profile),
        key="card.endurance",
    )


def _help_days(profile: Profile) -> str:
    assert profile.log is not None
    room = profile.log.keep / _DAY_S * bytes_a_day(profile) / 10**9
    days = int(profile.log.cap / bytes_a_day(profile))
    fewer = f", or log.keep: {days} days" if days else ""
    return f"write log.cap: {room + 0.05:.1f} GB or more, if the card has room{fewer}"


def _help_endurance(profile: Profile) -> str:
    needed = MIN_CARD_YEARS * worst_bytes_a_year(profile) / 10**12
    return (
        f"take a card that is rated for {needed + 0.05:.1f} TB or more ({MIN_CARD_YEARS} years), "
        "or leave log out; keep a second card ready"
    )
