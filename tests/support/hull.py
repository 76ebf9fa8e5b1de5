# SPDX-License-Identifier: GPL-3.0-or-later
"""A hull of simulated wires on a virtual clock: talkers with a true baud rate.

A wire is a stream of level changes, which the bench's receiver samples.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from random import Random

from provision.bench.simulation.boat import BoatState, Simulation
from provision.bench.simulation.sentences import compose, sentence
from provision.bench.wire.line import Edge
from provision.bench.wire.receiver import Receiver

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


class Edges:
    """Hand a line's edges to a receiver, which asks for no later one than it needs."""

    def __init__(self, edges: Iterator[Edge]) -> None:
        self._edges = edges

    def next_edge(self, until: float) -> Edge | None:
        """Return the next edge, which may be later than `until`."""
        return next(self._edges, None)


def receive(
    edges: Iterator[Edge], waits_for_idle: bool = True, tells_break: bool = True
) -> Receiver:
    """Return a receiver of these edges."""
    return Receiver(Edges(edges), waits_for_idle, tells_break)
