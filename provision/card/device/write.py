# SPDX-License-Identifier: GPL-3.0-or-later
"""Write to a card what its image holds, and read every block of that back."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from mmap import mmap
from pathlib import Path

from provision.card.device.block_devices import Device, changed, find_objection
from provision.card.device.compare import GONE, compare
from provision.card.device.direct_io import DirectTarget
from provision.card.device.interrupts import Interrupted, signals_interrupt
from provision.card.device.plan import CHUNK_BYTES, Source, WritePlan, make_plan
from provision.card.device.progress_bars import Phase, ReportProgress
from provision.card.device.size_marks import SizeMarks
from provision.errors import UserError


@dataclass(frozen=True)
class WrittenCard:
    """Describe a card that was written and read back without a difference."""

    size: int
    """Bytes of the image."""
    written: int
    """Bytes that were written and compared. What no file system of the image uses was left out."""
    cache_mode: str
    """How the page cache was avoided: by O_DIRECT or its replacement."""
    write_seconds: float
    read_seconds: float


def write_card(
    image: Path,
    device: Device,
    *,
    erase: bool = False,
    progress: ReportProgress = lambda phase, done, total: None,
    open_target: Callable[[Path], DirectTarget] = DirectTarget,
) -> WrittenCard:
    """Write what the image's file systems use, read it back past the page cache, and compare.

    Write what must be zero as zeros: a used card holds other data there. With `erase`, write all of
    the card, zeros where the image is empty. Before anything else, test the size of a card. Raise
    UserError if the device is refused (nothing has been written), if the work is interrupted, or if
    the card differs from the image or is smaller than it says.
    """
    if error := find_objection(device, image):
        raise error
    plan = make_plan(image, device.size if erase else 0)
    with open_target(device.path) as target, Source(image) as source, signals_interrupt():
        if target.size != device.size:
            raise changed(device)
        work = _Work(device, source, target, plan, progress)
        try:
            return work.run()
        except (Interrupted, KeyboardInterrupt) as error:
            raise work.unusable(f"{work.phase.value} was interrupted") from error
        except OSError as error:
            raise work.unusable(_explain(work.phase, error)) from error


@dataclass
class _Work:
    """Write one card. Hold how far the work is, for the error that ends it."""

    device: Device
    source: Source
    target: DirectTarget
    plan: WritePlan
    progress: ReportProgress
    phase: Phase = Phase.WRITE
    done: int = 0
    total: int = 0

    def run(self) -> WrittenCard:
        """Test, write, and compare."""
        # A file is as large as it says, and keeps what lies behind the image.
        marks = SizeMarks(self.device.size) if self.device.kind != "file" else None
        if marks:
            tested = chain(marks.write(self.target), marks.check(self.target))
            self._follow(Phase.TEST_SIZE, tested, marks.total)
        start = time.monotonic()
        self._follow(Phase.WRITE, _write(self.source, self.target, self.plan), self.plan.total)
        self.target.sync()
        written = time.monotonic()
        compared = compare(self.source, self.target, self.plan)
        self._follow(Phase.READ_BACK, compared, self.plan.total)
        end = time.monotonic()
        if marks:
            for _ in marks.check(self.target, self.plan.extents):
                pass
        mode = self.target.cache_mode
        total = self.plan.total
        return WrittenCard(self.source.size, total, mode, written - start, end - written)

    def _follow(self, phase: Phase, steps: Iterator[int], total: int) -> None:
        """Take the steps of a phase, and report how far it is."""
        self.phase, self.done, self.total = phase, 0, total
        for self.done in steps:
            self.progress(phase, self.done, total)

    def unusable(self, what: str) -> UserError:
        """Return the error that ends the work. The card is half written."""
        where = "" if self.phase is Phase.TEST_SIZE else self.plan.locate(self.done)
        return UserError(
            f"{what} after {self.done >> 20} of {self.total >> 20} MiB{where}; "
            f"the card in {self.device.path} is unusable as it is",
            hint="write it again, to the end",
        )


def _write(source: Source, target: DirectTarget, plan: WritePlan) -> Iterator[int]:
    """Write all that is planned. Yield the bytes done."""
    done = 0
    with mmap(-1, CHUNK_BYTES) as buffer:  # whole pages, as O_DIRECT wants them
        for piece in plan.split():
            source.fill(buffer, piece)
            target.write(buffer, piece.size, piece.offset)
            done += piece.size
            yield done


def _explain(phase: Phase, error: OSError) -> str:
    reason = f"{phase.value} failed ({os.strerror(error.errno or 0)})"
    if error.errno in (*GONE, errno.EIO):
        return f"{reason}: the card was taken out or is bad"
    return reason
