# SPDX-License-Identifier: GPL-3.0-or-later
"""Date the starts of the computer, also those before the clock was right.

Samples carry the seconds since the computer started, which no fix steps. Each start has an offset
from them to the time of day. While no instrument tells the time, the offset is a guess: the clock
went on from what the card remembered. Once the clock is sure, the offset of this start is right
for all of its samples. A start that never knew the time is put between its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass
class Boot:
    """Holds one start. `lasted` is when its last sample was taken, in seconds since the start."""

    name: str
    offset: float
    """Added to seconds since the start, gives seconds since 1970."""
    sure: bool = False
    lost_power: bool | None = None
    """Whether the power had been cut before, None where it is not known."""
    lasted: int = 0

    def date(self, offset: float, *, sure: bool) -> None:
        """Take the clock's offset of now, unless an earlier one was surer."""
        if sure or not self.sure:
            self.offset, self.sure = offset, sure


def place(boots: Sequence[Boot]) -> list[float]:
    """Return the offset of each start, in their order. A guess never changes the order."""
    offsets = [boot.offset for boot in boots]
    for index in range(1, len(boots)):
        end = offsets[index - 1] + boots[index - 1].lasted
        if not boots[index].sure and offsets[index] < end:
            offsets[index] = end
    for index in range(len(boots) - 2, -1, -1):
        latest = offsets[index + 1] - boots[index].lasted
        if not boots[index].sure and offsets[index] > latest:
            offsets[index] = latest
    return offsets
