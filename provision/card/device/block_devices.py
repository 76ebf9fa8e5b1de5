# SPDX-License-Identifier: GPL-3.0-or-later
"""List what a card can be written to, and find what forbids to write to it."""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from provision.card.device.system_disks import find_system_disks
from provision.commands import Argument, failure, run
from provision.errors import UserError

SYS = Path("/sys")

_LISTED = "with no device named, the candidates are listed"

#: None of the devices was found (lsblk(8)). Without devices named, there are none at all.
_LSBLK_NONE_FOUND = 32

_COLUMNS = "NAME,PATH,MAJ:MIN,TYPE,SIZE,RM,HOTPLUG,RO,MODEL,SERIAL,MOUNTPOINTS"


@dataclass(frozen=True)
class Device:
    """Describe a device or file that an image might be written to."""

    path: Path
    kind: str
    """disk, loop, part, crypt and so on as lsblk names them. file for a plain file."""
    size: int
    """Bytes."""
    model: str = ""
    removable: bool = False
    read_only: bool = False
    mounts: tuple[str, ...] = ()
    """Mount points of the device and of anything on it. [SWAP] for swap."""
    holders: tuple[str, ...] = ()
    """What is built on it: encrypted or logical volumes, arrays."""
    system: bool = False
    """Whether the running system lies on it."""
    instance: str = ""
    """An identity that changes with the card.

    It is the kernel's ever-growing number of a disk (diskseq), or a file's device and inode.
    """
    serial: str = ""
    """The card's own register (CID, 32 hexadecimal digits) if it is in a slot of the computer's.

    Else what the disk says. A reader on USB says its own number, and not the card's.
    """

    def __str__(self) -> str:
        size = f"{self.size / 1e9:.1f} GB"
        return f"{self.path} ({self.model}, {size})" if self.model else f"{self.path} ({size})"


def list_candidates() -> list[Device]:
    """List removable whole disks with a medium in them, without the running system's."""
    return [
        device
        for device in read_devices(_lsblk(), find_system_disks())
        if device.kind == "disk" and device.removable and not device.system and device.size
    ]


def find_device(path: Path) -> Device:
    """Return the device or plain file there. Raise UserError if it cannot be written to."""
    try:
        path = path.resolve(strict=True)
        status = path.stat()
    except OSError as error:
        raise UserError(
            f"{path}: {os.strerror(error.errno or 0)}",
            hint=_LISTED,
        ) from error
    if stat.S_ISREG(status.st_mode):
        return Device(
            path=path,
            kind="file",
            size=status.st_size,
            read_only=not os.access(path, os.W_OK),
            holders=tuple(_loop_devices(path)),
            instance=f"{status.st_dev}:{status.st_ino}",
        )
    if not stat.S_ISBLK(status.st_mode):
        raise UserError(f"{path} is neither a block device nor a plain file", hint=_LISTED)
    found = read_devices(_lsblk(path), find_system_disks())
    if not found:
        raise UserError(f"{path} is no disk that the kernel lists", hint=_LISTED)
    return found[0]


def changed(device: Device) -> UserError:
    """Return the error for a device that is another one than the person agreed to."""
    return UserError(
        f"{device.path} is not what it was before the question; nothing was written",
        hint="see which card is plugged in, and begin again",
    )


def find_objection(device: Device, image: Path) -> UserError | None:
    """Return why the image must not be written there, or None if it may be."""
    return next(_objections(device, image), None)


