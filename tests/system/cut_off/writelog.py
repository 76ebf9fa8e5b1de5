# SPDX-License-Identifier: GPL-3.0-or-later
"""Rebuild the states that a card may have after a power cut from a log of every write.

The log is the one of QEMU's blklogwrites driver, in the format of the kernel's dm-log-writes.
A card promises only this: what was written before a flush is there after it. What was written
since may be there or not, whole or in part, in any order, in units of a sector.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

SECTOR = 512

#: Entry: sector, number of sectors, flags, length of data (which the driver leaves 0); one
#: sector each, the data behind it.
_ENTRY = struct.Struct("<QQQQ")
#: Flags of an entry (linux/drivers/md/dm-log-writes.c).
_FLUSH, _FUA, _DISCARD = 1, 2, 4

#: Of the writes since the last flush: all of it there, none of it, some of it.
_FATES = ("whole", "none", "torn")
_ODDS = (4, 3, 3)


@dataclass(frozen=True)
class Write:
    """Data that was sent to the card; `end` is the log's size when it was."""

    sector: int
    data: bytes
    end: int

    @property
    def sectors(self) -> int:
        """Return how many sectors it covers."""
        return len(self.data) // SECTOR


@dataclass(frozen=True)
class Epoch:
    """Holds the writes between two flushes, in order. `end` is the log's size at the second."""

    writes: tuple[Write, ...]
    end: int


def read(path: Path, first: int, sectors: int) -> list[Epoch]:
    """Read the log of a card's `sectors` from `first` on, to the last flush and behind it.

    Sectors in the epochs count from `first`.
    """
    log = path.read_bytes()
    epochs, writes, offset = [], list[Write](), SECTOR
    while offset + SECTOR <= len(log):
        sector, count, flags, _ = _ENTRY.unpack_from(log, offset)
        offset += SECTOR
        assert not flags & (_FUA | _DISCARD), "the emulated card has only writes and flushes"
        if flags & _FLUSH:
            epochs.append(Epoch(tuple(writes), offset))
            writes = []
        data = log[offset : offset + count * SECTOR]
        if len(data) < count * SECTOR:
            break
        offset += len(data)
        if data and first <= sector < first + sectors:
            writes.append(Write(sector - first, data, offset))
    return [*epochs, Epoch(tuple(writes), offset)]


@dataclass(frozen=True)
class State:
    """Describes a card: all of its first `epochs` epochs, and `parts` of what follows.

    Each part is a write and which of its sectors have arrived. The power may have gone as
    late as when the log was `latest` bytes long.
    """

    epochs: int
    parts: tuple[tuple[Write, frozenset[int]], ...]
    latest: int

    def apply(self, image: Path) -> None:
        """Write the parts into an image that holds the epochs."""
        with image.open("r+b") as card:
            for write, sectors in self.parts:
                for number in sorted(sectors):
                    card.seek((write.sector + number) * SECTOR)
                    card.write(write.data[number * SECTOR : (number + 1) * SECTOR])


def apply(epochs: Sequence[Epoch], image: Path) -> None:
    """Write whole epochs into an image."""
    with image.open("r+b") as card:
        for epoch in epochs:
            for write in epoch.writes:
                card.seek(write.sector * SECTOR)
                card.write(write.data)


def states(epochs: Sequence[Epoch], since: int, count: int, seed: int) -> list[State]:
    """At least `count` different states that a cut after `since` bytes of log may leave.

    Every state right after a flush is among them; the others are shared out evenly over the
    epochs, as far as an epoch has so many.
    """
    chance = random.Random(seed)
    reached = [number for number, epoch in enumerate(epochs) if epoch.end > since]
    found = dict.fromkeys(State(number, (), epochs[number].end) for number in reached)
    sources = [_random(epochs, number, chance) for number in reached if epochs[number].writes]
    while sources and len(found) < count:
        for source in tuple(sources):
            for state in source:
                if state not in found:
                    found[state] = None
                    break
            else:
                sources.remove(source)
    return list(found)


def _random(epochs: Sequence[Epoch], number: int, chance: random.Random) -> Iterator[State]:
    """States in the middle of an epoch; ends when hardly any new ones come."""
    epoch, tries, seen = epochs[number], 0, set[State]()
    while tries < 50:
        state = State(number, _parts(epoch.writes, chance), epoch.end)
        tries = tries + 1 if state in seen else 0
        if state not in seen:
            seen.add(state)
            yield state


def lying(epochs: Sequence[Epoch], since: int, count: int, seed: int) -> list[State]:
    """States of a card that does not keep its promise: it ignores flushes from `since` on."""
    chance = random.Random(seed)
    start = next(number for number, epoch in enumerate(epochs) if epoch.end > since)
    writes = [write for epoch in epochs[start:] for write in epoch.writes]
    cuts = [chance.randrange(len(writes) // 2, len(writes)) for _ in range(count)]
    return [State(start, _parts(writes[:cut], chance), writes[cut - 1].end) for cut in sorted(cuts)]


def _parts(
    writes: Sequence[Write], chance: random.Random
) -> tuple[tuple[Write, frozenset[int]], ...]:
    parts = []
    for write in writes:
        (fate,) = chance.choices(_FATES, _ODDS)
        arrived: Sequence[int] = range(write.sectors)
        if fate == "torn":
            torn = chance.sample(arrived, chance.randint(0, write.sectors))
            cut = chance.randint(0, write.sectors)
            arrived = chance.choice((torn, arrived[:cut], arrived[cut:]))
        if fate != "none" and arrived:
            parts.append((write, frozenset(arrived)))
    return tuple(parts)


@dataclass(frozen=True)
class Kept:
    """Holds one keep: the log's size when it began and when it was acknowledged."""

    digest: str
    began: int
    acknowledged: int


def allowed(first: str, kept: Sequence[Kept], latest: int) -> set[str]:
    """Which settings a card may choose when the power went at this size of the log."""
    old = first
    for one in kept:
        if latest <= one.began:
            break
        if latest <= one.acknowledged:
            return {old, one.digest}
        old = one.digest
    return {old}
