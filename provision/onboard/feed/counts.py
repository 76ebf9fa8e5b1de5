# SPDX-License-Identifier: GPL-3.0-or-later
"""What a link or input has heard: bytes, sentences, and rates over the last seconds."""

from __future__ import annotations

from collections.abc import Iterable

from provision.onboard.feed.sentence import Sentence

#: Rates are taken over one to two of these, in seconds.
WINDOW = 10.0

#: Formatters counted apart; a flood of made-up ones must not eat memory.
FORMATTERS = 200


class Counts:
    """Counters since the start, and rates over the last 10 to 20 seconds."""

    def __init__(self, now: float) -> None:
        self.bytes = 0
        self.sentences = 0
        self.last_heard: float | None = None
        self._by_formatter: dict[str, int] = {}
        self._before: tuple[float, int, dict[str, int]] = (now, 0, {})
        self._last = self._before

    def heard(self, size: int, sentences: Iterable[Sentence], now: float) -> None:
        """`size` bytes were read at `now`, and completed these sentences."""
        self.bytes += size
        if now - self._last[0] >= WINDOW:
            self._turn(now, size)
        by_formatter = self._by_formatter
        for sentence in sentences:
            self.sentences += 1
            self.last_heard = now
            formatter = sentence.formatter
            if formatter in by_formatter:
                by_formatter[formatter] += 1
            elif len(by_formatter) < FORMATTERS:
                by_formatter[formatter] = 1

    def _turn(self, now: float, size: int = 0) -> None:
        # After a long silence the older mark must not reach back across it.
        mark = (now, self.bytes - size, dict(self._by_formatter))
        self._before = self._last if now - self._last[0] < 2 * WINDOW else mark
        self._last = mark

    def rates(self, now: float) -> dict[str, float]:
        """Sentences a second, by formatter."""
        if now - self._last[0] >= WINDOW:
            self._turn(now)
        since, _, counted = self._before
        span = max(now - since, 1.0)
        return {
            formatter: round((count - counted.get(formatter, 0)) / span, 2)
            for formatter, count in sorted(self._by_formatter.items())
        }

    def bytes_per_second(self, now: float) -> float:
        if now - self._last[0] >= WINDOW:
            self._turn(now)
        since, counted, _ = self._before
        return (self.bytes - counted) / max(now - since, 1.0)
