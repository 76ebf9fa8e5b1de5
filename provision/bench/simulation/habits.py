# SPDX-License-Identifier: GPL-3.0-or-later
"""Describe how an instrument differs from one that sends each sentence on time and whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random


@dataclass(frozen=True)
class Habits:
    """Hold an instrument's habits. Without any it sends on time, checked and whole."""

    wander: float = 0.0
    """The share by which the time between two sentences varies."""
    burst: int = 1
    """How many periods' sentences it sends at once."""
    gap_every: float = 0.0
    """Seconds from the beginning of one gap to the next. 0 for no gaps."""
    gap_lasts: float = 0.0
    """Seconds that a gap lasts."""
    checksums: bool = True
    garbled: float = 0.0
    """The share of bytes that is replaced by any byte."""
    random: Random = field(default_factory=lambda: Random(0), compare=False)  # noqa: S311

    def is_gap(self, time: float) -> bool:
        """Tell if the instrument is silent at a time, in POSIX seconds."""
        return bool(self.gap_every) and time % self.gap_every < self.gap_lasts

    def spoil(self, line: bytes) -> bytes:
        """Return the line as it leaves the instrument."""
        if not self.garbled:
            return line
        return bytes(
            self.random.randrange(256) if self.random.random() < self.garbled else byte
            for byte in line
        )


def strip_checksum(line: bytes) -> bytes:
    """Return a sentence without its checksum.

    >>> strip_checksum(b"$GPXTE,A,A,0.10,R,N*00\\r\\n")
    b'$GPXTE,A,A,0.10,R,N\\r\\n'
    """
    return line[: line.rindex(b"*")] + b"\r\n" if b"*" in line else line
