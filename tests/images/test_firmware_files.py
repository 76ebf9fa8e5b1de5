# SPDX-License-Identifier: GPL-3.0-or-later
"""Boards whose own firmware reads the boot partition find all of it on their cards."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from provision.boards import Board, board
from provision.card.image.identity import boot_partition
from provision.card.layout.filesystems import read_fat
from provision.card.layout.partitions import Layout
from provision.commands import run
from tests.support.boats import Club

#: Which files the firmware itself is made of (board maker's documentation, from memory):
#: bcm2837 starts with bootcode.bin from the card, bcm2711 has that step in its EEPROM; then
#: start and fixup, for which `_cd`, `_x` and `_db` are variants that config.txt may ask for.
FIRMWARE = {
    "turnstone": ("bootcode.bin", "start.elf", "fixup.dat"),
    "dunlin": ("start4.elf", "fixup4.dat"),
}
#: What each board's device tree has to say it fits (devicetree bindings, soc level).
FITS = {"turnstone": b"brcm,bcm2837", "dunlin": b"brcm,bcm2711"}


class Boot:
    """Reads the boot partition of a boat's card."""

    def __init__(self, club: Club, name: str) -> None:
        self.board: Board = board(club.open_boat(name).boat.profile.board)
        self.layout = Layout(self.board.table, club.open_boat(name).render().sha256)
        self._place = boot_partition(club.card(name))

    def read(self, name: str) -> bytes:
        """Return a file's content; an error when there is none."""
        return read_fat(self._place, name)

    def names(self) -> list[str]:
        """Return all files, with their folders."""
        listed = run("mdir", "-/", "-b", "-i", self._place, "::").stdout
        return [line.removeprefix("::/") for line in listed.splitlines()]

    def config(self) -> dict[str, str]:
        """config.txt: `key=value` lines, and `initramfs FILE WHERE`."""
        found = {}
        for line in self.read("config.txt").decode().splitlines():
            key, value = re.split(r"[= ]", line, maxsplit=1)
            assert key not in found, f"{key} is set twice"
            found[key] = value
        return found


@pytest.fixture(scope="module", params=sorted(FIRMWARE))
def name(request: pytest.FixtureRequest) -> str:
    """Give a boat with such a board."""
    return str(request.param)


@pytest.fixture(scope="module")
def boot(club: Club, name: str) -> Boot:
    """Give the boot partition of the boat's card."""
    return Boot(club, name)


def test_the_firmware_is_whole(boot: Boot, name: str) -> None:
    """The firmware's own programs are there, none of them empty."""
    for file in FIRMWARE[name]:
        assert len(boot.read(file)) > 1024, file


def test_start_and_fixup_come_in_pairs(boot: Boot) -> None:
    """A variant without its other half hangs the board before anything shows."""
    names = boot.names()
    started = {m[1] for file in names if (m := re.fullmatch(r"start(.*)\.elf", file))}
    fixed = {m[1] for file in names if (m := re.fullmatch(r"fixup(.*)\.dat", file))}
    assert started == fixed


def test_config_names_files_that_are_there(boot: Boot) -> None:
    """Kernel, initramfs and device tree, each of its own kind."""
    config = boot.config()
    # Image's magic number (kernel documentation, arch/arm64/booting): 64-bit, not compressed.
    assert boot.read(config["kernel"])[56:60] == b"ARM\x64"
    assert config["arm_64bit"] == "1"
    initramfs, where = config["initramfs"].split()
    assert boot.read(initramfs)[:6] in (b"070701", b"\x28\xb5\x2f\xfd\x04\x00")
    assert where == "followkernel"


def test_the_device_tree_fits_the_board(boot: Boot, name: str) -> None:
    """The device tree is this board's, under the kernel's name for it."""
    file = boot.config()["device_tree"]
    assert file == f"{boot.board.id}.dtb"
    tree = boot.read(file)
    assert tree[:4] == b"\xd0\x0d\xfe\xed"  # devicetree specification, header
    assert FITS[name] in tree


def test_the_command_line_is_one_line(boot: Boot) -> None:
    """The firmware takes the first line only; it must name this card's partitions."""
    line = boot.read("cmdline.txt").decode()
    assert line.endswith("\n")
    assert line.count("\n") == 1
    words = line.split()
    assert f"root=PARTUUID={boot.layout.base.partuuid}" in words
    assert f"boat.data={boot.layout.data.partuuid}" in words


def test_the_partition_is_one_the_firmware_reads(club: Club, name: str, tmp_path: Path) -> None:
    """The first in an MBR, FAT32 by type and by content (board maker's documentation, from
    memory), and with room left."""
    card = club.card(name)
    dump = run("sfdisk", "--dump", card).stdout
    assert "label: dos" in dump
    first = next(line for line in dump.splitlines() if line.startswith(f"{card}1"))
    assert "type=c" in first
    file = tmp_path / "boot"
    offset, size = (int(re.search(rf"{key}=\s*(\d+)", first)[1]) for key in ("start", "size"))
    with card.open("rb") as whole:
        whole.seek(offset * 512)
        file.write_bytes(whole.read(size * 512))
    assert file.read_bytes()[82:90] == b"FAT32   "  # common practice, BS_FilSysType
    run("fsck.fat", "-n", file)
    free = re.search(r"([\d ]+) bytes free", run("mdir", "-i", file, "::").stdout)
    assert free is not None
    assert int(free[1].replace(" ", "")) > 64 * 2**20


def test_one_base_serves_all_these_boards(club: Club) -> None:
    """Each card's boot partition holds the device trees of all of them."""
    for boat in FIRMWARE:
        names = Boot(club, boat).names()
        assert {f"{Boot(club, other).board.id}.dtb" for other in FIRMWARE} <= set(names)
