# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the computer's health from files that every user aboard may read.

A figure that the kernel does not give is None. Nothing here needs root, and nothing is changed.
"""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Health:
    """Holds the computer's health: sizes in bytes, the temperature in degrees Celsius."""

    undervoltage: bool | None = None
    """The firmware's latched alarm (hwmon driver rpi_volt)."""
    celsius: float | None = None
    memory_available: int | None = None
    card_writable: bool | None = None
    card_free: int | None = None
    card_errors: int | None = None
    on_trial: bool = False
    degraded: bool | None = None
    reason: str = ""
    """Why these settings were chosen at the start."""


def read_health(root: Path = Path("/")) -> Health:
    """Return the health of the computer whose files are below `root`."""
    choice = _read_choice(root / "run/boat/settings.json")
    free = _read_card(root / "data")
    writable = free is not None and _takes_writes(root / "proc/self/mountinfo", "/data")
    degraded = choice.get("degraded")
    return Health(
        undervoltage=_read_undervoltage(root / "sys/class/hwmon"),
        celsius=_read_celsius(root / "sys/class/thermal"),
        memory_available=_read_memory(root / "proc/meminfo"),
        card_writable=writable if (root / "data").is_dir() else None,
        card_free=free,
        card_errors=_sum_errors(root / "sys/fs/ext4"),
        on_trial=(root / "run/boat/trial.json").exists(),
        degraded=degraded if isinstance(degraded, bool) else None,
        reason=str(choice.get("reason", "")),
    )


def _read_choice(file: Path) -> dict[str, object]:
    with suppress(OSError, ValueError):
        found = json.loads(file.read_bytes()[:65536])
        if isinstance(found, dict):
            return found
    return {}


def _read_number(file: Path) -> int | None:
    with suppress(OSError, ValueError):
        return int(file.read_text(encoding="ascii"))
    return None


def _read_undervoltage(folder: Path) -> bool | None:
    for chip in sorted(folder.glob("*")):
        with suppress(OSError):
            if (chip / "name").read_text(encoding="ascii").strip() == "rpi_volt":
                alarm = _read_number(chip / "in0_lcrit_alarm")
                return None if alarm is None else alarm != 0
    return None


def _read_celsius(folder: Path) -> float | None:
    """Return the hottest thermal zone. The kernel gives thousandths of a degree."""
    found = [_read_number(zone / "temp") for zone in sorted(folder.glob("thermal_zone*"))]
    return max((number / 1000 for number in found if number is not None), default=None)


def _read_memory(file: Path) -> int | None:
    with suppress(OSError, ValueError, IndexError):
        for line in file.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return None


def _read_card(folder: Path) -> int | None:
    """Return the free bytes of the data partition. None when it is not mounted."""
    try:
        # A folder on the same file system as its parent is no mounted partition.
        if os.stat(folder).st_dev == os.stat(folder.parent).st_dev:
            return None
        found = os.statvfs(folder)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize


def _takes_writes(mounts: Path, point: str) -> bool:
    """Return whether the file system at a mount point takes writes (proc(5), mountinfo).

    Its own options stand last. Those of the mount say nothing: this service's is read-only.
    """
    takes = False
    with suppress(OSError, ValueError, IndexError):
        for line in mounts.read_text(encoding="utf-8", errors="replace").splitlines():
            mount, _, system = line.partition(" - ")
            if mount.split()[4] == point:
                takes = "rw" in system.split()[2].split(",")
    return takes


def _sum_errors(folder: Path) -> int | None:
    found = [_read_number(file) for file in folder.glob("*/errors_count")]
    counts = [count for count in found if count is not None]
    return sum(counts) if counts else None
