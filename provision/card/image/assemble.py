# SPDX-License-Identifier: GPL-3.0-or-later
"""Assemble one boat's card in a plain file: partition table, boot, base and data.

Only this boat's few files are made here. The rest is copied from the cached base.
"""

from __future__ import annotations

import errno
import json
import os
import tempfile
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

from provision import __version__
from provision.boards import Board
from provision.card.base.base import Base
from provision.card.base.recipe import EPOCH
from provision.card.image.target import atomic_output
from provision.card.layout import digests
from provision.card.layout.bootloader import boot_files
from provision.card.layout.extents import BLOCK_BYTES, Extent, find_ext4_extents, find_fat_extents
from provision.card.layout.filesystems import Filed, fill_ext4, fill_fat, make_ext4, parents_of
from provision.card.layout.partitions import MIB, Layout, Partition
from provision.errors import Location, UserError
from provision.render import Settings


def assemble(
    board: Board,
    settings: Settings,
    base: Base,
    target: Path,
    restored: Mapping[str, Filed] = MappingProxyType({}),
) -> Layout:
    """Write the card of one boat to the file `target`, mode 0600 (it holds secrets).

    `restored` are files of a backup, by their path on the data partition. Nothing half-made is left
    after a failure. The same inputs give the same bytes.
    """
    layout = Layout(board.table, settings.sha256, _more_data(restored))
    with (
        tempfile.TemporaryDirectory(prefix="provision-card-") as work,
        atomic_output(target, Path(work)) as image,
    ):
        os.truncate(image, layout.size)
        layout.write(str(image))
        # The base is nearly all of the card. The rest is made while it is copied.
        with ThreadPoolExecutor(1) as pool:
            copied = pool.submit(_copy_checked, base, base.squashfs, image, layout.base)
            _copy_checked(base, base.fat, image, layout.boot)
            boot = Path(work) / "boot"
            _write_boot_tree(boot, board, layout, settings, base)
            fill_fat(f"{image}@@{layout.boot.offset}", boot, EPOCH)
            data = Path(work) / "data"
            _make_data_image(data, layout, settings, boot / "settings.tar", restored)
            _copy(data, image, layout.data.offset)
            used = _find_used(base, image, data, layout)
            known = _compute_digests(image, layout.boot, layout.data)
            known[digests.part_name(layout.base)] = copied.result()
        digests.write_record(image, layout, known, used)
    return layout


def _find_used(base: Base, image: Path, data: Path, layout: Layout) -> dict[str, list[Extent]]:
    """Return what a card must hold of boot, base and data, by the name of the part.

    Of the base it is the whole file, and not what the file system says of its length.
    """
    squashfs = Extent(layout.base.offset, base.squashfs.stat().st_size)
    return {
        digests.part_name(layout.boot): find_fat_extents(image, layout.boot.offset),
        digests.part_name(layout.base): [squashfs],
        digests.part_name(layout.data): [
            one.moved(layout.data.offset) for one in find_ext4_extents(data)
        ],
    }


def _compute_digests(image: Path, *partitions: Partition) -> dict[str, str]:
    """Return the digest of each partition by the name of its part."""
    return {
        digests.part_name(one): digests.compute_digest(image, one.offset, one.size)
        for one in partitions
    }


def _copy_checked(base: Base, source: Path, image: Path, partition: Partition) -> str:
    """Copy a file of the base into the image, and return its digest.

    Raise UserError if it does not fit into the partition, or differs from what was built.
    """
    if (size := source.stat().st_size) > partition.size:
        raise UserError(
            f"does not fit: it has {size} bytes, and {partition.name} holds {partition.size}",
            location=Location(source),
            hint=f"if the partition was made smaller, remove {base.folder}, and it is built again",
        )
    with ThreadPoolExecutor(1) as pool:
        computed = pool.submit(digests.compute_digest, source)
        _copy(source, image, partition.offset)
    found = computed.result()
    if found != base.digests[source.name]:
        raise base.damaged(source)
    return found


def _write_boot_tree(
    folder: Path, board: Board, layout: Layout, settings: Settings, base: Base
) -> None:
    identity = {
        "boat": settings.manifest["boat"],
        "board": board.id,
        "base": base.facts,
        "settings": settings.sha256,
        "version": __version__,
        "digests": True,
    }
    content: dict[str, bytes] = {
        "settings.tar": settings.archive,
        "settings.sha256": f"{settings.sha256}  settings.tar\n".encode(),
        "boat.json": (json.dumps(identity, indent=2) + "\n").encode(),
        **{name: text.encode() for name, text in boot_files(board, layout).items()},
    }
    for name, data in content.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)


#: Bytes of the file system for each inode (the type `default` of e2fsprogs' mke2fs.conf).
INODE_BYTES = 16384


def _more_data(restored: Mapping[str, Filed]) -> int:
    """Return by how much the data partition is larger for the files of a backup, in bytes.

    A twentieth of their size is for inodes and the journal, which grow with the file system: an
    inode for each `INODE_BYTES` of it.
    """
    sizes = (file.source.stat().st_size for file in restored.values())
    needed = sum(max(INODE_BYTES, -(-size // BLOCK_BYTES) * BLOCK_BYTES) for size in sizes)
    step = 4 * MIB
    return -(-needed * 21 // 20 // step) * step


def _make_data_image(
    image: Path, layout: Layout, settings: Settings, archive: Path, restored: Mapping[str, Filed]
) -> None:
    """Make the data partition, with the settings as built as the first kept ones."""
    make_ext4(image, layout.data.size, layout.uuid("data-fs"), "data", EPOCH)
    name = f"{settings.sha256}.tar"
    pointer = image.with_name("kept")
    pointer.write_text(f"{settings.sha256}  {name}\n")
    above = (folder for name in restored for folder in parents_of(name))
    folders = dict.fromkeys(("settings", "state", *above))
    own = {f"settings/{name}": Filed(archive), "settings/kept": Filed(pointer)}
    fill_ext4(image, [*folders], own | _linked(image.parent, restored), EPOCH)


def _linked(folder: Path, files: Mapping[str, Filed]) -> dict[str, Filed]:
    """Name files by links in our own folder: debugfs takes no path with a quotation mark."""
    linked = {}
    for number, (name, file) in enumerate(files.items()):
        link = folder / f"restored-{number}"
        link.symlink_to(file.source)
        linked[name] = replace(file, source=link)
    return linked


def _copy(source: Path, image: Path, offset: int) -> None:
    """Copy the data of a file to an offset of the image. Its holes stay holes."""
    with source.open("rb") as reading, image.open("r+b") as writing:
        size = os.fstat(reading.fileno()).st_size
        position = 0
        while position < size:
            try:
                start = os.lseek(reading.fileno(), position, os.SEEK_DATA)
            except OSError as error:
                if error.errno == errno.ENXIO:
                    return
                raise
            end = os.lseek(reading.fileno(), start, os.SEEK_HOLE)
            position = start
            # sendfile works between any two file systems, copy_file_range does not.
            os.lseek(writing.fileno(), offset + position, os.SEEK_SET)
            while position < end:
                position += os.sendfile(
                    writing.fileno(), reading.fileno(), position, end - position
                )
