# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn dated fixes into samples of chrony's SOCK reference clock.

A sample is the difference between the time in a sentence and the system clock's time when the
sentence began. That is when it was read less the time it takes on the wire. Serial time is
right to a fraction of a second, no better.
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

from provision.onboard.feed.config import models
from provision.onboard.feed.config.types import RELEASED
from provision.onboard.feed.net.serial_port import character_time
from provision.onboard.feed.nmea0183.sentence import Sentence
from provision.onboard.feed.nmea0183.validity import VALID_QUALITIES, VOID_MODES
from provision.onboard.feed.outputs.agreement import FIX_HOLDS_S, TOLERANCE_S, Agreement, Run
from provision.onboard.feed.report.fault_log import FaultLog, log

#: struct sock_sample of chrony's SOCK reference clock: time of the measurement (seconds,
#: microseconds), offset in seconds, pulse, leap, padding, magic number. From chrony's
#: documentation of the SOCK driver.
SAMPLE = struct.Struct("@lldiiii")
MAGIC = 0x534F434B

#: Sentences in a row, and seconds, before a jump is believed.
JUMP_SENTENCES, JUMP_S = 60, 60.0

#: Seconds that a sentence may have waited before it was read and still tell the time.
LATE_S = 0.5

#: Seconds after the earliest true date that a date may lie: 1024 weeks, when a receiver's
#: count of weeks rolls over (IS-GPS-200).
DATE_SPAN_S = 1024 * 7 * 86400

#: The base's description of itself.
BASE_FILE = "/usr/lib/boat-base/base.json"

_TIME = re.compile(r"([01]\d|2[0-3])([0-5]\d)([0-5]\d|60)(\.\d+)?")


def _epoch(day: str, month: str, year: str, clock: str) -> float | None:
    match = _TIME.fullmatch(clock)
    if match is None or not (day + month + year).isdecimal():
        return None
    try:
        date = datetime(int(year), int(month), int(day), int(match[1]), int(match[2]), tzinfo=UTC)
    except (ValueError, OverflowError):
        return None
    return date.timestamp() + int(match[3]) + float(match[4] or 0)


def rmc_time(fields: list[str]) -> float | None:
    """Return the seconds since 1970 of an RMC sentence's fields. None when it is void or undated.

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
    """Return the seconds since 1970 of a ZDA sentence's fields. None when it is undated.

    >>> zda_time("142451.50,25,11,2026,00,00".split(","))
    1795616691.5
    """
    if len(fields) < 4 or len(fields[3]) != 4:
        return None
    return _epoch(fields[1], fields[2], fields[3], fields[0])


def built(base: str) -> float:
    """Return when this boat's base was built, in seconds since 1970. 0 when it is not known."""
    try:
        with open(base, "rb") as file:
            return float(json.load(file)["built"])
    except (OSError, ValueError, TypeError, KeyError):
        return 0.0


