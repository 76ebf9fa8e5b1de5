# SPDX-License-Identifier: GPL-3.0-or-later
"""A computer's files, below a folder."""

from __future__ import annotations

import os
from pathlib import Path


def write(root: Path, path: str, text: str) -> None:
    """Write a file and the folders above it."""
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)


def make(root: Path) -> Path:
    """Make a computer with a hot processor, a supply alarm and a data partition. Return its root.

    The number of its data partition is that of /dev/shm, which is a file system of its own.
    """
    write(root, "proc/sys/kernel/random/boot_id", "1c4e8a52\n")
    write(root, "proc/meminfo", "MemTotal: 1000000 kB\nMemAvailable:  524288 kB\n")
    write(root, "sys/class/thermal/thermal_zone0/temp", "45600\n")
    write(root, "sys/class/thermal/thermal_zone1/temp", "51200\n")
    write(root, "sys/class/thermal/cooling_device0/type", "cpufreq-cpu0\n")
    write(root, "sys/class/thermal/cooling_device0/cur_state", "0\n")
    write(root, "sys/class/thermal/cooling_device1/type", "gpio-fan\n")
    write(root, "sys/class/thermal/cooling_device1/cur_state", "3\n")
    write(root, "sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    write(root, "sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    write(root, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
    write(root, "run/boat/fsck.log", "/dev/vda4: clean, 20/1000 files, 99/5000 blocks\n")
    (root / "data").symlink_to("/dev/shm")
    number = os.stat("/dev/shm").st_dev
    disk = root / "sys/devices/virtual/vda"
    write(disk, "stat", "1 0 8 0 3 0 1000 0 0 0 0 0 0 0 0 0 0\n")
    write(disk, "vda4/partition", "4\n")
    write(disk, "vda4/stat", "1 0 8 0 3 0 500 0 0 0 0 0 0 0 0 0 0\n")
    write(root, "sys/fs/ext4/vda4/errors_count", "0\n")
    entry = root / f"sys/dev/block/{os.major(number)}:{os.minor(number)}"
    entry.parent.mkdir(parents=True)
    entry.symlink_to(disk / "vda4")
    mount = "36 25 254:4 / /data ro,noatime shared:1 - ext4 /dev/vda4 rw,errors=remount-ro\n"
    write(root, "proc/self/mountinfo", mount)
    return root
