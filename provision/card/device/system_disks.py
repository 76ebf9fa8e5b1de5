# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the disks of the running system, through all layers between."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path

#: Mount points of a system (file system hierarchy standard, and systemd's /efi).
_SYSTEM_MOUNTS = re.compile(r"/(usr|var|efi|boot(/efi|/firmware)?)?")


def find_system_disks(proc: Path = Path("/proc"), sys: Path = Path("/sys")) -> frozenset[str]:
    """Return the major:minor of every block device that root, boot or swap need.

    Follow partitions to their disk, logical and encrypted volumes and arrays to their parts, loop
    devices to the disk of their file, overlays to their layers. A use that the kernel's own tables
    hide shows when the device is opened exclusively.
    """
    found: set[str] = set()
    for number in [*_mounted(proc, sys), *_swaps(proc, sys)]:
        _follow(number, sys, found)
    return frozenset(found)


def _mounted(proc: Path, sys: Path) -> Iterator[str]:
    for line in (proc / "self/mountinfo").read_text().splitlines():
        mount, _, source = line.partition(" - ")
        number, point = mount.split()[2], _unescape(mount.split()[4])
        kind, device, options = source.split(" ", 2)
        if not _SYSTEM_MOUNTS.fullmatch(point):
            continue
        yield number
        yield from _named(device, sys)  # where the number is none of a device's, as with btrfs
        if kind == "overlay":
            for option in options.split(","):
                key, _, layers = option.partition("=")
                if key in ("lowerdir", "upperdir"):
                    for layer in layers.split(":"):
                        yield from _holding(_unescape(layer))


def _swaps(proc: Path, sys: Path) -> Iterator[str]:
    for line in (proc / "swaps").read_text().splitlines()[1:]:
        path, kind = line.split()[:2]
        if kind == "file":
            yield from _holding(_unescape(path))
        else:
            yield from _named(_unescape(path), sys)


def _named(device: str, sys: Path) -> Iterator[str]:
    if device.startswith("/dev/"):
        yield from _read(sys / "class/block" / os.path.basename(os.path.realpath(device)) / "dev")


def _holding(path: str) -> Iterator[str]:
    """Yield the device of the file system that holds a file."""
    try:
        device = os.stat(path).st_dev
    except OSError:
        return
    yield f"{os.major(device)}:{os.minor(device)}"


def _follow(number: str, sys: Path, found: set[str]) -> None:
    """Add a device and all devices below it."""
    node = sys / "dev/block" / number
    if number in found or not node.exists():
        return
    found.add(number)
    node = node.resolve()
    below = [one for slave in node.glob("slaves/*") for one in _read(slave / "dev")]
    if (node / "partition").exists():
        below.extend(_read(node.parent / "dev"))
    for file in _read(node / "loop/backing_file"):
        below.extend(_holding(file))
    for one in below:
        _follow(one, sys, found)


def _read(path: Path) -> Iterator[str]:
    try:
        yield path.read_text().rstrip("\n")
    except OSError:
        return


def _unescape(text: str) -> str:
    """Decode blanks and backslashes, which the kernel writes as three octal digits."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)
