# SPDX-License-Identifier: GPL-3.0-or-later
"""Write an image to a card, and read every block of it back."""

from __future__ import annotations

import errno
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from mmap import mmap
from pathlib import Path
from types import FrameType
from typing import BinaryIO

from rich.console import Console
from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)

from provision.card.device.block_devices import Device, find_objection
from provision.card.device.direct_io import DirectTarget
from provision.errors import UserError

#: Bytes written at once: several erase blocks of a usual card.
CHUNK_BYTES = 4 << 20


class Phase(Enum):
    """Name the step of the work on the card. The value is its name for people."""

    WRITE = "Writing"
    READ_BACK = "Reading back"


#: Called with the phase, the bytes done in it, and its total in bytes.
ReportProgress = Callable[[Phase, int, int], None]


@dataclass(frozen=True)
class WrittenCard:
    """Describe a card that was written and read back without a difference."""

    size: int
    """Bytes of the image. All were written and compared."""
    cache_mode: str
    """How the page cache was avoided: by O_DIRECT or its replacement."""
    write_seconds: float
    read_seconds: float


class _Interrupted(Exception):
    pass


def write_card(
    image: Path,
    device: Device,
    *,
    progress: ReportProgress = lambda phase, done, total: None,
    open_target: Callable[[Path], DirectTarget] = DirectTarget,
) -> WrittenCard:
    """Write the image, read every byte back past the page cache, and compare.

    Write holes of the image as zeros: a used card holds other data there. Raise UserError if the
    device is refused (nothing has been written), if the work is interrupted, or if the copy
    differs.
    """
    if error := find_objection(device, image):
        raise error
    total = image.stat().st_size
    with open_target(device.path) as target, image.open("rb") as source, _signals_interrupt():
        phase, done = Phase.WRITE, 0
        try:
            start = time.monotonic()
            for done in _write_chunks(source, target):
                progress(phase, done, total)
            target.sync()
            written = time.monotonic()
            phase, done = Phase.READ_BACK, 0
            source.seek(0)
            for done in _compare(source, target):
                progress(phase, done, total)
        except (_Interrupted, KeyboardInterrupt) as error:
            raise _unusable(device, f"{phase.value} was interrupted", done, total) from error
        except OSError as error:
            raise _unusable(device, _broken(phase, error), done, total) from error
    return WrittenCard(total, target.cache_mode, written - start, time.monotonic() - written)


def _read_chunks(source: BinaryIO, buffer: mmap) -> Iterator[tuple[int, int]]:
    """Fill the buffer again and again. Yield the offset and length of its content."""
    offset = 0
    while True:
        with memoryview(buffer) as view:
            length = source.readinto(view)  # type: ignore[attr-defined]
        if not length:
            return
        yield offset, length
        offset += length


def _write_chunks(source: BinaryIO, target: DirectTarget) -> Iterator[int]:
    with mmap(-1, CHUNK_BYTES) as buffer:  # whole pages, as O_DIRECT wants them
        for offset, length in _read_chunks(source, buffer):
            target.write(buffer, length, offset)
            yield offset + length


def _compare(source: BinaryIO, target: DirectTarget) -> Iterator[int]:
    with mmap(-1, CHUNK_BYTES) as wanted, mmap(-1, CHUNK_BYTES) as found:
        for offset, length in _read_chunks(source, wanted):
            got = target.read(found, length, offset)
            one, other = wanted[:length], found[:got]
            if one != other:
                first = next((at for at in range(got) if one[at] != other[at]), got)
                raise UserError(
                    f"{target.path} does not hold what was written to it: the first difference "
                    f"is at byte {offset + first}; the card is unusable",
                    hint="it may be worn, or smaller than it says it is: take another card",
                )
            yield offset + length


def _broken(phase: Phase, error: OSError) -> str:
    if error.errno in (errno.ENODEV, errno.ENXIO, errno.EIO, errno.ENOMEDIUM):
        return (
            f"{phase.value} failed ({os.strerror(error.errno)}): the card was taken out or is bad"
        )
    return f"{phase.value} failed ({os.strerror(error.errno or 0)})"


def _unusable(device: Device, what: str, done: int, total: int) -> UserError:
    return UserError(
        f"{what} after {done >> 20} of {total >> 20} MiB; the card in {device.path} is unusable "
        "as it is",
        hint="write it again, to the end",
    )


@contextmanager
def _signals_interrupt() -> Iterator[None]:
    """Turn signals that end a program into KeyboardInterrupt, for an orderly end."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise _Interrupted(signal.strsignal(number))

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread gets signals
        return
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, interrupt) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def progress_bars(console: Console) -> Iterator[ReportProgress]:
    """Show progress bars for `write_card`, with bytes, speed and the time that is left."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as shown:
        tasks = {phase: shown.add_task(phase.value, start=False, total=None) for phase in Phase}

        def report(phase: Phase, done: int, total: int) -> None:
            shown.start_task(tasks[phase])
            shown.update(tasks[phase], completed=done, total=total)

        yield report
