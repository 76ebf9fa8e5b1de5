# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold runs of bytes of an image that a card must hold, and find them in its file systems.

A file system says itself which of its blocks are in use. The holes of an image's file say nothing:
a copy of the file has others.
"""

from __future__ import annotations

import re
import struct
import sys
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby, islice
from pathlib import Path

from provision.commands import run

#: Every extent starts and ends at a multiple of this many bytes, as O_DIRECT wants it.
BLOCK_BYTES = 4096
#: Gaps up to this size are written with the extents around them: a card takes large pieces faster.
MAX_GAP_BYTES = 64 << 10
#: Bytes at the start of an empty partition that are written as zeros, so that no file system of
#: before is found there. The last label that blkid looks for at a start lies at 256 KiB (from
#: memory).
SIGNATURE_BYTES = 1 << 20

#: Fields of a FAT32 boot sector (Microsoft's FAT specification, from memory): bytes in a sector at
#: offset 11, sectors in a cluster, reserved sectors, FATs; sectors in a FAT at offset 36.
_FAT_START = struct.Struct("<11xHBHB19xI")
#: The first cluster of the data has the number 2.
_FIRST_CLUSTER = 2
#: The upper four bits of an entry are no part of it.
_FAT32_MASK = 0x0FFFFFFF


@dataclass(frozen=True, order=True)
class Extent:
    """Describe a run of bytes of an image. Offset and size are in bytes."""

    offset: int
    size: int

    @property
    def end(self) -> int:
        """Return the offset of the first byte behind it."""
        return self.offset + self.size

    def moved(self, distance: int) -> Extent:
        """Return the same extent, that many bytes further back."""
        return Extent(self.offset + distance, self.size)


def merge(extents: Iterable[Extent]) -> tuple[Extent, ...]:
    """Round extents up to whole blocks, sort them, and join those with a small gap between."""
    found: list[Extent] = []
    for one in sorted(extents):
        start, end = one.offset - one.offset % BLOCK_BYTES, -(-one.end // BLOCK_BYTES) * BLOCK_BYTES
        if found and start <= found[-1].end + MAX_GAP_BYTES:
            start, end = found[-1].offset, max(end, found.pop().end)
        found.append(Extent(start, end - start))
    return tuple(found)


def find_fat_extents(image: Path, offset: int) -> list[Extent]:
    """Return what a FAT32 file system at `offset` of an image uses: its tables, and its clusters.

    A cluster is in use if its entry in the first FAT is not zero.
    """
    with image.open("rb") as file:
        file.seek(offset)
        sector, per_cluster, reserved, fats, fat_sectors = _FAT_START.unpack(
            file.read(_FAT_START.size)
        )
        file.seek(offset + reserved * sector)
        entries = array("I", file.read(fat_sectors * sector))
    if sys.byteorder == "big":
        entries.byteswap()
    tables = (reserved + fats * fat_sectors) * sector
    cluster = sector * per_cluster
    start = offset + tables - _FIRST_CLUSTER * cluster
    used = _find_runs(entry & _FAT32_MASK != 0 for entry in entries)
    return [
        Extent(offset, tables),
        *(Extent(start + first * cluster, count * cluster) for first, count in used),
    ]


def _find_runs(used: Iterable[bool]) -> Iterator[tuple[int, int]]:
    """Yield the first number and the length of each run of clusters that are in use."""
    number = _FIRST_CLUSTER
    for is_used, group in groupby(islice(used, _FIRST_CLUSTER, None)):
        count = sum(1 for _ in group)
        if is_used:
            yield number, count
        number += count


def find_ext4_extents(image: Path) -> list[Extent]:
    """Return what an ext4 file system that fills the file `image` uses.

    It is all that dumpe2fs does not list as free: also the whole journal, all inode tables and
    the blocks that are reserved for growing. dumpe2fs itself works out the bitmaps that are not
    initialised on the disk. Raise ValueError if its list does not agree with its own sum.
    """
    text = run("dumpe2fs", image, env={"LC_ALL": "C"}).stdout
    count, size, free = (
        int(_first_number(text, name)) for name in ("Block count", "Block size", "Free blocks")
    )
    found, position, total = [], 0, 0
    for first, last in sorted(_list_free(text)):
        found.append(Extent(position * size, (first - position) * size))
        position = last + 1
        total += position - first
    found.append(Extent(position * size, (count - position) * size))
    if total != free:
        raise ValueError(f"dumpe2fs lists {total} free blocks, and says that there are {free}")
    return [one for one in found if one.size]


def _first_number(text: str, name: str) -> str:
    match = re.search(rf"^{name}:\s+(\d+)$", text, re.MULTILINE)
    if match is None:
        raise ValueError(f"dumpe2fs does not say {name}")
    return match[1]


def _list_free(text: str) -> Iterator[tuple[int, int]]:
    """Yield the first and last block of each run that a group's line lists as free."""
    for line in re.findall(r"^  Free blocks: (.*)$", text, re.MULTILINE):
        for words in filter(None, line.split(", ")):
            first, _, last = words.partition("-")
            yield int(first), int(last or first)
