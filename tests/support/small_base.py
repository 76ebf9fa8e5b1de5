# SPDX-License-Identifier: GPL-3.0-or-later
"""A base that is built in no time, to assemble cards from."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from provision.boards import board
from provision.card.base.base import Base, write_digests
from provision.card.base.recipe import EPOCH
from provision.card.layout.filesystems import make_fat
from provision.card.layout.partitions import BOOT, PARTITIONS

BOARD = board("x86-64")


@pytest.fixture
def small(tmp_path: Path) -> Base:
    """Give a base of a few files, none of which starts anything."""
    folder = tmp_path / "base"
    folder.mkdir()
    (folder / "base.squashfs").write_bytes(bytes(range(256)) * 20_000)
    make_fat(folder / "boot.fat", PARTITIONS[BOOT], 1, "BOOT", EPOCH)
    for path in ("loader", "loader/entries", "EFI", "EFI/BOOT", "extlinux", "overlays"):
        subprocess.run(["mmd", "-i", folder / "boot.fat", f"::{path}"], check=True)
    (folder / "base.json").write_text(json.dumps({"format": 1}))
    write_digests(folder)
    return Base(folder)
