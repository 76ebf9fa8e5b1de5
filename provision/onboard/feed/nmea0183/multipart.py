# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the parts of multi-part encapsulated sentences together.

    !AIVDM,2,1,3,B,55P5TL01VIaAL@7W...*1D        total, number, message id, channel
    !AIVDM,2,2,3,B,88888888880,2*25

The parts of one message go on as one unit, in their order. No other sentence gets between
them, and no client is sent half of a message. Parts whose message stays incomplete go on by
themselves.
"""

from __future__ import annotations

import re

from provision.onboard.feed.nmea0183.sentence import Sentence

#: Seconds that a part waits for the others: at 4800 baud nine parts of 82 characters take
#: 1.5 s (IEC 61162-1). At 1200 baud three parts come in that time: more go on one by one.
PART_TIMEOUT_S = 2.0

#: Messages that wait at once. More of them are only noise.
MAX_OPEN_MESSAGES = 16

#: Address, total and number, message id and channel of an encapsulated sentence (IEC 61162-1).
_PART = re.compile(rb"!([A-Z0-9]+),(\d{1,2}),(\d{1,2}),(\d*,[^,*]*),")


class PartJoiner:
    """Joins the parts of one origin."""

    def __init__(self) -> None:
        self._waiting: dict[tuple[str, bytes, bytes, int], list[Sentence]] = {}

    def __bool__(self) -> bool:
        """Report whether any part waits."""
        return bool(self._waiting)

    def take(self, sentence: Sentence) -> list[Sentence]:
        """Return the sentences that can go on now. Empty while this sentence waits."""
        match = _PART.match(sentence.raw)
        total, number = (int(match[2]), int(match[3])) if match else (1, 1)
        if match is None or not 1 <= number <= total > 1:
            return [sentence]
        # Several senders may use one input, and number their messages alike.
        key = sentence.sender, match[1], match[4], total
        waiting = self._waiting.setdefault(key, [])
        if number != len(waiting) + 1:
            # A part was lost, or another message with the same id has begun.
            del self._waiting[key]
            if number != 1:
                return [*waiting, sentence]
            self._waiting[key] = [sentence]
            return waiting
        waiting.append(sentence)
        if number < total:
            if len(self._waiting) <= MAX_OPEN_MESSAGES:
                return []
            return self._waiting.pop(next(iter(self._waiting)))
        del self._waiting[key]
        return [sentence._replace(raw=b"".join(part.raw for part in waiting))]

    def overdue(self, now: float) -> list[Sentence]:
        """Return the parts that have waited too long."""
        late = [
            key for key, parts in self._waiting.items() if now - parts[0].heard >= PART_TIMEOUT_S
        ]
        return [part for key in late for part in self._waiting.pop(key)]
