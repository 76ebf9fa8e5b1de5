# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the boat's clock is set by a source that has the date."""

from __future__ import annotations

from collections.abc import Iterator

from provision import boards
from provision.checks.figure import Figure
from provision.checks.finding import Finding
from provision.checks.links.passing import Source, sources_of, taken_rates
from provision.profile.load import Boat
from provision.profile.schema.feed import DATED_FORMATTERS

_HELP = (
    f"connect a receiver that sends {' or '.join(DATED_FORMATTERS)} by a serial link and name that "
    "in its talks, or use a board with a clock chip"
)


def dated_sources(boat: Boat) -> list[str]:
    """Return the serial links that set the clock: those that bring RMC or ZDA (IEC 61162-1)."""
    links, clock = boat.profile.serial_links, boat.profile.clock
    return [name for name in (clock.sources if clock else links) if _has_date(links[name])]


def check(boat: Boat) -> Iterator[Finding]:
    """Warn of a board that never knows the date, and of a clock source that brings none."""
    profile = boat.profile
    for number, name in enumerate(profile.clock.sources if profile.clock else ()):
        if not _has_date(profile.serial_links[name]):
            yield Finding(
                "warning",
                f"clock-source.{name}",
                f"{name} is to set the clock, and its takes lets neither RMC nor ZDA pass",
                boat.location(f"clock.from[{number}]"),
                f"let RMC or ZDA pass in links.{name}.takes, or take {name} out of clock.from",
            )
    if dated_sources(boat) or boards.board(profile.board).clock_chip:
        return
    other = [name for name, source in sources_of(profile).items() if _has_date(source)]
    not_set = (
        f"; the date of {', '.join(other)} sets no clock, as only serial links do" if other else ""
    )
    ashore = " until it reaches the internet" if profile.network.wired == "shore" else ""
    yield Finding(
        "warning",
        "no-date",
        f"{profile.board} has no clock chip, and no serial link brings it the date: each start has "
        f"a wrong date{ashore}, so the files of a voyage log are named by wrong days, and "
        f"certificates may seem not valid yet{not_set}",
        boat.location("clock" if profile.clock else "links"),
        _HELP,
    )


def figures(boat: Boat) -> Iterator[Figure]:
    """Count the sources of the date. With one alone, a wrong date is not noticed."""
    sources = dated_sources(boat)
    chip = boards.board(boat.profile.board).clock_chip
    yield Figure(
        "no-date",
        f"sources of the date ({', '.join(sources) or 'none'})",
        len(sources),
        "serial links",
        "RMC and ZDA, IEC 61162-1",
        limit=0 if chip else 1,
        bound="least",
        verdict="fine" if sources or chip else "warning",
        help=_HELP,
        key="clock" if boat.profile.clock else "links",
    )


def _has_date(source: Source) -> bool:
    return not taken_rates(source).keys().isdisjoint(DATED_FORMATTERS)
