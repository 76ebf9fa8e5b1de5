# SPDX-License-Identifier: GPL-3.0-or-later
"""Write to a card what its image holds, and read every block of that back."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from mmap import mmap
from pathlib import Path

from provision.card.device.block_devices import Device, find_objection
from provision.card.device.compare import GONE, compare
from provision.card.device.direct_io import DirectTarget
from provision.card.device.interrupts import Interrupted, signals_interrupt
from provision.card.device.plan import CHUNK_BYTES, Source, WritePlan, make_plan
from provision.card.device.progress_bars import Phase, ReportProgress
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


@dataclass
class _State:
    """Hold how far the work is, for the error that ends it."""

    phase: Phase = Phase.WRITE
    done: int = 0


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
    the card, zeros where the image is empty. Raise UserError if the device is refused (nothing has
    been written), if the work is interrupted, or if the card differs from the image.
    """
    if error := find_objection(device, image):
        raise error
    plan = make_plan(image, device.size if erase else 0)
    state = _State()
    with open_target(device.path) as target, Source(image) as source, signals_interrupt():
        try:
            start = time.monotonic()
            for state.done in _write(source, target, plan):
                progress(Phase.WRITE, state.done, plan.total)
            target.sync()
            written = time.monotonic()
            state.phase, state.done = Phase.READ_BACK, 0
            for state.done in compare(source, target, plan):
                progress(Phase.READ_BACK, state.done, plan.total)
        except (Interrupted, KeyboardInterrupt) as error:
            raise _unusable(device, f"{state.phase.value} was interrupted", state, plan) from error
        except OSError as error:
            raise _unusable(device, _explain(state.phase, error), state, plan) from error
    return WrittenCard(
        image.stat().st_size,
        plan.total,
        target.cache_mode,
        written - start,
        time.monotonic() - written,
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


def _unusable(device: Device, what: str, state: _State, plan: WritePlan) -> UserError:
    return UserError(
        f"{what} after {state.done >> 20} of {plan.total >> 20} MiB"
        f"{_next_piece(state, plan)}; the card in {device.path} is unusable as it is",
        hint="write it again, to the end",
    )


def _next_piece(state: _State, plan: WritePlan) -> str:
    """Say where the piece lies that was not done."""
    left = state.done
    for one in plan.extents:
        if left < one.size:
            offset = one.offset + left
            return f", at byte {offset}{plan.name(offset)}"
        left -= one.size
    return ""
