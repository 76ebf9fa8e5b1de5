# SPDX-License-Identifier: GPL-3.0-or-later
"""Mount a stick so that nothing on it counts but the content of files. Runs as root, for moments.

The type of file system and the options are ours. What the stick itself asks for does not count.
"""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

#: Where sticks are mounted.
POINTS = Path("/run/boat-stick")

#: Options of every stick.
_ALWAYS = "ro,nosuid,nodev,noexec"

#: Options by type of file system: the kernel's documentation of ext4 and vfat. ext4 must neither
#: replay a journal, which writes, nor do what the stick's own superblock says about errors: that
#: may be to stop the computer.
OPTIONS = {
    "vfat": f"{_ALWAYS},utf8,errors=continue,fmask=0133,dmask=0022",
    "exfat": f"{_ALWAYS},iocharset=utf8,errors=continue,fmask=0133,dmask=0022",
    "ext4": f"{_ALWAYS},noload,errors=continue",
}

#: A partition of a disk of the kernel's SCSI layer, as USB sticks are, or such a disk itself.
_NAME = re.compile(r"sd[a-z]{1,3}[0-9]{0,3}")

#: Seconds for asking what is on a stick, and for mounting it.
ASK_TIMEOUT_S, MOUNT_TIMEOUT_S = 20, 60


class NotMounted(Exception):
    """Says why a stick is not mounted."""


def check(name: str, root: Path = Path("/")) -> None:
    """Raise NotMounted unless `name` is on a USB disk that the boat has not started from."""
    if not _NAME.fullmatch(name):
        raise NotMounted(f"{name!r} is no partition of a USB disk")
    device = (root / "sys/class/block" / name).resolve()
    if not any(re.fullmatch(r"usb[0-9]+", part) for part in device.parts):
        raise NotMounted(f"{name} is not behind USB")
    disk = device.parent if (device / "partition").exists() else device
    mounts = (root / "proc/self/mountinfo").read_text(encoding="utf-8", errors="replace")
    fields = (line.split() for line in mounts.splitlines())
    # Another partition of the same stick may be mounted.
    numbers = {one[2] for one in fields if len(one) > 4 and not one[4].startswith(str(POINTS))}
    for file in (disk / "dev", *disk.glob("*/dev")):
        if file.exists() and file.read_text(encoding="ascii").strip() in numbers:
            raise NotMounted(f"{name} is on a disk that is in use")


def mount(name: str) -> None:
    """Mount a stick's file system read-only below `POINTS`. Raise NotMounted when that fails."""
    check(name)
    kind = _ask_kind(f"/dev/{name}")
    if kind not in OPTIONS:
        raise NotMounted(f"{name} has no file system of {', '.join(OPTIONS)}")
    point = POINTS / name
    point.mkdir(mode=0o755, parents=True, exist_ok=True)
    command = ["mount", "-t", kind, "-o", OPTIONS[kind], f"/dev/{name}", str(point)]
    _run(command, MOUNT_TIMEOUT_S)


def unmount(name: str) -> None:
    """Unmount a stick, also one that was pulled out."""
    if not _NAME.fullmatch(name):
        raise NotMounted(f"{name!r} is no partition of a USB disk")
    point = POINTS / name
    if os.path.ismount(point):
        _run(["umount", "--lazy", str(point)], MOUNT_TIMEOUT_S)
    if point.is_dir():
        point.rmdir()


def _ask_kind(device: str) -> str:
    command = ["blkid", "--probe", "--output", "value", "--match-tag", "TYPE", device]
    return _run(command, ASK_TIMEOUT_S).strip()


def _run(command: list[str], seconds: int) -> str:
    try:
        done = subprocess.run(
            command, capture_output=True, timeout=seconds, check=False, stdin=subprocess.DEVNULL
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise NotMounted(f"{command[0]}: {error}") from error
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip()[:200]
        raise NotMounted(f"{command[0]} ended with {done.returncode}: {said}")
    return done.stdout.decode(errors="replace")
