# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide which bytes of a card are written, and read them from the image."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from mmap import mmap
from pathlib import Path
from types import TracebackType
from typing import Self

from provision.card.layout.digests import (
    MAGIC,
    RECORD_OFFSET,
    RECORD_PART,
    RECORD_SIZE,
    read_record,
)
from provision.card.layout.extents import Extent, merge
from provision.errors import Location, UserError

#: Bytes written at once: several erase blocks of a usual card. Pieces end at its multiples.
CHUNK_BYTES = 4 << 20


@dataclass(frozen=True)
class WritePlan:
    """Hold what is written to a card, and what its parts are called."""

    extents: tuple[Extent, ...]
    parts: Mapping[str, Extent]
    """Each part of the image by its name. Empty for an image that has no record of digests."""

    @property
    def total(self) -> int:
        """Return how many bytes are written."""
        return sum(one.size for one in self.extents)

    def split(self) -> Iterator[Extent]:
        """Yield the pieces that are written at once, in order."""
        for one in self.extents:
            start = one.offset
            while start < one.end:
                end = min(one.end, start - start % CHUNK_BYTES + CHUNK_BYTES)
                yield Extent(start, end - start)
                start = end

    def name(self, offset: int) -> str:
        """Return `, in partition base-a` for a byte of that part, or nothing if none is known."""
        for name, part in self.parts.items():
            if part.offset <= offset < part.end:
                return f", in {name}"
        return ""

    def locate(self, done: int) -> str:
        """Return `, at byte 4194304, in ...` for the byte that comes after so many bytes done."""
        for one in self.extents:
            if done < one.size:
                return f", at byte {one.offset + done}{self.name(one.offset + done)}"
            done -= one.size
        return ""


def make_plan(image: Path, erase_to: int = 0) -> WritePlan:
    """Plan to write what the image's record of digests names, or all of an image without one.

    With `erase_to`, a number of bytes, plan to write all up to there: zeros where the image is
    empty, and behind it. Raise UserError if the record is damaged.
    """
    size = image.stat().st_size
    record = read_record(image, expected=False) if _has_record(image) else None
    if record is None:
        return WritePlan((Extent(0, max(size, erase_to)),), {})
    own = Extent(RECORD_OFFSET, RECORD_SIZE)
    parts = {name: part.whole for name, part in record.parts.items()} | {RECORD_PART: own}
    if erase_to:
        return WritePlan((Extent(0, max(size, erase_to)),), parts)
    used = [one for part in record.parts.values() for one in part.used]
    return WritePlan(merge([*used, own]), parts)


def _has_record(image: Path) -> bool:
    with image.open("rb") as file:
        file.seek(RECORD_OFFSET)
        return file.read(len(MAGIC)) == MAGIC


class Source:
    """Open an image, to read pieces of it."""

    def __init__(self, image: Path) -> None:
        """Raise OSError if it cannot be opened."""
        self._image = image
        self._fd = os.open(image, os.O_RDONLY | os.O_CLOEXEC)
        self.size = os.fstat(self._fd).st_size
        """Bytes of the image."""

    def fill(self, buffer: mmap, piece: Extent) -> None:
        """Read a piece into the start of the buffer. Behind the image's end there are zeros.

        Raise UserError if the image has become shorter than it was.
        """
        done, wanted = 0, max(0, min(piece.size, self.size - piece.offset))
        with memoryview(buffer) as view:
            while done < wanted:
                with view[done:wanted] as rest:
                    got = os.preadv(self._fd, [rest], piece.offset + done)
                if not got:
                    raise UserError(
                        "the image became shorter while it was written",
                        location=Location(self._image),
                        hint="build it again: provision card BOAT -o FILE",
                    )
                done += got
            view[wanted : piece.size] = bytes(piece.size - wanted)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._fd)
