# SPDX-License-Identifier: GPL-3.0-or-later
"""Receive the bytes of a line at a baud rate, which may be another than the talker's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from provision.bench.wire.line import Edge

#: Bits from a falling edge to the middle of the stop bit.
STOP_BITS = 9.5


class Edges(Protocol):
    """Yield the changes of a line's level in the order of their time."""

    def next_edge(self, until: float) -> Edge | None:
        """Return the next edge, or None if there is none up to `until`, in seconds."""


@dataclass
class Receiver:
    """Sample a line as a UART does: wait for a falling edge, then look at the middle of each bit.

    `read` may be called again and again with a later time.
    """

    line: Edges
    waits_for_idle: bool = True
    """Whether it waits for an idle line after a wrong stop bit, or takes that for a start bit."""
    tells_break: bool = True
    """Whether a line that stays low gives a byte of zeros."""
    _level: int = 1
    _next: Edge | None = None
    _start: float | None = None

    def read(self, baud: int, until: float) -> bytes:
        """Return the bytes that are complete at `until`, received at `baud`."""
        read, bit = bytearray(), 1 / baud
        while True:
            if self._start is None:
                self._start = self._falling(until)
            if self._start is None or self._start + STOP_BITS * bit > until:
                return bytes(read)
            start, self._start = self._start, None
            if self._advance(start + bit / 2):
                continue
            byte = 0
            for number in range(8):
                byte |= self._advance(start + (number + 1.5) * bit) << number
            stop = self._advance(start + STOP_BITS * bit)
            # A break that lasts is reported once.
            if byte and not stop and not self.waits_for_idle:
                self._start = start + 9 * bit
            if byte or stop or self.tells_break:
                read.append(byte)

    def drop(self) -> None:
        """Forget the byte that is being received: the baud rate changes."""
        self._start = None

    def _peek(self, until: float) -> Edge | None:
        if self._next is None:
            self._next = self.line.next_edge(until)
        return self._next

    def _advance(self, time: float) -> int:
        """Return the level at a time."""
        while (edge := self._peek(time)) and edge[0] <= time:
            self._level, self._next = edge[1], None
        return self._level

    def _falling(self, until: float) -> float | None:
        """Go to the next falling edge, and return its time. None when it is after `until`."""
        while (edge := self._peek(until)) and edge[0] <= until:
            before, (time, self._level), self._next = self._level, edge, None
            if before and not self._level:
                return time
        return None
