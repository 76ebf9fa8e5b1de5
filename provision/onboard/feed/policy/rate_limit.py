# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep each sentence to its rate."""

from __future__ import annotations

from collections.abc import Mapping

#: Part of its interval that a sentence may come early and still keep its rate.
SLACK_INTERVALS = 0.5


class RateLimit:
    """Passes no more sentences a second of each stream than its formatter's rate.

    A stream is what a sentence measures. Most often that is its formatter.

    Sentences that come a little early are not lost: what counts is the rate, not the gap.
    """

    def __init__(self, rates: Mapping[str, float]) -> None:
        self._rates = rates
        self._due: dict[str, float] = {}

    def passes(self, formatter: str, now: float, stream: str | None = None) -> bool:
        """Report whether one more sentence may pass at `now`, in seconds."""
        interval = 1.0 / self._rates[formatter]
        stream = stream or formatter
        due = self._due.get(stream, 0.0)
        if now < due - SLACK_INTERVALS * interval:
            return False
        self._due[stream] = max(due, now - SLACK_INTERVALS * interval) + interval
        return True
