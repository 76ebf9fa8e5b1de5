# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the samples of one hour of one start, by the minute."""

from __future__ import annotations

from collections.abc import Mapping

from provision.onboard.watch.facts.sample import FIGURES, NO_SAMPLE, SUMS, Sample
from provision.onboard.watch.memory.summary import Summary, sum_up

MINUTES, MINUTE_S, HOUR_S = 60, 60, 3600

_EMPTY = NO_SAMPLE.encode() * MINUTES
_THERE = ord("1")


class Hour:
    """Holds 60 places for samples. `number` counts the hours since the computer started."""

    def __init__(self, boot: str, number: int) -> None:
        self.boot = boot
        self.number = number
        self.there = bytearray(_EMPTY)
        self.figures: dict[str, list[int | None]] = {}
        self.links: dict[str, bytearray] = {}

    def put(self, minute: int, sample: Sample) -> None:
        """Put a sample into its minute. A second one of the same minute adds to the sums."""
        self.there[minute] = _THERE
        for name in FIGURES:
            value = sample.figures.get(name)
            if value is not None:
                column = self.figures.setdefault(name, [None] * MINUTES)
                before = column[minute] if name in SUMS else None
                column[minute] = value + (before or 0)
        for name, letter in sample.links.items():
            self.links.setdefault(name, bytearray(_EMPTY))[minute] = ord(letter)

    def put_columns(
        self, start: int, figures: Mapping[str, list[int | None]], links: Mapping[str, bytes]
    ) -> None:
        """Put columns that begin at the minute `start`, such as a file has them."""
        for name, values in figures.items():
            column = self.figures.setdefault(name, [None] * MINUTES)
            column[start : start + len(values)] = values
        for name, letters in links.items():
            kept = self.links.setdefault(name, bytearray(_EMPTY))
            kept[start : start + len(letters)] = letters

    def minutes(self) -> list[int]:
        """Return the minutes that have a sample."""
        return [minute for minute in range(MINUTES) if self.there[minute] == _THERE]

    def last(self) -> int:
        """Return the seconds since the computer started of the end of the last sample."""
        return self.number * HOUR_S + (self.there.rfind(b"1") + 1) * MINUTE_S

    def summary(self, start: int = 0, end: int = MINUTES) -> Summary:
        """Sum up the minutes from `start` to before `end`."""
        return sum_up(
            self.there.count(b"1", start, end),
            {name: column[start:end] for name, column in self.figures.items()},
            {name: bytes(letters[start:end]) for name, letters in self.links.items()},
        )
