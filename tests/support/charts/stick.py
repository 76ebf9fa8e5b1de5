# SPDX-License-Identifier: GPL-3.0-or-later
"""A USB stick in a plain file, for an emulated boat."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

from provision.bench.qemu.process import Emulator
from provision.commands import run

MIB = 2**20


class Stick:
    """A FAT stick with charts on it, that is pushed in and pulled out."""

    def __init__(self, image: Path, charts: int, size: int) -> None:
        """Make an image with `charts` files of `size` bytes in two folders. It has no partitions."""
        self.image = image
        self.digests: dict[str, str] = {}
        seed = random.Random(1)
        tree = image.with_suffix(".files")
        for number in range(charts):
            file = tree / f"charts/coast {number % 2}/{number:03}.mbtiles"
            file.parent.mkdir(parents=True, exist_ok=True)
            content = seed.randbytes(size)
            file.write_bytes(content)
            path = str(file.relative_to(tree / "charts"))
            self.digests[path] = hashlib.sha256(content).hexdigest()
        with image.open("wb") as whole:
            whole.truncate((charts * size // MIB + 40) * MIB)
        run("mkfs.vfat", "-F", 32, image)
        run("mcopy", "-s", "-i", image, tree / "charts", "::")

    def push_in(self, emulator: Emulator) -> None:
        """Plug the stick into the running machine."""
        file = {"driver": "file", "filename": str(self.image)}
        emulator.qmp.command(
            "blockdev-add", driver="raw", file=file, **{"node-name": "stick", "read-only": True}
        )
        emulator.qmp.command("device_add", driver="usb-storage", id="stick", drive="stick")

    def pull_out(self, emulator: Emulator) -> None:
        """Pull the stick out, whatever is being read."""
        emulator.qmp.command("device_del", id="stick")
        emulator.qmp.wait_for("DEVICE_DELETED", device="stick")
        emulator.qmp.command("blockdev-del", **{"node-name": "stick"})
