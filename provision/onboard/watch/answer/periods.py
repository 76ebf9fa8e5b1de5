# SPDX-License-Identifier: GPL-3.0-or-later
"""Sort what is remembered into bins of equal time, as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any, NamedTuple

from provision.onboard.watch.facts.sample import LEAST, MOST, STATES, SUMS
from provision.onboard.watch.memory.history import DAY_S, MONTH_S, History
from provision.onboard.watch.memory.hour import HOUR_S, MINUTE_S, Hour
from provision.onboard.watch.memory.summary import Summary, total

_STATE_NAMES = dict(zip(STATES, ("heard", "garbled", "silent", "absent"), strict=True))


class Period(NamedTuple):
    """Names a stretch of time up to now, and the bins that it is sorted into, in seconds."""

    name: str
    length: int
    bin: int

    @property
    def bins(self) -> int:
        """Return how many bins there are."""
        return self.length // self.bin


#: A bin of the day is ten minutes, one of the thirty days six hours.
PERIODS = (Period("day", DAY_S, 600), Period("month", MONTH_S, 6 * HOUR_S))


class Starts(NamedTuple):
    """Counts by bin the starts of the computer, and those of them after a power cut."""

    all: list[int]
    after_cuts: list[int]
    known: bool
    """Whether it is known of any of them if the power had been cut."""


def sort_into_bins(history: History, period: Period, now: float) -> list[Summary]:
    """Return the summary of each bin, the oldest first. `now` is in seconds since the start."""
    bins = [Summary() for _ in range(period.bins)]
    offsets = history.offsets()
    end = offsets[history.present.name] + now
    for past in history.past:
        index = _index(period, end - offsets[past.boot] - past.middle)
        if index is not None:
            bins[index].add(past.summary)
    for hour in history.hours:
        for index, summary in _parts(hour, period, end - offsets[hour.boot]):
            bins[index].add(summary)
    return bins


def _index(period: Period, age: float) -> int | None:
    """Return the bin of what is so many seconds old. None when it is older than the period."""
    index = period.bins - 1 - int(max(age, 0) // period.bin)
    return index if index >= 0 else None


def _parts(hour: Hour, period: Period, end: float) -> Iterator[tuple[int, Summary]]:
    """Yield the parts of an hour that fall into one bin each. `end` is now in the start's time."""

    def index(minute: int) -> int | None:
        middle = hour.number * HOUR_S + minute * MINUTE_S + MINUTE_S // 2
        return _index(period, end - middle)

    for found, minutes in groupby(hour.minutes(), index):
        if found is not None:
            together = list(minutes)
            yield found, hour.summary(together[0], together[-1] + 1)


def count_starts(history: History, period: Period, now: float) -> Starts:
    """Count the starts of the computer in each bin."""
    starts, cuts, known = [0] * period.bins, [0] * period.bins, False
    offsets = history.offsets()
    end = offsets[history.present.name] + now
    for boot in history.boots.values():
        index = _index(period, end - offsets[boot.name])
        if index is not None:
            starts[index] += 1
            cuts[index] += boot.lost_power is True
            known = known or boot.lost_power is not None
    return Starts(starts, cuts, known)


def describe_period(history: History, period: Period, now: float) -> dict[str, Any]:
    """Return plain data of a period."""
    bins = sort_into_bins(history, period, now)
    starts = count_starts(history, period, now)
    whole = total(bins)
    return {
        "bin": period.bin,
        "minutes": [one.minutes for one in bins],
        "starts": starts.all,
        "power_cuts": starts.after_cuts if starts.known else None,
        "figures": {
            **{name: [one.least.get(name) for one in bins] for name in LEAST if name not in MOST},
            **{name: [one.most.get(name) for one in bins] for name in MOST if name in whole.most},
            **{name: [one.sums.get(name) for one in bins] for name in SUMS if name in whole.sums},
        },
        "links": {
            name: [sum(one.links[name][1:]) if name in one.links else None for one in bins]
            for name in whole.links
        },
        "whole": _describe_whole(whole, starts),
    }


def _describe_whole(whole: Summary, starts: Starts) -> dict[str, Any]:
    return {
        "minutes": whole.minutes,
        "starts": sum(starts.all),
        "power_cuts": sum(starts.after_cuts) if starts.known else None,
        "least": whole.least,
        "most": whole.most,
        "sums": whole.sums,
        "links": {
            name: dict(zip(_STATE_NAMES.values(), counts, strict=True))
            for name, counts in whole.links.items()
        },
    }
