# SPDX-License-Identifier: GPL-3.0-or-later
"""Provide what every link and input needs: framers, counters, a filter, and delivery."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from provision.onboard.feed.config.models import SourceOptions
from provision.onboard.feed.nmea0183.filters import Filter
from provision.onboard.feed.nmea0183.framer import Errors, Framer
from provision.onboard.feed.nmea0183.multipart import PART_TIMEOUT_S, PartJoiner
from provision.onboard.feed.nmea0183.opening import Opening
from provision.onboard.feed.nmea0183.sentence import Sentence, steers
from provision.onboard.feed.policy.stalls import Arrivals, Stalls
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.sources.last_sentences import LastSentences
from provision.onboard.feed.sources.statistics import STORED_S, Statistics

Deliver = Callable[[list[Sentence]], None]

_ERROR_MESSAGES = {
    "checksum": "sentences with a wrong checksum are dropped",
    "noise": "bytes that belong to no sentence are dropped",
    "length": "sentences longer than allowed are dropped",
    "baud": "what arrives looks like another baud rate",
    "tag": "TAG blocks with a wrong checksum are dropped",
}


class Ingest:
    """Counts and filters the sentences of one origin, logs its faults once, and passes them on."""

    def __init__(
        self, source: SourceOptions, deliver: Deliver, stalls: Stalls, fault_log: FaultLog
    ) -> None:
        self.name = source.name
        self._stalls = stalls
        self.errors = Errors()
        self.heard_at: float | None = None
        """When any byte was heard last, in monotonic seconds."""
        self._source = source
        self._deliver = deliver
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._counts = Statistics(self._loop.time())
        self._last = LastSentences()
        self._logged = self.errors.as_json()
        self._parts = PartJoiner()
        self._timer: asyncio.TimerHandle | None = None
        self._all = source.filter == Filter()
        self._stored_until = 0.0

    def opened(self) -> None:
        """Note that the source has been opened, or opened again."""
        now = self._loop.time()
        self._counts.opened(now)
        self._stored_until = now + STORED_S

    def framer(self, *, sender: str = "", from_start: bool = False) -> Framer:
        """Return a framer for one stream of bytes from this source."""
        framer = Framer(
            self.name,
            unchecked=self._source.unchecked,
            long=self._source.long,
            sender=sender,
            from_start=from_start,
        )
        framer.errors = self.errors
        return framer

    def arrivals(self, since: float | None = None) -> Arrivals:
        """Return a watch over how long one stream's bytes have waited, the first since `since`."""
        return Arrivals(self._stalls, since)

    def opening(self) -> Opening:
        """Return a check of how a connection to this source begins."""
        return Opening(unchecked=self._source.unchecked, long=self._source.long)

    def take(self, framer: Framer, data: bytes, since: float) -> int:
        """Take bytes that came after `since`. Return how many sentences they completed."""
        now = self.heard_at = self._loop.time()
        errors = self.errors.total()
        sentences = framer.feed(data, now, since)
        if self.errors.total() != errors:
            self._log_errors()
        self.took(len(data), sentences)
        return len(sentences)

    def take_datagram(self, framer: Framer, data: bytes, since: float) -> None:
        """Take a datagram, or drop the whole of it if it holds anything but sentences.

        A browser, or another program that does not speak NMEA 0183, can be made to send a sentence
        inside of something else.
        """
        now = self.heard_at = self._loop.time()
        errors = self.errors.total()
        # A sentence does not go on in the next datagram, which may be another sender's.
        sentences = framer.feed(data + b"\r\n", now, since)
        if self.errors.total() != errors:
            self._log_errors()
            message = f"{framer.sender} sent a datagram that is not all sentences; it is dropped"
            self._fault_log.warn(self.name, "datagram", message)
            sentences = []
        self.took(len(data), sentences)

    def took(self, size: int, sentences: list[Sentence]) -> None:
        """Count `size` bytes and deliver the sentences in them."""
        self._counts.heard(size, sentences, self._loop.time())
        if not self._all:
            passes = self._source.filter.passes
            sentences = [s for s in sentences if passes(s.origin, s.talker, s.formatter)]
        if self._loop.time() < self._stored_until:
            sentences = [s._replace(stored=self._may_be_old(s)) for s in sentences]
        self._last.keep(sentences)
        if self._parts or any(s.raw[:1] == b"!" for s in sentences):
            sentences = [ready for s in sentences for ready in self._parts.take(s)]
            if self._parts and self._timer is None:
                self._timer = self._loop.call_later(PART_TIMEOUT_S, self._overdue)
        if sentences:
            self._deliver(sentences)

    def _may_be_old(self, sentence: Sentence) -> bool:
        """Report a steering sentence that may have waited in the adapter or server for hours."""
        if not steers(sentence.talker, sentence.formatter):
            return False
        why = "the port has just been opened or connected, it may be old"
        message = f"{sentence.formatter} only logged: {why}"
        self._fault_log.warn(self.name, "stored", message)
        return True

    def _overdue(self) -> None:
        self._timer = None
        late = self._parts.overdue(self._loop.time())
        if self._parts:
            self._timer = self._loop.call_later(PART_TIMEOUT_S / 4, self._overdue)
        if late:
            self._deliver(late)

    def _log_errors(self) -> None:
        counted = self.errors.as_json()
        for kind, count in counted.items():
            if count > self._logged[kind]:
                self._fault_log.warn(self.name, kind, _ERROR_MESSAGES[kind])
        self._logged = counted

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    @property
    def bytes(self) -> int:
        """Return the bytes that have come since the start."""
        return self._counts.bytes

    def bytes_per_second(self) -> float:
        return self._counts.bytes_per_second(self._loop.time())

    def as_json(self) -> dict[str, Any]:
        """Return counters, rates and the last sentences that passed the filter, for the state."""
        now = self._loop.time()
        heard = self._counts.last_heard
        return {
            "bytes": self._counts.bytes,
            "sentences": self._counts.sentences,
            "errors": self.errors.as_json(),
            "rates": self._counts.rates(now),
            "rates_over": round(self._counts.over(now), 1),
            "last_heard": None if heard is None else round(now - heard, 2),
            "minute": self._counts.minute(now),
            "last": self._last.as_json(now),
        }
