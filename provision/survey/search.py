# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide the baud rate of a talker from the bytes that a port receives.

The search says at which baud rate the port has to listen next. It has no clock and no port: the
caller tells it the time, in seconds of any clock, and what came.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.survey.evidence import PAUSE_S, SYNC, Evidence
from provision.survey.shape import BAUD_RATES, bit_length, rank, text_share, upright

#: Seconds that a port is listened to at most.
LIMIT_S = 30.0
#: Seconds without a byte after which a port is silent.
SILENT_S = 12.0
#: So few bytes in all are no talker: a plug or a switch makes them.
MIN_TALK_BYTES = 16

#: Seconds after a change of the baud rate in which bytes of before may still come.
SETTLE_S = 0.1
#: Seconds at a baud rate for a talker that says a sentence every two seconds, and at most for one
#: that says less.
DWELL_S, MAX_DWELL_S = 2.3, 7.0
#: Seconds at a baud rate at which something like text comes, and text.
TEXT_DWELL_S, SURE_DWELL_S = 6.5, 20.0

#: The last bytes that are looked at. From so many bytes on, they tell what is text, and from fewer
#: if a pause follows them.
RECENT_BYTES, JUDGED_BYTES, PAUSED_BYTES = 128, 128, 8
#: The share of text below which a baud rate is wrong. Of a talker's bytes at another rate, less
#: than half are text.
MIN_TEXT_SHARE = 0.6
#: The share of text, in so many bytes at least, that no other baud rate gives.
SURE_TEXT_SHARE, SURE_BYTES = 0.9, 24

#: Seconds in which the rates of sentences are measured, and more for sentences that came less
#: often than `MEASURED_TIMES`.
MEASURE_S, LONG_MEASURE_S, MEASURED_TIMES = 5.0, 9.0, 3


@dataclass
class _Dwell:
    """Hold one time of listening at one baud rate."""

    baud: int
    since: float
    heard: int = 0
    recent: bytes = b""
    last: float = 0.0
    sample: bytes = b""
    """The first bytes, of which the shape is read."""

    def hear(self, data: bytes, now: float) -> None:
        self.heard += len(data)
        self.recent = (self.recent + data)[-RECENT_BYTES:]
        self.last = now
        if len(self.sample) < 2 * RECENT_BYTES:
            self.sample += data

    @property
    def text(self) -> float:
        """The share of text in the last bytes, of either polarity."""
        return max(text_share(self.recent), text_share(upright(self.recent)))

    def over(self, now: float, supported: bool, gap: float) -> bool:
        """Report whether another baud rate is to be tried.

        `supported` says that a sentence came. `gap` is the longest time without a byte so far.
        """
        stayed, paused = now - self.since, now - self.last >= PAUSE_S
        patience = max(DWELL_S, min(MAX_DWELL_S, 1.1 * gap))
        if supported:
            return False
        if len(self.recent) < (PAUSED_BYTES if paused else JUDGED_BYTES) and stayed < patience:
            return False
        if len(self.recent) < PAUSED_BYTES:
            return True
        if self.text >= SURE_TEXT_SHARE and len(self.recent) >= SURE_BYTES:
            return stayed >= SURE_DWELL_S
        near = self.text >= MIN_TEXT_SHARE or SYNC in self.recent
        return not near or stayed >= TEXT_DWELL_S


@dataclass
class Search:
    """Search the baud rate of one port from `started` on."""

    started: float
    limit: float = LIMIT_S
    evidence: dict[int, Evidence] = field(default_factory=dict)
    """What came, by baud rate."""
    found: int | None = None
    """The baud rate, once it is certain."""
    found_at: float | None = None
    done: bool = False

    def __post_init__(self) -> None:
        self.ended = self._last = self.started
        self._longest = 0.0
        self._left: tuple[int, ...] = BAUD_RATES[1:]
        self._dwell = self._listen(BAUD_RATES[0], self.started)

    @property
    def baud(self) -> int:
        """The baud rate at which the port has to listen now."""
        return self._dwell.baud

    @property
    def since(self) -> float:
        """When the port began to listen at this baud rate."""
        return self._dwell.since

    @property
    def heard(self) -> int:
        """The bytes that came at any baud rate."""
        return sum(evidence.heard for evidence in self.evidence.values())

    def hear(self, data: bytes, now: float) -> None:
        """Take what came until `now`, which may be nothing. Call this ten times a second."""
        self.ended = now
        if data and now - self._dwell.since < SETTLE_S:
            self.evidence[self.baud].resume(now)
        elif data:
            self._dwell.hear(data, now)
            self.evidence[self.baud].hear(data, now)
        else:
            self.evidence[self.baud].pause(now)
        if data:
            self._longest = max(self._longest, now - self._last)
            self._last = now
        if self.found is not None:
            self.done = self._measured(now)
        elif self.evidence[self.baud].certain and self._alone():
            self.found, self.found_at = self.baud, now
        elif not self.heard:
            self.done = now - self.started >= min(SILENT_S, self.limit)
        elif now - self.started >= self.limit:
            self.done = True
        elif self._dwell.over(now, self.evidence[self.baud].any, self._longest):
            self._move(now)

    def sentences(self) -> list[Sentence]:
        """Return the sentences at the baud rate that was found, in the order of their coming."""
        if self.found is None:
            return []
        evidence = self.evidence[self.found]
        return evidence.inverted if evidence.is_inverted else evidence.sentences

    def supported(self) -> list[int]:
        """Return the baud rates that something speaks for, ascending."""
        return sorted(baud for baud, evidence in self.evidence.items() if evidence.any)

    def _alone(self) -> bool:
        return self.supported() == [self.baud]

    def _measured(self, now: float) -> bool:
        """Report whether every sentence came often enough to tell its rate."""
        stayed = now - self.since
        if stayed < MEASURE_S:
            return now - self.started >= self.limit
        counts: dict[str, int] = {}
        for sentence in self.sentences():
            counts[address(sentence)] = counts.get(address(sentence), 0) + 1
        enough = all(count >= MEASURED_TIMES for count in counts.values())
        return enough or stayed >= LONG_MEASURE_S or now - self.started >= self.limit

    def _move(self, now: float) -> None:
        """Listen at the likeliest baud rate that was not tried, or begin again with all."""
        baud, bits = self.baud, bit_length(self._dwell.sample)
        left = self._left or tuple(rate for rate in BAUD_RATES if rate != baud)
        ranked = rank(left, baud, bits)
        if not self._left:
            # What was near to text once goes first.
            ranked.sort(key=lambda rate: not self.evidence[rate].any)
        self._left = tuple(rate for rate in left if rate != ranked[0])
        self._dwell = self._listen(ranked[0], now)

    def _listen(self, baud: int, now: float) -> _Dwell:
        self.evidence.setdefault(baud, Evidence()).resume(now)
        return _Dwell(baud, now, last=now)


def address(sentence: Sentence) -> str:
    """Return the address field of a sentence, such as GPRMC or PXYZ1."""
    if sentence.talker == "P":
        return sentence.formatter
    return sentence.talker + sentence.formatter
