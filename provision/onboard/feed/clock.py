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
from dataclasses import dataclass
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

#: After so many samples that no link contradicted, the clock decides between two that differ:
#: where two links agreed on them, and where one alone said so.
TRUSTED, TRUSTED_ALONE = 60, 3600

#: Seconds by which two links differ only in how late they say the time.
LATENCY_S = 5.0

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


@dataclass(slots=True)
class _Run:
    """What one link says of the time, as the difference from the monotonic clock in seconds.

    `agreeing` counts its sentences in a row that agree with it, `heard` is when the last came.
    """

    difference: float
    agreeing: int
    heard: float

    def add(self, difference: float, heard: float) -> None:
        """Take the next sentence: it continues the run, or begins another."""
        self.heard = heard
        if abs(difference - self.difference) <= TOLERANCE:
            # Follow the drift of the monotonic clock slowly.
            self.difference += (difference - self.difference) / 16
            self.agreeing += 1
        else:
            self.difference, self.agreeing = difference, 1


class Clock:
    """Gives chrony samples from the first of the named links that has a dated fix.

    Each link has a run of its own. While two of them differ, the greater number that agrees
    decides, or the clock that was right for long before; where neither does, no sample goes
    out, for nothing shows which of the two is wrong.
    """

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
        self._runs: dict[str, _Run] = {}
        self._good: dict[str, float] = {}
        self._fix: dict[str, tuple[bool, float]] = {}
        self._reference: float | None = None
        self._uncontested = 0
        self._weight = 1
        self._deviating = 0
        self.samples = 0
        self.refused = {"void": 0, "date": 0, "jump": 0, "conflict": 0, "unsent": 0}
        self._offset: float | None = None

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return origin in self._clock.links and formatter in ("RMC", "ZDA", "GGA")

    def put(self, sentence: Sentence) -> None:
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
        origin, difference = sentence.origin, told - began
        run = self._runs.setdefault(origin, _Run(difference, 0, sentence.heard))
        run.add(difference, sentence.heard)
        if not self._is_chosen(origin, sentence.heard) or not self._is_steady(run, origin):
            return
        self._good[origin] = sentence.heard
        # The system clock when the sentence began.
        then = time.time() - (self._loop.time() - began)
        self._send(then, told - then)

    def _is_chosen(self, origin: str, now: float) -> bool:
        """Report whether the time is to come from this link now."""
        fresh = [
            link
            for link in self._clock.links
            if link in self._runs and now - self._runs[link].heard < FRESH
        ]
        agreeing = self._agreeing(fresh)
        # What two say counts for more.
        self._weight = TRUSTED_ALONE // TRUSTED if len(agreeing) > 1 else 1
        if len(agreeing) < len(fresh):
            self._contested(fresh, agreeing)
            if origin not in agreeing:
                self.refused["conflict"] += 1
                return False
        elif len(fresh) > 1:
            self._teller.mended("clock", "conflict", "the instruments agree on the time")
        # A link that has just begun keeps nothing out.
        good = [link for link in agreeing if self._runs[link].agreeing >= AGREE]
        return origin == next(iter(good), origin)

    def _agreeing(self, fresh: list[str]) -> list[str]:
        """Name the links that are right, in their order: all, or none, where nothing decides."""
        groups = [
            [
                other
                for other in fresh
                if abs(self._runs[other].difference - self._runs[link].difference) <= LATENCY_S
            ]
            for link in fresh
        ]
        if all(len(group) == len(fresh) for group in groups):
            return fresh
        if self._reference is not None and self._uncontested >= TRUSTED_ALONE:
            reference = self._reference
            return [
                link for link in fresh if abs(self._runs[link].difference - reference) <= LATENCY_S
            ]
        majority = max(groups, key=len)
        return majority if 2 * len(majority) > len(fresh) else []

    def _contested(self, fresh: list[str], agreeing: list[str]) -> None:
        """Say which links differ, and by how much."""
        first, *others = [*agreeing, *(link for link in fresh if link not in agreeing)]
        differ = ", ".join(
            f"{link} {self._runs[link].difference - self._runs[first].difference:+.1f} s"
            for link in others
        )
        decided = f"{first} is believed" if agreeing else "none is believed"
        self._teller.warn(
            "clock", "conflict", f"the time differs from {first}: {differ}; {decided}"
        )
        if not agreeing:
            self._uncontested = 0

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

    def _is_steady(self, run: _Run, origin: str) -> bool:
        """Report whether the chosen link agrees with itself, and with the clock before it."""
        if self._reference is None:
            if run.agreeing < AGREE:
                return False
            log.info("clock: %s tells the time", origin)
        elif abs(run.difference - self._reference) > TOLERANCE:
            self._deviating = min(self._deviating + 1, run.agreeing)
            if self._deviating < JUMP:
                self.refused["jump"] += 1
                jump = run.difference - self._reference
                self._teller.warn("clock", "jump", f"{origin} jumps by {jump:+.1f} s; refused")
                return False
            log.warning("clock: %s stays where it jumped to; believed", origin)
            self._uncontested = 0
        self._reference, self._deviating = run.difference, 0
        self._uncontested += self._weight
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
            "differences": self._differences(now),
        }

    def _differences(self, now: float) -> dict[str, float]:
        """Seconds by which each link that is heard differs from the first of them."""
        fresh = {link: run for link, run in self._runs.items() if now - run.heard < FRESH}
        first = next((fresh[link] for link in self._clock.links if link in fresh), None)
        return {
            link: round(run.difference - first.difference, 1)
            for link, run in fresh.items()
            if first is not None
        }
