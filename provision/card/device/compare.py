# SPDX-License-Identifier: GPL-3.0-or-later
"""Read back what was written to a card, and name every block that is bad."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from mmap import mmap

from provision.card.device.direct_io import DirectTarget
from provision.card.device.plan import CHUNK_BYTES, Source, WritePlan
from provision.card.layout.extents import BLOCK_BYTES, Extent
from provision.errors import UserError

#: Errors of a device that is there no longer: no other block can be read either.
GONE = (errno.ENODEV, errno.ENXIO, errno.ENOMEDIUM)
#: Bytes read at once where a whole piece cannot be read. A bad card takes seconds for each.
RETRY_BYTES = 64 << 10
#: Runs of bad blocks that are named, and bad bytes after which the rest is not looked at.
MAX_BAD_RUNS, MAX_BAD_BYTES = 8, 16 << 20


class _BadBlocks:
    """Collect bad blocks in the order in which they lie on the card."""

    def __init__(self, plan: WritePlan) -> None:
        self._plan = plan
        self._runs: list[Extent] = []
        self.first = -1
        """Offset of the first byte that differs, or that cannot be read. -1 if there is none."""

    def add(self, block: Extent, first: int) -> None:
        """Add a bad block whose first bad byte is at the offset `first`."""
        if not self._runs:
            self.first = first
        if self._runs and self._runs[-1].end == block.offset:
            start = self._runs.pop().offset
            block = Extent(start, block.end - start)
        self._runs.append(block)

    @property
    def is_enough(self) -> bool:
        """Tell if there are so many bad blocks that further ones need no looking for."""
        bad = sum(one.size for one in self._runs)
        return len(self._runs) > MAX_BAD_RUNS or bad > MAX_BAD_BYTES

    def __str__(self) -> str:
        named = [
            f"bytes {one.offset} to {one.end - 1}{self._plan.name(one.offset)}"
            for one in self._runs[:MAX_BAD_RUNS]
        ]
        return "; ".join(named) + ("; and more, perhaps" if self.is_enough else "")


def compare(source: Source, target: DirectTarget, plan: WritePlan) -> Iterator[int]:
    """Compare the card with the image. Yield the bytes done.

    Raise UserError that names the bad blocks. Raise OSError if the card is there no longer.
    """
    bad = _BadBlocks(plan)
    done = 0
    with mmap(-1, CHUNK_BYTES) as wanted, mmap(-1, CHUNK_BYTES) as found:
        for piece in plan.split():
            source.fill(wanted, piece)
            _compare_piece(target, piece, wanted, found, bad)
            if bad.is_enough:
                break
            done += piece.size
            yield done
    if bad.first >= 0:
        raise UserError(
            f"{target.path} does not hold what was written to it: the first difference is at byte "
            f"{bad.first}; bad are {bad}; the card is unusable",
            hint="it may be worn, or smaller than it says it is: take another card",
        )


def _compare_piece(
    target: DirectTarget, piece: Extent, wanted: mmap, found: mmap, bad: _BadBlocks
) -> None:
    """Compare a piece. Read it in small steps if the card cannot read it as a whole."""
    try:
        got = target.read(found, piece.size, piece.offset)
    except OSError:
        _compare_steps(target, piece, wanted, bad)
        return
    if got < piece.size or wanted[: piece.size] != found[: piece.size]:
        _add_differences(piece, wanted[: piece.size], found[:got], bad)


def _compare_steps(target: DirectTarget, piece: Extent, wanted: mmap, bad: _BadBlocks) -> None:
    with mmap(-1, RETRY_BYTES) as found:
        for at in range(0, piece.size, RETRY_BYTES):
            step = Extent(piece.offset + at, min(RETRY_BYTES, piece.size - at))
            try:
                got = target.read(found, step.size, step.offset)
            except OSError as error:
                if error.errno in GONE:
                    raise
                bad.add(step, step.offset)
            else:
                _add_differences(step, wanted[at : at + step.size], found[:got], bad)
            if bad.is_enough:
                return


def _add_differences(piece: Extent, wanted: bytes, found: bytes, bad: _BadBlocks) -> None:
    for at in range(0, piece.size, BLOCK_BYTES):
        one, other = wanted[at : at + BLOCK_BYTES], found[at : at + BLOCK_BYTES]
        if one != other:
            first = next(
                (n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), len(other)
            )
            bad.add(Extent(piece.offset + at, len(one)), piece.offset + at + first)
