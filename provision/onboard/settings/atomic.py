# SPDX-License-Identifier: GPL-3.0-or-later
"""Replace a file in one step, in RAM or on the card, so that no reader finds half of it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

#: Ending of a file that is being written. A file that still has it was never finished.
UNFINISHED = ".new"


def write_all(descriptor: int, content: bytes) -> None:
    """Write all of `content`, however many calls that takes."""
    view = memoryview(content)
    while view:
        view = view[os.write(descriptor, view) :]


def write_state(file: Path, content: bytes, mode: int = 0o600) -> None:
    """Replace a file in RAM in one step."""
    file.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
    temporary = file.with_name(f".{file.name}.new")
    with contextlib.suppress(FileNotFoundError):
        os.unlink(temporary)
    write_new(temporary, content, mode)
    os.replace(temporary, file)


def write_new(file: Path, content: bytes, mode: int, *, sync: bool = False) -> None:
    """Write a file that is not there yet. Its content reaches the card first if `sync` is set."""
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    try:
        write_all(descriptor, content)
        os.fchmod(descriptor, mode)
        if sync:
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_durably(file: Path, data: bytes) -> None:
    """Replace `file` in one step: after a power cut it holds all of the old or all of the new."""
    temporary = file.with_name(f".{file.name}{UNFINISHED}")
    try:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
        write_new(temporary, data, 0o600, sync=True)
        os.replace(temporary, file)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    sync_folder(file.parent)


def sync_folder(folder: Path) -> None:
    """Sync the names in `folder` to the card."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_file(file: Path) -> None:
    """Sync a file and its name to the card."""
    descriptor = os.open(file, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    sync_folder(file.parent)
