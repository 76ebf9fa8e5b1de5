# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide whether a device may become a spare: a whole one that nothing uses, and large enough."""

from __future__ import annotations

import stat
from dataclasses import dataclass
from pathlib import Path

from provision.onboard.settings.errors import Exit, SettingsError
from provision.onboard.settings.live.system import System


@dataclass(frozen=True)
class Devices:
    """Name where the kernel tells of devices. Tests have folders of their own."""

    sys: Path = Path("/sys/class/block")
    dev: Path = Path("/dev")
    mounts: Path = Path("/proc/self/mountinfo")

    def whole(self, name: str) -> str:
        """Return the name of the whole device that a device is on: sda for sda4."""
        entry = self.sys / name
        return entry.resolve().parent.name if (entry / "partition").exists() else name

    def size(self, name: str) -> int:
        """Return the size in bytes, which the kernel tells in sectors of 512."""
        return int((self.sys / name / "size").read_text()) * 512

    def mounted(self) -> dict[str, str]:
        """Map the device of each mounted file system to one of its folders."""
        found = {}
        for line in self.mounts.read_text().splitlines():
            fields, _, rest = line.partition(" - ")
            source = rest.split(" ")[1]
            if source.startswith("/dev/"):
                found[Path(source).resolve().name] = fields.split(" ")[4]
        return found

    def is_one(self, path: Path) -> bool:
        """Tell whether `path` is a block device that the kernel knows."""
        return stat.S_ISBLK(path.stat().st_mode) and (self.sys / path.resolve().name).exists()

    def under(self, folder: str) -> str:
        """Return the name of the device mounted at `folder`. Raise SettingsError without one."""
        for name, where in self.mounted().items():
            if where == folder:
                return name
        message = f"nothing is mounted at {folder}: the boat does not know its own card"
        raise SettingsError("card", message, hint="status says why", status=Exit.UNABLE)


def check_target(system: System, devices: Devices, wanted: Path, own: str, *, erase: bool) -> str:
    """Return the name of the device `wanted`. Raise SettingsError if it must not be written.

    `own` is the name of the card that the boat runs from.
    """
    if not wanted.exists():
        raise _unfit(wanted, "is not there", "put the reader in; lsblk lists what is there")
    name = wanted.resolve().name
    if not devices.is_one(wanted):
        raise _unfit(wanted, "is no card or stick", "lsblk lists what is there")
    if devices.whole(name) != name:
        whole = devices.whole(name)
        raise _unfit(wanted, "is a part of a device", f"name the whole one: /dev/{whole}")
    if name == own:
        raise _unfit(wanted, "is the card that the boat runs from", "name the one in the reader")
    for device, where in devices.mounted().items():
        if devices.whole(device) == name:
            raise _unfit(wanted, f"is in use: {device} is mounted at {where}", f"umount {where}")
    if (devices.sys / name / "ro").read_text().strip() != "0":
        raise _unfit(wanted, "is write-protected", "move the lock on the card's edge")
    if not erase and (held := _signatures(system, wanted)):
        raise _unfit(wanted, f"is not empty: {held}", "with --erase all on it is lost")
    return name


def _signatures(system: System, device: Path) -> str:
    """Return in words what a device holds that somebody may miss."""
    listed = system.run("wipefs", "--noheadings", "--parsable", "--output=TYPE,LABEL", str(device))
    found = [line.replace(",", " ").strip() for line in listed.splitlines()]
    return ", ".join(dict.fromkeys(found))


def _unfit(device: Path, what: str, hint: str) -> SettingsError:
    return SettingsError("device", f"{device} {what}", hint=hint, status=Exit.UNABLE)
