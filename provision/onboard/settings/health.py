# SPDX-License-Identifier: GPL-3.0-or-later
"""Report the health of card, memory and supply, which a push checks before it starts."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from provision.onboard.settings.paths import Places
from provision.onboard.settings.system import System


def health(places: Places, system: System) -> dict[str, object]:
    """Return the boat's health: sizes in bytes, null where the kernel gives no value.

    `undervoltage` is the firmware's latched alarm (hwmon driver rpi_volt). `ext4_errors` is the
    number of errors recorded in the super-blocks of all mounted ext4 file systems.
    """
    mounted = system.is_mounted(places.data)
    return {
        "data": {
            "mounted": mounted,
            "writable": mounted and _writable(places.data),
            "free_bytes": system.free_bytes(places.data) if mounted else None,
        },
        "overlay": {"free_bytes": system.free_bytes(places.root)},
        "memory_available_bytes": _memory_available(places),
        "ext4_errors": _ext4_errors(places),
        "undervoltage": _undervoltage(places),
    }


def _writable(folder: Path) -> bool:
    """Report whether `folder` is mounted for writing.

    The kernel remounts a file system with errors read-only.
    """
    try:
        return not os.statvfs(folder).f_flag & os.ST_RDONLY and os.access(folder, os.W_OK)
    except OSError:
        return False


def _number(place: Path) -> int | None:
    with contextlib.suppress(OSError, ValueError):
        return int(place.read_text(encoding="ascii"))
    return None


def _memory_available(places: Places) -> int | None:
    with contextlib.suppress(OSError, ValueError, IndexError):
        for line in places.live("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return None


def _ext4_errors(places: Places) -> int | None:
    found = [_number(p) for p in places.live("/sys/fs/ext4").glob("*/errors_count")]
    counts = [count for count in found if count is not None]
    return sum(counts) if counts else None


def _undervoltage(places: Places) -> bool | None:
    for folder in sorted(places.live("/sys/class/hwmon").glob("*")):
        with contextlib.suppress(OSError):
            if (folder / "name").read_text(encoding="ascii").strip() == "rpi_volt":
                alarm = _number(folder / "in0_lcrit_alarm")
                return None if alarm is None else alarm != 0
    return None