class TimeSource:
    """Gives chrony samples from the first of the named links that is right about the time.

    While links differ, and nothing shows which of them is wrong, no sample goes out.
    """

    def __init__(
        self, clock: models.ClockOptions, bauds: dict[str, int], fault_log: FaultLog
    ) -> None:
        """Take `bauds`, the baud rates of the links by name."""
        self._clock = clock
        not_before = RELEASED if clock.not_before is None else clock.not_before
        self._not_before = max(not_before, built(BASE_FILE))
        # An early `not_before` allows old dates. It does not forbid those of today.
        self._not_after = max(self._not_before, RELEASED) + DATE_SPAN_S
        self._characters = {name: character_time(baud) for name, baud in bauds.items()}
        self._fault_log = fault_log
        self.name = "clock"
        self._loop = asyncio.get_running_loop()
        self._channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._channel.setblocking(False)
        self._agreement = Agreement(clock.links)
        self._good: dict[str, float] = {}
        self._fix: dict[str, tuple[bool, float]] = {}
        self._deviating: int = 0
        self._deviating_since = 0.0
        self.samples = 0
        reasons = ("void", "date", "late", "jump", "conflict", "alone", "unsent")
        self.refused = dict.fromkeys(reasons, 0)
        self._offset: float | None = None

    def wants(self, origin: str, talker: str, formatter: str) -> bool:
        return origin in self._clock.links and formatter in ("RMC", "ZDA", "GGA")

    def put(self, sentence: Sentence) -> None:
        given = self._time_of(sentence)
        if given is None:
            return
        if not self._not_before <= given <= self._not_after:
            self.refused["date"] += 1
            date = time.strftime("%Y-%m-%d", time.gmtime(given))
            self._fault_log.warn("clock", "date", f"{sentence.origin} says it is {date}; refused")
            return
        late = (len(sentence.raw) + sentence.trail) * self._characters[sentence.origin]
        if sentence.waited > late + LATE_S:
            self.refused["late"] += 1
            return
        began, now, origin = sentence.heard - late, sentence.heard, sentence.origin
        run = self._agreement.hear(origin, given - began, now)
        if not self._is_chosen(origin, now) or not self._is_steady(run, origin):
            return
        self._agreement.take(run.difference)
        self._good[origin] = now
        # The system clock when the sentence began.
        then = began + self._system()
        self._send(then, given - then)

    def _system(self) -> float:
        """Return the system clock's difference from the monotonic clock in seconds."""
        return time.time() - self._loop.time()

    def _is_chosen(self, origin: str, now: float) -> bool:
        """Report whether the time must come from this link now."""
        steady = self._agreement.steady(now)
        if origin not in steady:
            return not steady and self._agreement.goes_on(origin)
        right = self._agreement.right(steady, now)
        if len(right) < len(steady):
            self._contested(steady, right)
            if origin not in right:
                self.refused["conflict"] += 1
                return False
        elif len(steady) > 1:
            self._fault_log.cleared("clock", "conflict", "the instruments agree on the time")
        if origin != right[0]:
            return False
        if not self._agreement.is_backed(origin, self._system(), now):
            self.refused["alone"] += 1
            message = f"{origin} alone tells the time; it is believed if it stays for a minute"
            self._fault_log.warn("clock", "alone", message)
            return False
        self._fault_log.cleared("clock", "alone", f"{origin} is believed")
        return True

    def _contested(self, steady: list[str], right: list[str]) -> None:
        """Log which links differ, and by how much."""
        runs = self._agreement.runs
        first, *others = [*right, *(link for link in steady if link not in right)]
        differ = ", ".join(
            f"{link} {runs[link].difference - runs[first].difference:+.1f} s" for link in others
        )
        decided = f"{first} is believed" if right else "none is believed"
        self._fault_log.warn(
            "clock", "conflict", f"the time differs from {first}: {differ}; {decided}"
        )

    def _time_of(self, sentence: Sentence) -> float | None:
        """Return the time of a sentence with a valid fix. A ZDA is as valid as the last fix."""
        fields = sentence.fields
        if sentence.formatter == "GGA":
            valid = len(fields) > 5 and fields[5] in VALID_QUALITIES
            self._fix[sentence.origin] = (valid, sentence.heard)
            return None
        if sentence.formatter == "RMC":
            given = rmc_time(fields)
            self._fix[sentence.origin] = (given is not None, sentence.heard)
        else:
            valid, at = self._fix.get(sentence.origin, (True, sentence.heard))
            given = zda_time(fields) if valid and sentence.heard - at < FIX_HOLDS_S else None
        if given is None:
            self.refused["void"] += 1
        return given

    def _is_steady(self, run: Run, origin: str) -> bool:
        """Report whether the chosen link agrees with the clock before it, or stays at a jump."""
        reference = self._agreement.reference
        if reference is None:
            log.info("clock: %s tells the time", origin)
        elif abs(run.difference - reference) > TOLERANCE_S:
            if not self._deviating:
                self._deviating_since = run.heard
            self._deviating = min(self._deviating + 1, run.agreeing)
            stays = run.heard - max(run.since, self._deviating_since)
            if self._deviating < JUMP_SENTENCES or stays < JUMP_S:
                self.refused["jump"] += 1
                jump = run.difference - reference
                self._fault_log.warn("clock", "jump", f"{origin} jumps by {jump:+.1f} s; refused")
                return False
            log.warning("clock: %s stays where it jumped to; believed", origin)
            self._agreement.doubt(run.heard)
        self._deviating = 0
        return True

    def _send(self, then: float, offset: float) -> None:
        seconds = int(then)
        sample = SAMPLE.pack(seconds, int((then - seconds) * 1e6), offset, 0, 0, 0, MAGIC)
        try:
            self._channel.sendto(sample, self._clock.socket)
        except OSError as error:
            self.refused["unsent"] += 1
            self._fault_log.warn("clock", "socket", f"{self._clock.socket}: {error.strerror}")
            return
        self._fault_log.cleared("clock", "socket", "chrony takes samples")
        self.samples += 1
        self._offset = offset

    def close(self) -> None:
        self._channel.close()

    def as_json(self) -> dict[str, Any]:
        """Return samples given and refused, for the state."""
        now = self._loop.time()
        return {
            "samples": self.samples,
            "refused": dict(self.refused),
            "offset": None if self._offset is None else round(self._offset, 3),
            "good": {link: round(now - at, 1) for link, at in self._good.items()},
            "differences": self._agreement.differences(now),
        }
