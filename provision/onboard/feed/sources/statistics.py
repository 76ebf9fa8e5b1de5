# SPDX-License-Identifier: GPL-3.0-or-later
"""Count what a link or input has heard: bytes, sentences, rates, and the last minute's seconds."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from provision.onboard.feed.nmea0183.sentence import Sentence

#: Seconds that rates look back at most, and seconds between the marks for that.
RATE_WINDOW_S, RATE_STEP_S = 20.0, 2.0

#: Seconds. Bytes that come in the first seconds were stored in the adapter while no process
#: read it: they count, but are no rate.
STORED_S = 1.0

#: Formatters counted separately. A flood of made-up formatters must not fill memory.
MAX_FORMATTERS = 200


#: Seconds that are counted each by itself.
MINUTE_S = 60


class _Mark(NamedTuple):
    """Records what had been heard until a moment, in monotonic seconds."""

    at: float
    bytes: int
    by_formatter: dict[str, int]


class Statistics:
    """Holds counters since the start, and rates over up to 20 seconds."""

    def __init__(self, now: float) -> None:
        self.bytes = 0
        self.sentences = 0
        self.last_heard: float | None = None
        self._by_formatter: dict[str, int] = {}
        self._marks: deque[_Mark] = deque()
        self._minute = [0] * MINUTE_S
        self._second = int(now)
        self.opened(now)

    def opened(self, now: float) -> None:
        """Note that the source has been opened or opened again: rates are taken from here on."""
        self._marks.clear()
        self._due = now + STORED_S

    def heard(self, size: int, sentences: Sequence[Sentence], now: float) -> None:
        """Note that `size` bytes were read at `now`, and completed these sentences."""
        if now >= self._due:
            self._mark(now)
        second = int(now)
        if second != self._second:
            self._advance(second)
        self._minute[second % MINUTE_S] += len(sentences)
        self.bytes += size
        by_formatter = self._by_formatter
        for sentence in sentences:
            self.sentences += 1
            self.last_heard = now
            formatter = sentence.formatter
            if formatter in by_formatter:
                by_formatter[formatter] += 1
            elif len(by_formatter) < MAX_FORMATTERS:
                by_formatter[formatter] = 1

    def _mark(self, now: float) -> None:
        marks = self._marks
        while marks and now - marks[0].at > RATE_WINDOW_S:
            marks.popleft()
        marks.append(_Mark(now, self.bytes, dict(self._by_formatter)))
        self._due = now + RATE_STEP_S

    def _advance(self, second: int) -> None:
        """Start to count `second`, and forget the seconds of a minute before."""
        for gone in range(min(second - self._second, MINUTE_S)):
            self._minute[(second - gone) % MINUTE_S] = 0
        self._second = second

    def minute(self, now: float) -> list[int]:
        """Return the sentences of each of the last 60 seconds. The present second is the last."""
        second = int(now)
        if second != self._second:
            self._advance(second)
        oldest = (second + 1) % MINUTE_S
        return self._minute[oldest:] + self._minute[:oldest]

    def _since(self, now: float) -> _Mark:
        """Return the mark that rates start from. Too soon for rates, it is the present counts."""
        if now >= self._due:
            self._mark(now)
        return self._marks[0] if self._marks else _Mark(now, self.bytes, self._by_formatter)

    def over(self, now: float) -> float:
        """Return the seconds that the rates are taken over."""
        return now - self._since(now).at

    def rates(self, now: float) -> dict[str, float]:
        """Return sentences a second, by formatter."""
        since = self._since(now)
        span = max(now - since.at, 1.0)
        return {
            formatter: round((count - since.by_formatter.get(formatter, 0)) / span, 2)
            for formatter, count in sorted(self._by_formatter.items())
        }

    def bytes_per_second(self, now: float) -> float:
        """Return all bytes a second, sentences or not."""
        since = self._since(now)
        return (self.bytes - since.bytes) / max(now - since.at, 1.0)
