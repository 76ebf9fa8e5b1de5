# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell from what a boat's feed reports how each link and input is, for the state of a fleet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from provision.verify.heard import LinkState, states_before

#: Links and inputs of one boat that are taken in. A profile has no more.
MAX_LINKS = 200


@dataclass(frozen=True)
class LinkStatus:
    """Hold how a link or input is, and for how many seconds it has been silent, if it was heard."""

    state: LinkState
    silent_for: float | None = None

    def describe(self) -> str:
        """Write the state in words that follow the link's name."""
        if self.state == "heard" or self.silent_for is None:
            return self.state if self.state != "silent" else "silent since its feed started"
        return f"{self.state} for {duration(self.silent_for)}"


def duration(seconds: float) -> str:
    """Write a time as a whole number of its largest unit."""
    for unit, size in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


def link_statuses(feed: object) -> dict[str, LinkStatus] | None:
    """Tell how each link and input is. `feed` is what `boat-feed --state` printed, parsed.

    None when the feed did not answer, or in a shape that this program does not read.
    """
    if not isinstance(feed, dict):
        return None
    try:
        states = states_before(feed)
        if len(states) > MAX_LINKS:
            return None
        sources: Mapping[str, Mapping[str, object]] = {**feed["links"], **feed["inputs"]}
        return {
            name: LinkStatus(state, _seconds(sources[name].get("last_heard")))
            for name, state in sorted(states.items())
        }
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError):
        return None


def _seconds(value: object) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e10:
        raise ValueError(value)
    return float(value)
