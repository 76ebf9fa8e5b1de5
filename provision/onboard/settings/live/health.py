# SPDX-License-Identifier: GPL-3.0-or-later
"""Report the health of card, memory and supply, which a push checks before it starts."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from provision.onboard.settings.live.system import System
from provision.onboard.settings.paths import Paths


def read_health(aboard: Paths, system: System) -> dict[str, object]:
    """Return the boat's health: sizes in bytes, null where the kernel gives no value.

    `undervoltage` is the firmware's latched alarm (hwmon driver rpi_volt). `ext4_errors` is the
    number of errors recorded in the super-blocks of all mounted ext4 file systems.
    """
    mounted = system.is_mounted(aboard.data)
    return {
        "data": {
            "mounted": mounted,
            "writable": mounted and _writable(aboard.data),
            "free_bytes": system.free_bytes(aboard.data) if mounted else None,
        },
        "overlay": {"free_bytes": system.free_bytes(aboard.root)},
        "memory_available_bytes": _read_memory_available(aboard),
        "ext4_errors": _count_ext4_errors(aboard),
        "undervoltage": _read_undervoltage(aboard),
    }


def _writable(folder: Path) -> bool:
    """Report whether `folder` is mounted for writing.

    The kernel remounts a file system with errors read-only.
    """
    try:
        return not os.statvfs(folder).f_flag & os.ST_RDONLY and os.access(folder, os.W_OK)
    except OSError:
        return False


def _read_number(file: Path) -> int | None:
    with contextlib.suppress(OSError, ValueError):
        return int(file.read_text(encoding="ascii"))
    return None


def _read_memory_available(aboard: Paths) -> int | None:
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in aboard.live("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return None


def _count_ext4_errors(aboard: Paths) -> int | None:
    found = [_read_number(p) for p in aboard.live("/sys/fs/ext4").glob("*/errors_count")]
    counts = [count for count in found if count is not None]
    return sum(counts) if counts else None


def _read_undervoltage(aboard: Paths) -> bool | None:
    for folder in sorted(aboard.live("/sys/class/hwmon").glob("*")):
        with contextlib.suppress(OSError):
            if (folder / "name").read_text(encoding="ascii").strip() == "rpi_volt":
                alarm = _read_number(folder / "in0_lcrit_alarm")
                return None if alarm is None else alarm != 0
    return None
