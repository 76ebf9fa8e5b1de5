# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep a day by the minute and thirty days by the hour, in bounded memory."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from provision.onboard.watch.facts.sample import Sample
from provision.onboard.watch.memory.boots import Boot, place
from provision.onboard.watch.memory.hour import HOUR_S, MINUTE_S, Hour
from provision.onboard.watch.memory.summary import Summary

DAY_S = 24 * HOUR_S
MONTH_S = 30 * DAY_S

#: Hours by the minute, hours in sum, and starts that are kept at most. A boat that starts every
#: few minutes has more hours in a day than 24.
MAX_HOURS, MAX_SUMS, MAX_BOOTS = 100, 1000, 1000


@dataclass(frozen=True)
class Past:
    """Holds the sum of an hour. `middle` is in seconds since the computer started."""

    boot: str
    middle: int
    summary: Summary


class History:
    """Holds all that is remembered. The last of `boots` is the present start."""

    def __init__(self, boot: Boot) -> None:
        self.boots: dict[str, Boot] = {boot.name: boot}
        self.hours: deque[Hour] = deque()
        self.past: deque[Past] = deque(maxlen=MAX_SUMS)
        self._present = boot.name

    @property
    def present(self) -> Boot:
        """Return the present start."""
        return self.boots[self._present]

    def add(self, at: float, sample: Sample) -> Hour:
        """Add a sample of the present start, taken `at` seconds after it. Return its hour."""
        number, second = divmod(int(at), HOUR_S)
        hour = self.hour(self._present, number)
        hour.put(second // MINUTE_S, sample)
        self.present.lasted = hour.last()
        self.shrink(at)
        return hour

    def hour(self, boot: str, number: int) -> Hour:
        """Return an hour, a new one unless it is the last one."""
        last = self.hours[-1] if self.hours else None
        if last is None or (last.boot, last.number) != (boot, number):
            last = Hour(boot, number)
            self.hours.append(last)
        return last

    def recall(self, boot: Boot) -> Boot:
        """Return the start with this name. One that is not known yet comes before the present."""
        if boot.name not in self.boots:
            present = self.boots.pop(self._present)
            self.boots[boot.name] = boot
            self.boots[self._present] = present
            self._forget()
        return self.boots[boot.name]

    def _forget(self) -> None:
        while len(self.boots) > MAX_BOOTS:
            name = next(iter(self.boots))
            del self.boots[name]
            self.hours = deque(hour for hour in self.hours if hour.boot != name)
            kept = (past for past in self.past if past.boot != name)
            self.past = deque(kept, maxlen=MAX_SUMS)

    def shrink(self, now: float) -> None:
        """Keep of hours older than a day, and of too many hours, the sum alone."""
        offsets = self.offsets()
        while self.hours and (
            len(self.hours) > MAX_HOURS or self._age(self.hours[0], offsets, now) > DAY_S
        ):
            hour = self.hours.popleft()
            minutes = hour.minutes()
            middle = hour.number * HOUR_S + (minutes[0] + minutes[-1] + 1) * MINUTE_S // 2
            self.past.append(Past(hour.boot, middle, hour.summary()))

    def _age(self, hour: Hour, offsets: dict[str, float], now: float) -> float:
        return now + offsets[self._present] - offsets[hour.boot] - hour.last()

    def offsets(self) -> dict[str, float]:
        """Return the seconds since 1970 of each start."""
        boots = list(self.boots.values())
        return dict(zip(self.boots, place(boots), strict=True))
