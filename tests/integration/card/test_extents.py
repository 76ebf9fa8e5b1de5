# SPDX-License-Identifier: GPL-3.0-or-later
"""What file systems use is found whole: on a used card, nothing else of them is needed.

Each file system is made twice: as it is, and as its extents alone between bytes of a used card.
"""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path
from uuid import UUID

import pytest

from provision.card.layout.extents import (
    BLOCK_BYTES,
    MAX_GAP_BYTES,
    Extent,
    find_ext4_extents,
    find_fat_extents,
    merge,
)
from provision.card.layout.filesystems import Filed, fill_ext4, make_ext4, make_fat
from provision.card.layout.partitions import MIB
from provision.commands import run

USED = b"\xaa" * MIB


def copy_extents(source: Path, extents: list[Extent], to: Path) -> Path:
    """Copy the extents onto a used card of the same size."""
    size = source.stat().st_size
    with source.open("rb") as reading, to.open("wb") as writing:
        for _ in range(0, size, MIB):
            writing.write(USED)
        writing.truncate(size)
        for one in extents:
            reading.seek(one.offset)
            writing.seek(one.offset)
            writing.write(reading.read(one.size))
    return to


@pytest.fixture
def files(tmp_path: Path) -> dict[str, bytes]:
    """Give files of many sizes."""
    shuffled = random.Random(3)
    return {
        f"file{number}": shuffled.randbytes(shuffled.choice([1, 511, 4096, 70_001, 300_000]))
        for number in range(40)
    }


@pytest.fixture
def fat(tmp_path: Path, files: dict[str, bytes]) -> Path:
    """Give a FAT file system from which every third file was deleted, and a larger one added."""
    image = tmp_path / "fat"
    make_fat(image, 64 * MIB, 1, "BOOT", 0)
    for name in list(files):
        source = tmp_path / name
        source.write_bytes(files[name])
        run("mcopy", "-i", image, source, f"::{name}")
    for name in list(files)[::3]:
        run("mdel", "-i", image, f"::{name}")
        del files[name]
    files["large"] = random.Random(4).randbytes(900_000)
    (tmp_path / "large").write_bytes(files["large"])
    run("mcopy", "-i", image, tmp_path / "large", "::large")
    return image


def is_whole_fat(image: Path, files: dict[str, bytes]) -> bool:
    """Tell if the file system has no fault, and each file its content."""
    checked = subprocess.run(
        ["/usr/sbin/fsck.fat", "-n", image], capture_output=True, check=False
    ).returncode
    found = {
        name: subprocess.run(
            ["mcopy", "-n", "-i", image, f"::{name}", "-"], capture_output=True, check=False
        ).stdout
        for name in files
    }
    return checked == 0 and found == files


def test_what_a_fat_uses_is_all_that_a_card_needs(
    tmp_path: Path, fat: Path, files: dict[str, bytes]
) -> None:
    extents = find_fat_extents(fat, 0)
    assert len(extents) > 2
    assert sum(one.size for one in extents) < 10 * MIB
    assert is_whole_fat(copy_extents(fat, extents, tmp_path / "card"), files)
    for left_out in extents:
        rest = [one for one in extents if one != left_out]
        assert not is_whole_fat(copy_extents(fat, rest, tmp_path / "card"), files), left_out


def test_a_fat_is_found_where_its_partition_is(tmp_path: Path, fat: Path) -> None:
    later = tmp_path / "later"
    later.write_bytes(bytes(3 * MIB) + fat.read_bytes())
    assert find_fat_extents(later, 3 * MIB) == [
        one.moved(3 * MIB) for one in find_fat_extents(fat, 0)
    ]


@pytest.fixture(params=[128, 700])
def ext4(request: pytest.FixtureRequest, tmp_path: Path, files: dict[str, bytes]) -> Path:
    """Give a file system of one group of blocks, and of several, as a card has it."""
    image = tmp_path / "ext4"
    make_ext4(image, request.param * MIB, UUID(int=7), "data", 0)
    sources = {}
    for name, content in files.items():
        sources[f"settings/{name}"] = Filed(tmp_path / name)
        (tmp_path / name).write_bytes(content)
    fill_ext4(image, ["settings"], sources, 0)
    return image


