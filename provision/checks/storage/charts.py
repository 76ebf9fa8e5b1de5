# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that charts fit on the card beside system, voyage log and reserve."""

from __future__ import annotations

from collections.abc import Iterator

from provision.card.layout.partitions import Layout
from provision.checks.figure import Figure, judge
from provision.checks.finding import Finding
from provision.checks.storage.card import max_log_bytes
from provision.onboard.watch.memory.files import CAP_BYTES
from provision.profile.load import Boat
from provision.profile.schema.boat import Profile

_HELP = "write a smaller charts.cap or log.cap, or take a larger card and write its size under card"


def max_charts_bytes(profile: Profile) -> int:
    """Return the bytes that charts can have: the card's files without reserve, log and history.

    The boat keeps to the same sum (provision/render/charts.py, `reserve_bytes`).
    """
    left = max_log_bytes(profile.card.size)
    return max(0, left - (profile.log.cap + CAP_BYTES if profile.log else 0))


def check(boat: Boat) -> Iterator[Finding]:
    """Find charts that may take more than the card has for them."""
    profile, charts = boat.profile, boat.profile.charts
    if charts is None or profile.card.size < Layout("gpt", "any").size:
        return
    if charts.cap > (left := max_charts_bytes(profile)):
        log = f" and a voyage log of {profile.log.cap / 10**9:g} GB" if profile.log else ""
        yield Finding(
            "error",
            "charts-cap",
            f"charts of {charts.cap / 10**9:g} GB{log} do not fit on a card of "
            f"{profile.card.size / 10**9:g} GB, which has {left / 10**9:.1f} GB left for charts",
            boat.location("charts.cap"),
            _HELP,
        )


def figures(boat: Boat) -> Iterator[Figure]:
    """Calculate the charts' share of the card."""
    profile, charts = boat.profile, boat.profile.charts
    if charts is None or profile.card.size < Layout("gpt", "any").size:
        return
    left = max_charts_bytes(profile)
    yield Figure(
        "charts-cap",
        "charts at their most",
        charts.cap / 10**9,
        "GB",
        "what the card has beside system, reserve, log and history",
        limit=left / 10**9,
        verdict=judge(charts.cap, left),
        help=_HELP,
        key="charts.cap",
    )