def _objections(device: Device, image: Path) -> Iterator[UserError]:
    if not image.is_file():
        yield UserError(f"{image} is no image file", hint="provision card BOAT makes one")
        return
    size = image.stat().st_size
    target = _backing_file(device.path.name) or device.path
    if target.exists() and image.samefile(target):
        yield UserError(f"{device.path} is the image itself", hint=_LISTED)
    if device.kind == "part":
        yield UserError(
            f"{device.path} is a partition", hint="an image fills a whole card: name the disk"
        )
    elif device.kind not in ("disk", "loop", "file"):
        yield UserError(f"{device.path} is no card ({device.kind})", hint=_LISTED)
    if device.system:
        yield UserError(f"{device} holds the system that is running here", hint=_LISTED)
    if device.mounts:
        yield UserError(
            f"{device} is in use: {', '.join(device.mounts)}",
            hint="unmount it first (umount; swapoff for swap)",
        )
    if device.holders:
        yield UserError(
            f"{device} is in use by {', '.join(device.holders)}",
            hint="close what is built on it first (losetup -d, cryptsetup close, vgchange -an)",
        )
    if device.kind == "disk" and not device.removable:
        yield UserError(f"{device} is not removable; a card or a USB disk is", hint=_LISTED)
    if device.read_only:
        yield UserError(
            f"{device} is read-only", hint="a card may have a slide at its side that locks it"
        )
    if device.size < size:
        yield UserError(
            f"{device} is too small: the image has {size} bytes, it has {device.size}",
            hint="the profile states the card's size, such as card: {size: 16 GB}",
        )


def read_devices(tree: dict[str, Any], system: frozenset[str], sys: Path = SYS) -> list[Device]:
    """Read whole devices from lsblk's JSON. `system` holds the major:minor of its disks."""
    return [
        Device(
            path=Path(node["path"]),
            kind=node["type"],
            size=node["size"] or 0,
            model=" ".join((node["model"] or "").split()),
            removable=(node["rm"] or node["hotplug"]) and not _is_soldered(node["name"], sys),
            read_only=node["ro"],
            mounts=tuple(
                mount for one in _descendants(node) for mount in one["mountpoints"] if mount
            ),
            holders=tuple(
                one["name"]
                for one in _descendants(node)
                if one is not node and one["type"] != "part"
            ),
            system=node["maj:min"] in system,
            instance=_read_attribute(node["name"], "diskseq", sys),
            serial=_read_attribute(node["name"], "device/cid", sys)
            or " ".join((node.get("serial") or "").split()),
        )
        for node in tree["blockdevices"]
    ]


def _lsblk(*paths: Path) -> dict[str, Any]:
    """Return the block devices, or those at `paths`. The tree may be empty."""
    command: list[Argument] = ["lsblk", "--json", "--bytes", "--output", _COLUMNS, *paths]
    done = run(*command, check=False)
    if done.returncode not in (0, _LSBLK_NONE_FOUND):
        # Do not show its JSON to people.
        raise UserError(
            failure(command, done.returncode, done.stderr),
            hint="try lsblk by itself: it lists the disks that the kernel knows",
        )
    try:
        return dict(json.loads(done.stdout))
    except ValueError:
        return {"blockdevices": []}


def _descendants(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield a device, its partitions, and what is built on them."""
    yield node
    for child in node.get("children", ()):
        yield from _descendants(child)


def _is_soldered(name: str, sys: Path) -> bool:
    """Tell if it is an MMC that cannot be taken out. The kernel calls cards in a slot SD."""
    return _read_attribute(name, "device/type", sys) == "MMC"


def _read_attribute(name: str, attribute: str, sys: Path) -> str:
    """Return what sysfs says of a disk, or "" if it says nothing."""
    try:
        return (sys / "class/block" / name / attribute).read_text().strip()
    except OSError:
        return ""


def _backing_file(name: str) -> Path | None:
    """Return the file behind a loop device."""
    try:
        text = (SYS / "class/block" / name / "loop/backing_file").read_text()
    except OSError:
        return None
    path = Path(text.rstrip("\n"))
    return path if path.exists() else None


def _loop_devices(path: Path) -> Iterator[str]:
    """Yield the loop devices of a file: something on them may be mounted."""
    for loop in sorted(SYS.glob("class/block/loop*")):
        file = _backing_file(loop.name)
        if file and file.samefile(path):
            yield loop.name
