# SPDX-License-Identifier: GPL-3.0-or-later
"""Put the bits of talkers onto a line, one after the other or over each other.

An asynchronous serial line is high when idle. A character is a low start bit, eight data bits with
the lowest first, and a high stop bit (IEC 61162-1).
"""

from __future__ import annotations

from collections import deque
from random import Random

from provision.profile.schema.types import BITS_PER_CHARACTER

#: A time in seconds, and the level from then on: 1 is high.
Edge = tuple[float, int]

#: Seconds between two changes of a noisy line on average, and how long noise and quiet last.
NOISE_CHANGE_S = 1 / 4800
NOISE_S = (0.01, 0.5)
QUIET_S = (0.0, 0.8)


class Talker:
    """Hold the edges of one talker that the line has not yet passed on."""

    def __init__(self) -> None:
        self.edges: deque[Edge] = deque()
        self.free = 0.0
        """When the talker's last stop bit ends, in seconds."""
        self._level = 1

    def say(self, data: bytes, start: float, baud: int) -> None:
        """Send bytes from `start` on, or as soon as the talker has sent what came before."""
        bit = 1 / baud
        time = max(start, self.free)
        for byte in data:
            frame = byte << 1 | 1 << (BITS_PER_CHARACTER - 1)
            for number in range(BITS_PER_CHARACTER):
                value = frame >> number & 1
                if value != self._level:
                    self._level = value
                    self.edges.append((time + number * bit, value))
            time += BITS_PER_CHARACTER * bit
        self.free = time

    def fill(self, until: float) -> None:
        """Add the edges up to `until` that come without `say`. A talker has none."""


class Noise(Talker):
    """Change the level at random times, in bursts."""

    def __init__(self, random: Random, start: float) -> None:
        super().__init__()
        self._random = random
        self.free = start
        self._end = start

    def fill(self, until: float) -> None:
        """Add the edges up to `until`."""
        while self.free <= until:
            if self.free > self._end:
                if not self._level:
                    self._level = 1
                    self.edges.append((self.free, 1))
                self.free += self._random.uniform(*QUIET_S)
                self._end = self.free + self._random.uniform(*NOISE_S)
            self.free += self._random.expovariate(1 / NOISE_CHANGE_S)
            self._level ^= 1
            self.edges.append((self.free, self._level))


class Line:
    """Join the edges of several talkers: the line is low when any of them pulls it low.

    With `inverted` polarity, as when the two wires of a pair are exchanged, idle is low.
    """

    def __init__(self, *, inverted: bool = False) -> None:
        self.inverted = inverted
        self._levels: dict[Talker, int] = {}
        self._joined = 1
        self._first = inverted

    def add(self, talker: Talker) -> None:
        """Connect a talker."""
        self._levels[talker] = 1

    def next_edge(self, until: float) -> Edge | None:
        """Return the next change of the level, or None if there is none up to `until`."""
        if self._first:
            self._first = False
            return 0.0, 0
        for talker in self._levels:
            talker.fill(until)
        while True:
            waiting = [talker for talker in self._levels if talker.edges]
            if not waiting:
                return None
            talker = min(waiting, key=lambda one: one.edges[0][0])
            if talker.edges[0][0] > until:
                return None
            time, self._levels[talker] = talker.edges.popleft()
            joined = min(self._levels.values())
            if joined != self._joined:
                self._joined = joined
                return time, 1 - joined if self.inverted else joined