def is_whole_ext4(image: Path, files: dict[str, bytes], work: Path) -> bool:
    work.mkdir(exist_ok=True)
    run("debugfs", "-R", f"rdump settings {work}", image)
    checked = subprocess.run(
        ["/usr/sbin/e2fsck", "-f", "-n", image], capture_output=True, check=False
    ).returncode
    found = {file.name: file.read_bytes() for file in (work / "settings").glob("*")}
    return checked == 0 and found == files


def test_what_an_ext4_uses_is_all_that_a_card_needs(
    tmp_path: Path, ext4: Path, files: dict[str, bytes]
) -> None:
    extents = find_ext4_extents(ext4)
    assert sum(one.size for one in extents) < ext4.stat().st_size / 4
    assert is_whole_ext4(copy_extents(ext4, extents, tmp_path / "card"), files, tmp_path / "a")
    block = int(run("debugfs", "-R", "blocks settings/file39", ext4).stdout.split()[0])
    without = [
        part
        for one in extents
        for part in (
            Extent(one.offset, min(one.end, block * 4096) - one.offset),
            Extent(max(one.offset, block * 4096 + 4096), one.end - block * 4096 - 4096),
        )
        if part.size > 0
    ]
    card = copy_extents(ext4, without, tmp_path / "card")
    assert not is_whole_ext4(card, files, tmp_path / "b")


def test_the_journal_and_all_inodes_are_written(ext4: Path) -> None:
    """The kernel takes what stands there for its own: both must be zeros, and not of before."""
    extents = find_ext4_extents(ext4)
    journal = [int(word) for word in run("debugfs", "-R", "blocks <8>", ext4).stdout.split()]
    assert len(journal) >= 1024
    tables = [
        block
        for line in run("dumpe2fs", ext4).stdout.splitlines()
        if "Inode table at" in line
        for first, last in [line.split("at ")[1].split()[0].split("-")]
        for block in range(int(first), int(last) + 1)
    ]
    assert tables
    for block in (*journal, *tables):
        assert any(one.offset <= block * 4096 < one.end for one in extents), block


@pytest.mark.skipif(os.geteuid() != 0, reason="not root: mounting needs root")
def test_the_kernel_works_with_it_and_grows_it(
    tmp_path: Path, ext4: Path, files: dict[str, bytes]
) -> None:
    """Grow into bytes of before, mount, fill up, check. Growing while mounted needs more rights."""
    card = copy_extents(ext4, find_ext4_extents(ext4), tmp_path / "card")
    size = card.stat().st_size
    with card.open("ab") as file:
        for _ in range(400):
            file.write(USED)
    point = tmp_path / "mnt"
    point.mkdir()
    run("e2fsck", "-f", "-n", card)
    run("resize2fs", card)
    loop = run("losetup", "--find", "--show", card).stdout.strip()
    try:
        run("mount", "-t", "ext4", loop, point)
        try:
            assert os.statvfs(point).f_blocks * 4096 > size + 300 * MIB
            noise = random.Random(5).randbytes(MIB)
            for number in range(300):
                (point / f"log{number}").write_bytes(noise)
            assert {f.name: f.read_bytes() for f in (point / "settings").iterdir()} == files
        finally:
            run("umount", point)
    finally:
        run("losetup", "--detach", loop)
    run("e2fsck", "-f", "-n", card)


def test_extents_are_joined_and_rounded_to_blocks() -> None:
    near, far = Extent(9000 + MAX_GAP_BYTES, 10), Extent(MIB, 1)
    assert merge([far, near, Extent(5000, 4000)]) == (
        Extent(BLOCK_BYTES, 2 * BLOCK_BYTES + MAX_GAP_BYTES),
        Extent(MIB, BLOCK_BYTES),
    )
    assert merge([Extent(0, 4096), Extent(0, 8192), Extent(100, 3)]) == (Extent(0, 8192),)
    assert merge([]) == ()
