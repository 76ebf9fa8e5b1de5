# SPDX-License-Identifier: GPL-3.0-or-later
"""Sum up many minutes in a few figures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from provision.onboard.watch.facts.sample import LEAST, MOST, STATES, SUMS


@dataclass
class Summary:
    """Holds what some minutes were like. `links` has the minutes of each state, in their order."""

    minutes: int = 0
    least: dict[str, int] = field(default_factory=dict)
    most: dict[str, int] = field(default_factory=dict)
    sums: dict[str, int] = field(default_factory=dict)
    links: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def add(self, other: Summary) -> None:
        """Add the minutes of another summary."""
        self.minutes += other.minutes
        for name, value in other.least.items():
            self.least[name] = min(self.least.get(name, value), value)
        for name, value in other.most.items():
            self.most[name] = max(self.most.get(name, value), value)
        for name, value in other.sums.items():
            self.sums[name] = self.sums.get(name, 0) + value
        for name, counts in other.links.items():
            before = self.links.get(name, (0,) * len(STATES))
            self.links[name] = tuple(map(sum, zip(before, counts, strict=True)))


def total(parts: Iterable[Summary]) -> Summary:
    """Return the sum of all parts."""
    whole = Summary()
    for part in parts:
        whole.add(part)
    return whole


def sum_up(minutes: int, figures: dict[str, list[int | None]], links: dict[str, bytes]) -> Summary:
    """Return the summary of some minutes, with their figures and the letters of their links."""
    known = {
        name: values
        for name, column in figures.items()
        if (values := [value for value in column if value is not None])
    }
    counted = {
        name: tuple(letters.count(state) for state in STATES.encode())
        for name, letters in links.items()
    }
    return Summary(
        minutes,
        {name: min(known[name]) for name in LEAST if name in known},
        {name: max(known[name]) for name in MOST if name in known},
        {name: sum(known[name]) for name in SUMS if name in known},
        {name: counts for name, counts in counted.items() if any(counts)},
    )
