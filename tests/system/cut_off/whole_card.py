# SPDX-License-Identifier: GPL-3.0-or-later
"""Judging what a power cut left of a whole card: its partition table, its files, its logs."""

from __future__ import annotations

import os
import struct
import tempfile
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from provision.commands import run
from provision.onboard.feed.voyage_log import reader
from tests.system.cut_off.cardstates import choose
from tests.system.cut_off.writelog import SECTOR

#: Names of the files of a voyage log and of the history, below the data partition.
_LOGS, _HISTORIES = "log/*.gz", "history/*.gz"

#: The header of a GPT (UEFI specification, 5.3.2): signature, revision, size, its own CRC, its
#: own and the other's block, and where its entries are.
_HEADER = struct.Struct("<8sIIIIQQQQ16sQIII")
_SIGNATURE = b"EFI PART"
_ENTRY = struct.Struct("<16s16sQQ")

#: What e2fsck says when it found nothing, or has repaired what it found (e2fsck(8)).
_MENDED = (0, 1)


@dataclass(frozen=True)
class Found:
    """Holds what is on a card after a repair. `lines` are the entries of each log by its file."""

    wrong: tuple[str, ...]
    kept: str = ""
    size: int = 0
    lines: Mapping[str, tuple[object, ...]] | None = None


def last_partition(card: Path, *, second_copy: bool) -> tuple[int, int] | None:
    """Return offset and size of the last partition as the kernel finds it, or None.

    The kernel (block/partitions/efi.c) takes the first copy of the table. With `gpt` on its command
    line it takes the `second_copy` in the last block of the card when the first is damaged.
    """
    blocks = card.stat().st_size // SECTOR
    with card.open("rb") as stream:
        for block in (1, blocks - 1) if second_copy else (1,):
            if found := _entries(stream, block):
                first, last = found[-1]
                return first * SECTOR, (last + 1 - first) * SECTOR
    return None


def _entries(stream: BinaryIO, block: int) -> list[tuple[int, int]]:
    """Return the first and last block of each partition, or nothing if this copy is damaged."""
    stream.seek(block * SECTOR)
    raw = stream.read(SECTOR)
    fields = _HEADER.unpack_from(raw)
    signature, _revision, size, own, _reserved, mine = fields[:6]
    start, count, each, entries_sum = fields[10:]
    if signature != _SIGNATURE or mine != block or size != _HEADER.size:
        return []
    if zlib.crc32(raw[:16] + bytes(4) + raw[20:size]) != own:
        return []
    stream.seek(start * SECTOR)
    table = stream.read(count * each)
    if zlib.crc32(table) != entries_sum:
        return []
    found = [_ENTRY.unpack_from(table, number * each) for number in range(count)]
    return [(first, last) for kind, _, first, last in found if kind.strip(b"\0")]


def look(card: Path, built: str, *, second_copy: bool) -> Found:
    """Repair the card in the plain file `card`, as a start does, and look what is there."""
    where = last_partition(card, second_copy=second_copy)
    if where is None:
        return Found(("the kernel finds no partition table",))
    offset, size = where
    wrong = []
    with tempfile.TemporaryDirectory(prefix="card-", dir=card.parent) as work:
        image = Path(work, "data.img")
        _cut_out(card, offset, size, image)
        config = Path(work, "e2fsck.conf")
        config.write_text("[options]\nbroken_system_clock = true\n")
        for words, fine in ((("-p",), _MENDED), (("-f", "-n"), (0,))):
            done = run("e2fsck", *words, image, env={"E2FSCK_CONFIG": str(config)}, check=False)
            if done.returncode not in fine:
                wrong.append(f"e2fsck {words}: {done.returncode}: {done.stdout[-300:]}")
        if (needed := _file_system_bytes(image)) > size:
            wrong.append(f"the file system has {needed} bytes, its partition {size}")
        tree = Path(work, "tree")
        tree.mkdir()
        run("debugfs", "-R", f"rdump / {tree}", image)
        choice, digest = choose(tree / "settings", built)
        if (choice, digest) != ("kept", built):
            wrong.append(f"{choice} {digest[:12]} is chosen")
        return Found(tuple(wrong), digest, size, dict(_logged(tree)))


def _cut_out(card: Path, offset: int, size: int, target: Path) -> None:
    """Copy a partition to a file of its own. e2fsck repairs none that is at an offset."""
    with card.open("rb") as reading, target.open("wb") as writing:
        writing.truncate(size)
        position = offset
        while position < offset + size:
            try:
                position = os.lseek(reading.fileno(), position, os.SEEK_DATA)
            except OSError:
                return
            end = min(os.lseek(reading.fileno(), position, os.SEEK_HOLE), offset + size)
            while position < end:
                piece = os.pread(reading.fileno(), min(2**20, end - position), position)
                os.pwrite(writing.fileno(), piece, position - offset)
                position += len(piece)


def _file_system_bytes(image: Path) -> int:
    """Return the size of the ext4 file system (blocks of 4 KiB; count at 4 of the superblock)."""
    with image.open("rb") as stream:
        stream.seek(1024 + 4)
        return int.from_bytes(stream.read(4), "little") * 4096


def _logged(tree: Path) -> Iterator[tuple[str, tuple[object, ...]]]:
    for file in sorted(tree.glob(_LOGS)):
        entries = ((one.origin, one.raw, one.monotonic) for one in reader.read(str(file)))
        yield str(file.relative_to(tree)), tuple(entries)
    for file in sorted(tree.glob(_HISTORIES)):
        yield str(file.relative_to(tree)), tuple(_whole_members(file.read_bytes()))


def _whole_members(data: bytes) -> Iterator[bytes]:
    """Yield the content of each whole gzip member, up to the first that is none."""
    while data:
        unpack = zlib.decompressobj(31)
        try:
            content = unpack.decompress(data)
        except zlib.error:
            return
        if not unpack.eof:
            return
        yield content
        data = unpack.unused_data
