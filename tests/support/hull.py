# SPDX-License-Identifier: GPL-3.0-or-later
"""A hull of simulated wires: talkers with a true baud rate, and a receiver that may have another.

A wire is a stream of level changes. The receiver waits for a falling edge and samples the middle
of a start bit, eight data bits and a stop bit at its own baud rate, as a UART does.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random

from provision.bench.simulation.boat import BoatState, Simulation
from provision.bench.simulation.sentences import compose, sentence

#: A time in seconds, and the level from then on: 1 is what an idle line has.
Edge = tuple[float, int]
#: A time in seconds, and what a talker begins to say then.
Burst = tuple[float, bytes]

BITS = 10
NOON = datetime(2030, 6, 1, 12, tzinfo=UTC)


@dataclass
class Talker:
    """What says the same sentences again and again, all in one go."""

    baud: int
    formatters: tuple[str, ...]
    period: float = 1.0
    """Seconds between the beginnings of two bursts."""
    wrong: float = 0.0
    """The share of bytes that are replaced by any byte."""
    inverted: bool = False
    drift: float = 0.0
    """By how much the talker's clock is too fast, such as 0.01."""
    start: float = 0.0
    make: Callable[[Random], bytes] | None = None
    """Makes a burst that is not of sentences."""

    def bursts(self, random: Random) -> Iterator[Burst]:
        time, free, boat = self.start, 0.0, Simulation(seed=1)
        while True:
            state = boat.at(NOON + timedelta(seconds=time))
            if self.make:
                text = self.make(random)
            else:
                text = b"".join(line for name in self.formatters for line in said(name, state))
            time = max(time, free)
            yield (
                time,
                bytes(
                    random.randrange(256) if random.random() < self.wrong else byte for byte in text
                ),
            )
            free = time + len(text) * BITS / self.baud
            time += self.period * random.uniform(0.98, 1.02)

    def edges(self, random: Random) -> Iterator[Edge]:
        """Yield each change of the level, without the polarity."""
        bit, level, free = 1 / (self.baud * (1 + self.drift)), 1, 0.0
        for begun, text in self.bursts(random):
            for count, byte in enumerate(text):
                time = max(begun, free) + count * BITS * bit
                frame = byte << 1 | 1 << 9
                for number in range(BITS):
                    value = frame >> number & 1
                    if value != level:
                        level = value
                        yield time + number * bit, level
            free = max(begun, free) + len(text) * BITS * bit


def said(formatter: str, state: BoatState) -> list[bytes]:
    """Return the sentences of a formatter, of AIS too."""
    if formatter == "VDM":
        return [sentence("AIVDM", "1,1,,A,13u?etPv2;0n:dDPwUM1U1Cb069D,0".split(","), start="!")]
    return compose(formatter, state)


def binary(random: Random) -> bytes:
    """Return three frames of a binary GNSS protocol, with Fletcher's checksum."""
    frames = b""
    for message in (1, 2, 3):
        size = random.randrange(8, 93)
        body = bytes((1, message, size, 0)) + random.randbytes(size)
        low = high = 0
        for byte in body:
            low = (low + byte) & 0xFF
            high = (high + low) & 0xFF
        frames += b"\xb5\x62" + body + bytes((low, high))
    return frames


def noise(random: Random, mean: float = 1 / 4800) -> Iterator[Edge]:
    """Yield a level that changes at any time, in bursts, with `mean` seconds between changes."""
    time, level = 0.0, 1
    while True:
        end = time + random.uniform(0.01, 0.5)
        while time < end:
            time += random.expovariate(1 / mean)
            level ^= 1
            yield time, level
        if not level:
            level = 1
            yield time, 1
        time += random.uniform(0, 0.8)


def joined(*wires: Iterator[Edge]) -> Iterator[Edge]:
    """Yield the level of a line with several talkers: low when any of them pulls it low."""
    levels, before = [1] * len(wires), 1

    def marked(number: int, edges: Iterator[Edge]) -> Iterator[tuple[float, int, int]]:
        return ((time, number, level) for time, level in edges)

    for time, number, level in heapq.merge(*(marked(*pair) for pair in enumerate(wires))):
        levels[number] = level
        if min(levels) != before:
            before = min(levels)
            yield time, before


def turned(edges: Iterator[Edge]) -> Iterator[Edge]:
    """Yield the line with inverted polarity: idle is low."""
    yield 0.0, 0
    for time, level in edges:
        yield time, 1 - level


def wire(random: Random, *talkers: Talker) -> Iterator[Edge]:
    """Yield the line of these talkers."""
    edges = joined(*(talker.edges(random) for talker in talkers))
    return turned(edges) if talkers[0].inverted else edges


@dataclass
class Receiver:
    """A UART, which keeps what it read until the time is asked for."""

    edges: Iterator[Edge]
    waits_for_idle: bool = True
    """Whether it waits for an idle line after a wrong stop bit, or takes that for a start bit."""
    tells_break: bool = True
    """Whether a line that stays low gives a byte of zeros."""
    _level: int = 1
    _next: Edge | None = None
    _held: tuple[float, int] | None = None
    _time: float = 0.0
    _low_start: float | None = None

    def __post_init__(self) -> None:
        self._next = next(self.edges, None)

    def read(self, baud: int, until: float) -> bytes:
        """Return the bytes that are complete at `until`, received at `baud`."""
        read = bytearray()
        while True:
            if self._held is None:
                self._held = self._receive(baud, until)
                if self._held is None:
                    return bytes(read)
            if self._held[0] > until:
                return bytes(read)
            read.append(self._held[1])
            self._held = None

    def drop(self) -> None:
        """Forget the byte that was being received: the baud rate changes."""
        self._held, self._low_start = None, None

    def _advance(self, time: float) -> int:
        """Return the level at a time, which never goes back."""
        while self._next is not None and self._next[0] <= time:
            self._level = self._next[1]
            self._next = next(self.edges, None)
        self._time = max(self._time, time)
        return self._level

    def _receive(self, baud: int, until: float) -> tuple[float, int] | None:
        bit = 1 / baud
        while True:
            if self._low_start is not None:
                start, self._low_start = self._low_start, None
            else:
                found = self._falling(until)
                if found is None:
                    return None
                start = found
            if self._advance(start + bit / 2):
                continue
            byte = 0
            for number in range(8):
                byte |= self._advance(start + (number + 1.5) * bit) << number
            stop = self._advance(start + 9.5 * bit)
            # A break that lasts is told once.
            if byte and not stop and not self.waits_for_idle:
                self._low_start = start + 9 * bit
            if byte or stop or self.tells_break:
                return self._time, byte

    def _falling(self, until: float) -> float | None:
        """Go to the next falling edge, and return its time. None when it is after `until`."""
        while self._next is not None and self._next[0] <= until:
            before, (time, level) = self._level, self._next
            self._advance(time)
            if before and not level:
                return time
        self._advance(until)
        return None
