# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure what charts take of the card, and what they may take."""

from __future__ import annotations

import os
from dataclasses import dataclass

from provision.onboard.charts.config import ChartsConfig

#: Bytes of a block of the data partition (provision/card/layout/filesystems.py).
BLOCK_BYTES = 4096

#: Bytes of the partition that stay free while a file is copied, whatever else grows meanwhile.
MIN_FREE_BYTES = 64 * 2**20


@dataclass
class Room:
    """Holds in bytes what charts take, and may take; and their number."""

    used: int
    cap: int
    files: int


def blocks_of(size: int) -> int:
    """Return the bytes of the blocks that a file of `size` bytes takes."""
    return -(-size // BLOCK_BYTES) * BLOCK_BYTES


def measure(config: ChartsConfig) -> Room:
    """Measure the folder of charts. OSError when it cannot be read.

    A fixed rule shares the card, so that the log finds its room however late it needs it: charts
    get what the partition has beside the reserve, and never more than the cap.
    """
    used, files = _walk(config.folder)
    about = os.statvfs(config.folder)
    whole = (about.f_blocks - (about.f_bfree - about.f_bavail)) * about.f_frsize
    return Room(used, max(0, min(config.cap, whole - config.reserve)), files)


def free_bytes(folder: str) -> int:
    """Return the bytes of the partition that a file may take now."""
    about = os.statvfs(folder)
    return max(0, about.f_bavail * about.f_frsize - MIN_FREE_BYTES)


def _walk(folder: str) -> tuple[int, int]:
    """Return the bytes and the number of files below a folder. Folders take bytes, too."""
    used = files = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            used += entry.stat(follow_symlinks=False).st_blocks * 512
            if entry.is_dir(follow_symlinks=False):
                below = _walk(entry.path)
                used, files = used + below[0], files + below[1]
            else:
                files += 1
    return used, files
