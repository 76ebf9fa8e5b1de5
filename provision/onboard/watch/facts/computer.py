# SPDX-License-Identifier: GPL-3.0-or-later
"""Read how the computer is from files that every user aboard may read.

What the kernel does not tell is None. Nothing here needs root, and nothing is changed.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

#: Octets of a sector in the kernel's counts of a disk (kernel, Documentation/block/stat).
SECTOR_BYTES = 512

#: Which of those counts is of sectors written, from 0 on.
WRITTEN_FIELD = 6

#: Kinds of cooling that slow the processor down (kernel, Documentation/driver-api/thermal).
SLOWING = ("cpufreq", "Processor", "cpuidle")

#: What e2fsck says of a file system that was not unmounted before.
RECOVERED = "recovering journal"


class Computer:
    """Reads the files below `root`. `supply_alarm` is a hwmon driver, or None."""

    def __init__(self, root: Path = Path("/"), supply_alarm: str | None = None) -> None:
        self._root = root
        self._data = root / "data"
        self._alarm = _find_alarm(root / "sys/class/hwmon", supply_alarm)
        self._device = _find_device(root, self._data)
        self._written: int | None = None

    def supply_is_low(self) -> bool | None:
        """Return whether the supply is or just was too low."""
        alarm = None if self._alarm is None else _read_number(self._alarm)
        return None if alarm is None else alarm != 0

    def boot(self) -> str:
        """Return the kernel's name of this start."""
        return _read_text(self._root / "proc/sys/kernel/random/boot_id").strip()

    def lost_power(self) -> bool | None:
        """Return whether this start found the data partition as a power cut leaves it."""
        said = _read_text(self._root / "run/boat/fsck.log")
        return RECOVERED in said if said.strip() else None

    def figures(self) -> dict[str, int | None]:
        """Return the figures of now, but for those of the feed and the supply."""
        celsius = _read_celsius(self._root / "sys/class/thermal")
        return {
            "celsius": celsius,
            "memory": _read_memory(self._root / "proc/meminfo"),
            "overlay": _taken(self._root),
            "data": _taken(self._data) if self._device else None,
            "errors": self._errors(),
            "readonly": self._readonly(),
            "written": self._newly_written(),
            "slowed": _read_slowed(self._root / "sys/class/thermal"),
        }

    def _errors(self) -> int | None:
        if self._device is None:
            return None
        return _read_number(self._root / "sys/fs/ext4" / self._device.name / "errors_count")

    def _readonly(self) -> int | None:
        if self._device is None:
            return None
        return int(not _takes_writes(self._root / "proc/self/mountinfo", "/data"))

    def _newly_written(self) -> int | None:
        """Return the KiB written to the card since the last call. None at the first one."""
        if self._device is None:
            return None
        whole = self._device.parent if (self._device / "partition").exists() else self._device
        fields = _read_text(whole / "stat").split()
        if len(fields) <= WRITTEN_FIELD or not fields[WRITTEN_FIELD].isdecimal():
            return None
        before, self._written = self._written, int(fields[WRITTEN_FIELD])
        return None if before is None else max(self._written - before, 0) * SECTOR_BYTES // 1024


def _read_text(file: Path) -> str:
    with suppress(OSError), open(file, "rb") as stream:
        return stream.read(65536).decode(errors="replace")
    return ""


def _read_number(file: Path) -> int | None:
    with suppress(ValueError):
        return int(_read_text(file))
    return None


def _find_alarm(folder: Path, driver: str | None) -> Path | None:
    for chip in sorted(folder.glob("*")) if driver else ():
        if _read_text(chip / "name").strip() == driver:
            return chip / "in0_lcrit_alarm"
    return None


def _find_device(root: Path, data: Path) -> Path | None:
    """Return the folder in sysfs of the device that the data partition is on."""
    with suppress(OSError):
        number = os.stat(data).st_dev
        # A folder on the same file system as its parent is no mounted partition.
        if number != os.stat(data.parent).st_dev:
            entry = root / f"sys/dev/block/{os.major(number)}:{os.minor(number)}"
            return entry.resolve() if entry.exists() else None
    return None


def _taken(folder: Path) -> int | None:
    """Return the percentage of a file system that is taken."""
    with suppress(OSError):
        found = os.statvfs(folder)
        if found.f_blocks:
            return round(100 * (found.f_blocks - found.f_bavail) / found.f_blocks)
    return None


def _takes_writes(mounts: Path, point: str) -> bool:
    """Return whether the file system at a mount point takes writes (proc(5), mountinfo).

    Its own options stand last. Those of the mount say nothing: this service's is read-only.
    """
    takes = False
    for line in _read_text(mounts).splitlines():
        mount, _, system = line.partition(" - ")
        before, after = mount.split(), system.split()
        if len(before) > 4 and len(after) > 2 and before[4] == point:
            takes = "rw" in after[2].split(",")
    return takes


def _read_memory(file: Path) -> int | None:
    for line in _read_text(file).splitlines():
        parts = line.split()
        if parts[:1] == ["MemAvailable:"] and len(parts) > 1 and parts[1].isdecimal():
            return int(parts[1]) // 1024
    return None


def _read_celsius(folder: Path) -> int | None:
    """Return the hottest thermal zone. The kernel gives thousandths of a degree."""
    found = [_read_number(zone / "temp") for zone in folder.glob("thermal_zone*")]
    return max((round(number / 1000) for number in found if number is not None), default=None)


def _read_slowed(folder: Path) -> int | None:
    """Return 1 if the processor is slowed down by heat. None if nothing can slow it down."""
    states = [
        _read_number(device / "cur_state")
        for device in folder.glob("cooling_device*")
        if _read_text(device / "type").startswith(SLOWING)
    ]
    known = [state for state in states if state is not None]
    return int(any(known)) if known else None
