# SPDX-License-Identifier: GPL-3.0-or-later
"""Time from the sky: dated fixes become samples of chrony's SOCK reference clock.

A sample is the difference between what a sentence says and what the system clock said
when the sentence began, which is when it was read less the time it takes on the wire.
Serial time is right to a fraction of a second, no better.
"""

from __future__ import annotations

import asyncio
import json
import re
import socket
import struct
import time
from datetime import UTC, datetime
from typing import Any

from provision.onboard.feed import models
from provision.onboard.feed.sentence import Sentence
from provision.onboard.feed.serialport import character_time
from provision.onboard.feed.teller import Teller, log
from provision.onboard.feed.validity import VALID_QUALITIES, VOID_MODES

#: struct sock_sample of chrony's SOCK reference clock: time of the measurement (seconds,
#: microseconds), offset in seconds, pulse, leap, padding, magic number. From chrony's
#: documentation of the SOCK driver.
SAMPLE = struct.Struct("@lldiiii")
MAGIC = 0x534F434B

#: So many sentences in a row must agree before the first sample is given, and so many
#: before a jump is believed.
AGREE, JUMP = 3, 60

#: Seconds that two sentences may differ against the monotonic clock and still agree.
TOLERANCE = 1.0

#: A fix is good for so many seconds; a link that was good so recently keeps the others out.
FRESH = 10.0

#: No true date lies before it: 2025-08-09, when the boat's Debian was released.
RELEASED = 1754697600

#: Dates more than this after the earliest true one are no dates: 1024 weeks, when a
#: receiver's count of weeks rolls over (IS-GPS-200).
SPAN = 1024 * 7 * 86400

#: What the boat's operating system says of itself.
BASE = "/usr/lib/boat-base/base.json"

_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d+)?")


def _epoch(day: str, month: str, year: str, clock: str) -> float | None:
    match = _TIME.fullmatch(clock)
    if match is None or not (day + month + year).isdecimal():
        return None
    try:
        date = datetime(int(year), int(month), int(day), int(match[1]), int(match[2]), tzinfo=UTC)
    except ValueError:
        return None
    return date.timestamp() + int(match[3]) + float(match[4] or 0)


def rmc_time(fields: list[str]) -> float | None:
    """Seconds since 1970 of an RMC sentence's fields; None when it is void or undated.

    >>> rmc_time("142451.50,A,5057.970,N,00146.110,E,0.0,,251126,,,A".split(","))
    1795616691.5
    """
    if len(fields) < 9 or fields[1] != "A" or len(fields[8]) != 6:
        return None
    if len(fields) > 11 and fields[11] and fields[11] in VOID_MODES:
        return None
    date = fields[8]
    return _epoch(date[:2], date[2:4], "20" + date[4:], fields[0])


def zda_time(fields: list[str]) -> float | None:
    """Seconds since 1970 of a ZDA sentence's fields; None when it is undated.

    >>> zda_time("142451.50,25,11,2026,00,00".split(","))
    1795616691.5
    """
    if len(fields) < 4 or len(fields[3]) != 4:
        return None
    return _epoch(fields[1], fields[2], fields[3], fields[0])


def built(base: str) -> float:
    """When this boat's base was built, in seconds since 1970; 0 where there is none to ask."""
    try:
        with open(base, "rb") as file:
            return float(json.load(file)["built"])
    except (OSError, ValueError, TypeError, KeyError):
        return 0.0


