# SPDX-License-Identifier: GPL-3.0-or-later
"""Find out whether a card has the size that it says, by marks all over it.

A counterfeit card says 64 GB and holds 8. Some begin again from the start behind their real end,
others lose what is written there. Each mark differs from all others and says its own place: a
place that does not give its own mark back has none, or shares its memory with another place.

The near marks lie close together at the start, the far ones from there to the end of the card, each
as far from the next as all near ones reach. So of a card that begins again at any multiple of the
near marks' distance, a far mark falls onto a near one. Of a card that begins again anywhere else, a
far mark falls into the image, if a run of the image is as long as that: `check` again, after the
image was written.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Iterable, Iterator
from mmap import mmap

from provision.card.device.compare import GONE
from provision.card.device.direct_io import DirectTarget
from provision.card.layout.extents import BLOCK_BYTES, Extent
from provision.errors import UserError

#: How many near marks there are.
NEAR_MARKS = 128
#: How far the near marks reach at least, and so the smallest distance of the far marks.
MIN_STEP_BYTES = 128 << 20
#: The largest number of far marks: a slow card takes a hundredth of a second for each.
MAX_FAR_MARKS = 1024

_MAGIC = b"cardmark"
_NONCE_BYTES, _OFFSET_BYTES = 16, 8


def choose_offsets(size: int) -> list[int]:
    """Return where the marks of a card of `size` bytes lie, in order. Its last block has one."""
    last = size // BLOCK_BYTES * BLOCK_BYTES - BLOCK_BYTES
    distance = max(MIN_STEP_BYTES, -(-size // MAX_FAR_MARKS)) // NEAR_MARKS
    near = -(-distance // BLOCK_BYTES) * BLOCK_BYTES
    far = near * NEAR_MARKS
    return sorted(
        offset for offset in {*range(0, far, near), *range(far, last, far), last} if offset <= last
    )


class SizeMarks:
    """Hold the marks of one card. No earlier card's marks look the same."""

    def __init__(self, size: int) -> None:
        """Choose the marks of a card of `size` bytes."""
        self._size = size
        self._start = _MAGIC + secrets.token_bytes(_NONCE_BYTES)
        self._offsets = choose_offsets(size)

    @property
    def total(self) -> int:
        """Return the bytes that are written and read until they are checked once."""
        return 2 * BLOCK_BYTES * len(self._offsets)

    def write(self, target: DirectTarget) -> Iterator[int]:
        """Write all marks. Yield the bytes done. Raise UserError at a place that takes none."""
        with mmap(-1, BLOCK_BYTES) as buffer:
            for number, offset in enumerate(self._offsets, 1):
                buffer[:] = self._mark(offset)
                try:
                    target.write(buffer, BLOCK_BYTES, offset)
                except OSError as error:
                    if error.errno in GONE or not offset:
                        raise
                    raise _lying(target, self._size, offset) from error
                yield number * BLOCK_BYTES
        target.sync()

    def check(self, target: DirectTarget, written: Iterable[Extent] = ()) -> Iterator[int]:
        """Read all marks back that are not within `written` extents. Yield the bytes done.

        Raise UserError if one is not in its place.
        """
        extents = tuple(written)
        done = self.total // 2
        lost: list[int] = []
        shared = 0
        with mmap(-1, BLOCK_BYTES) as buffer:
            for offset in self._offsets:
                done += BLOCK_BYTES
                if any(one.offset <= offset < one.end for one in extents):
                    continue
                found = self._read(target, buffer, offset)
                if found != offset:
                    lost.append(offset)
                    shared = math.gcd(shared, abs(found - offset) if found is not None else 0)
                yield done
        if lost:
            raise _lying(target, self._size, shared or lost[0])

    def _mark(self, offset: int) -> bytes:
        once = self._start + offset.to_bytes(_OFFSET_BYTES, "big")
        return once * (BLOCK_BYTES // len(once))

    def _read(self, target: DirectTarget, buffer: mmap, offset: int) -> int | None:
        """Return the place that the mark at this offset says, or None if there is no mark."""
        try:
            got = target.read(buffer, BLOCK_BYTES, offset)
        except OSError as error:
            if error.errno in GONE:
                raise
            return None
        start = len(self._start)
        said = int.from_bytes(buffer[start : start + _OFFSET_BYTES], "big")
        return said if got == BLOCK_BYTES and buffer[:] == self._mark(said) else None


def _lying(target: DirectTarget, size: int, real: int) -> UserError:
    if not real:
        return UserError(
            f"{target.path} does not keep what is written to it; the card is unusable",
            hint="it may be worn out: take another card",
        )
    return UserError(
        f"{target.path} says that it holds {size / 1e9:.1f} GB, and holds some {real / 1e9:.1f} GB "
        "at most: what is written behind that is lost; the card is unusable",
        hint="it is counterfeit or worn: give it back, and take another card",
    )
