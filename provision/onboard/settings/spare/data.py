# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a spare's data partition: a new file system with the files of the boat's own."""

from __future__ import annotations

import os
from pathlib import Path

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System
from provision.onboard.settings.spare.table import Plan

BLOCK_BYTES = 4096
#: Bytes beside the files: journal, inodes, and room to keep settings.
SPACE_BYTES = 96 * 2**20
#: Seconds for writing the files of a full card to a slow stick.
TIMEOUT_S = 6 * 3600.0
#: How often the files are copied: the feed may remove its oldest log meanwhile.
TRIES = 3


def needed_bytes(data: Path) -> int:
    """Return how much room the files of the data partition need on a spare."""
    blocks = 0
    for folder, _, names in os.walk(data):
        for name in names:
            size = os.lstat(os.path.join(folder, name)).st_size
            blocks += -(-size // BLOCK_BYTES)
    return blocks * BLOCK_BYTES + SPACE_BYTES


def make_data(system: System, data: Path, target: Path, plan: Plan) -> None:
    """Make the file system, and copy all files with their owners, modes and times."""
    command = [
        *("mke2fs", "-q", "-F", "-t", "ext4", "-T", "default", "-b", str(BLOCK_BYTES), "-m", "1"),
        *("-L", "data", "-E", f"offset={plan.data_offset},nodiscard,root_owner=0:0"),
        *("-d", str(data), str(target), str(plan.data_size // BLOCK_BYTES)),
    ]
    for left in reversed(range(TRIES)):
        try:
            system.run(*command, timeout=TIMEOUT_S)
            break
        except SettingsError:
            if not left:
                raise


def check_data(system: System, target: Path, plan: Plan, digest: str) -> None:
    """Read the file system back: it is whole, and holds the kept settings."""
    image = f"{target}?offset={plan.data_offset}"
    with target.open("rb") as stream:
        os.fsync(stream.fileno())
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    system.run("e2fsck", "-f", "-n", image, timeout=TIMEOUT_S)
    kept = system.run("debugfs", "-R", "cat /settings/kept", image)
    if kept.split(" ")[0] != digest:
        message = f"{target} holds other settings than the boat has kept"
        raise SettingsError("device", message, hint="begin again", status=Exit.REFUSED)