class Clock:
    """Gives chrony samples from the first of the named links that has a dated fix."""

    def __init__(self, clock: models.Clock, bauds: dict[str, int], teller: Teller) -> None:
        """`bauds` are the baud rates of the links, by name."""
        self._clock = clock
        not_before = RELEASED if clock.not_before is None else clock.not_before
        self._not_before = max(not_before, built(BASE))
        # An early `not_before` allows old dates. It does not forbid those of today.
        self._not_after = max(self._not_before, RELEASED) + SPAN
        self._characters = {name: character_time(baud) for name, baud in bauds.items()}
        self._teller = teller
        self._loop = asyncio.get_running_loop()
        self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._channel.setblocking(False)
        self._good: dict[str, float] = {}
        self._fix: dict[str, tuple[bool, float]] = {}
        self._reference: float | None = None
        self._candidate: float | None = None
        self._agreeing = 0
        self.samples = 0
        self.refused = {"void": 0, "date": 0, "jump": 0, "unsent": 0}
        self._offset: float | None = None

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return origin in self._clock.links and formatter in ("RMC", "ZDA", "GGA")

    def put(self, sentence: Sentence) -> None:
        if self._kept_out(sentence.origin, sentence.heard):
            return
        told = self._told(sentence)
        if told is None:
            return
        if not self._not_before <= told <= self._not_after:
            self.refused["date"] += 1
            date = time.strftime("%Y-%m-%d", time.gmtime(told))
            self._teller.warn("clock", "date", f"{sentence.origin} says it is {date}; refused")
            return
        late = (len(sentence.raw) + sentence.trail) * self._characters[sentence.origin]
        began = sentence.heard - late
        if not self._steady(told - began, sentence.origin):
            return
        self._good[sentence.origin] = sentence.heard
        # The system clock when the sentence began.
        then = time.time() - (self._loop.time() - began)
        self._send(then, told - then)

    def _kept_out(self, origin: str, now: float) -> bool:
        """Whether a link named earlier has been good a moment ago."""
        for link in self._clock.links:
            if link == origin:
                return False
            if now - self._good.get(link, -FRESH) < FRESH:
                return True
        return True

    def _told(self, sentence: Sentence) -> float | None:
        """What a sentence with a valid fix says; a ZDA is as valid as the fix before it."""
        fields = sentence.fields
        if sentence.formatter == "GGA":
            valid = len(fields) > 5 and fields[5] in VALID_QUALITIES
            self._fix[sentence.origin] = (valid, sentence.heard)
            return None
        if sentence.formatter == "RMC":
            told = rmc_time(fields)
            self._fix[sentence.origin] = (told is not None, sentence.heard)
        else:
            valid, at = self._fix.get(sentence.origin, (True, sentence.heard))
            told = zda_time(fields) if valid and sentence.heard - at < FRESH else None
        if told is None:
            self.refused["void"] += 1
        return told

    def _steady(self, difference: float, origin: str) -> bool:
        """Whether this difference from the monotonic clock agrees with those before it."""
        if self._reference is not None and abs(difference - self._reference) <= TOLERANCE:
            # Follow the drift of the monotonic clock slowly.
            self._reference += (difference - self._reference) / 16
            self._candidate, self._agreeing = None, 0
            return True
        if self._candidate is None or abs(difference - self._candidate) > TOLERANCE:
            self._candidate, self._agreeing = difference, 1
        else:
            self._agreeing += 1
        if self._agreeing < (AGREE if self._reference is None else JUMP):
            if self._reference is not None:
                self.refused["jump"] += 1
                jump = difference - self._reference
                self._teller.warn("clock", "jump", f"{origin} jumps by {jump:+.1f} s; refused")
            return False
        if self._reference is None:
            log.info("clock: %s tells the time", origin)
        else:
            log.warning("clock: %s stays where it jumped to; believed", origin)
        self._reference, self._candidate, self._agreeing = difference, None, 0
        return True

    def _send(self, then: float, offset: float) -> None:
        seconds = int(then)
        sample = SAMPLE.pack(seconds, int((then - seconds) * 1e6), offset, 0, 0, 0, MAGIC)
        try:
            self._channel.sendto(sample, self._clock.socket)
        except OSError as error:
            self.refused["unsent"] += 1
            self._teller.warn("clock", "socket", f"{self._clock.socket}: {error.strerror}")
            return
        self._teller.mended("clock", "socket", "chrony takes samples")
        self.samples += 1
        self._offset = offset

    def close(self) -> None:
        self._channel.close()

    def as_json(self) -> dict[str, Any]:
        """Samples given and refused, for the state."""
        now = self._loop.time()
        return {
            "samples": self.samples,
            "refused": dict(self.refused),
            "offset": None if self._offset is None else round(self._offset, 3),
            "good": {link: round(now - at, 1) for link, at in self._good.items()},
        }
