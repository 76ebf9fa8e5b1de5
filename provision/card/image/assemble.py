# SPDX-License-Identifier: GPL-3.0-or-later
"""Assemble one boat's card in a plain file: partition table, boot, base and data.

Only this boat's few files are made here. The rest is copied from the cached base.
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import stat
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from provision import __version__
from provision.boards import Board
from provision.card.base.base import Base
from provision.card.base.recipe import EPOCH
from provision.card.image.identity import read_identity as identity_of
from provision.card.layout import digests
from provision.card.layout.bootloader import boot_files
from provision.card.layout.filesystems import fill_ext4, fill_fat, make_ext4
from provision.card.layout.partitions import Layout, Partition
from provision.errors import Location, UserError
from provision.render import Settings

_TARGET_FULL_HINT = "make room, or name a file in another folder"
_WORK_FULL_HINT = "make room, or set TMPDIR to a folder on another disk"


def assemble(board: Board, settings: Settings, base: Base, target: Path) -> Layout:
    """Write the card of one boat to the file `target`, mode 0600 (it holds secrets).

    Nothing half-made is left after a failure. The same inputs give the same bytes.
    """
    layout = Layout(board.table, settings.sha256)
    with (
        tempfile.TemporaryDirectory(prefix="provision-card-") as work,
        _atomic_output(target, Path(work)) as image,
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
            _make_data_image(data, layout, settings, boot / "settings.tar")
            _copy(data, image, layout.data.offset)
            known = {digests.part_name(layout.base): copied.result()}
        digests.write_record(image, layout, known)
    return layout


def _copy_checked(base: Base, source: Path, image: Path, partition: Partition) -> str:
    """Copy a file of the base into the image, and return the digest of the copy.

    Raise UserError if it does not fit into the partition, or the copy differs from what was built.
    """
    if (size := source.stat().st_size) > partition.size:
        raise UserError(
            f"does not fit: it has {size} bytes, and {partition.name} holds {partition.size}",
            location=Location(source),
            hint=f"if the partition was made smaller, remove {base.folder}, and it is built again",
        )
    _copy(source, image, partition.offset)
    found = digests.compute_digest(image, partition.offset, partition.size)
    wanted = base.digests.get(source.name)
    if wanted is not None and found != wanted:
        raise UserError(
            "the cached base is damaged",
            location=Location(source),
            hint=f"remove {base.folder}, and it is built again",
        )
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


def _make_data_image(image: Path, layout: Layout, settings: Settings, archive: Path) -> None:
    """Make the data partition, with the settings as built as the first kept ones."""
    make_ext4(image, layout.data.size, layout.uuid("data-fs"), "data", EPOCH)
    name = f"{settings.sha256}.tar"
    pointer = image.with_name("kept")
    pointer.write_text(f"{settings.sha256}  {name}\n")
    fill_ext4(
        image,
        ["settings", "state"],
        {f"settings/{name}": archive, "settings/kept": pointer},
        EPOCH,
    )


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


def check_target(target: Path) -> None:
    """Raise UserError if no card image can be built at `target`, before long work begins."""
    try:
        if target.exists() and not stat.S_ISREG(target.stat().st_mode):
            raise UserError(
                "this is a device or a folder, not a file for a card image",
                location=Location(target),
                hint=f"build into a file, then: provision write FILE {target}",
            )
        if target.is_symlink() and not target.exists():
            raise UserError(
                "this is a link that leads nowhere",
                location=Location(target),
                hint="remove it, or name another file",
            )
        if target.exists():
            _refuse_another_kind(target)
        there = target.parent.is_dir()
    except OSError as error:
        raise _write_error(target, error) from error
    if not there:
        raise UserError(
            "there is no such folder",
            location=Location(target.parent),
            hint="make it, or name another",
        )
    if not os.access(target.parent, os.W_OK | os.X_OK):
        raise _write_error(target, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))


def _refuse_another_kind(target: Path) -> None:
    """Raise UserError unless the file is the image of a card that no bench uses."""
    try:
        identity_of(target)
    except UserError as error:
        raise UserError(
            "is there already and is not the image of a boat's card; it stays as it is",
            location=Location(target),
            hint="name another file, or move this one away",
        ) from error
    with target.open("rb") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise UserError(
                "a bench uses this image",
                location=Location(target),
                hint="end it, or name another file",
            ) from error


@contextmanager
def _atomic_output(target: Path, work: Path) -> Iterator[Path]:
    """Open a new file beside `target`, and move it to `target` when it is finished.

    `work` is the working folder, perhaps on another disk.
    """
    check_target(target)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        os.close(handle)
    except OSError as error:
        raise _write_error(target, error) from error
    image = Path(name)
    try:
        yield image
        image.rename(target)
    except (OSError, UserError) as error:
        # Each called program has its own message for a full disk.
        for full, hint in ((target, _TARGET_FULL_HINT), (work, _WORK_FULL_HINT)):
            if _is_full(full.parent):
                raise UserError("the disk is full", location=Location(full), hint=hint) from error
        if isinstance(error, OSError):
            raise _write_error(target, error) from error
        raise
    finally:
        image.unlink(missing_ok=True)


def _write_error(target: Path, error: OSError) -> UserError:
    return UserError(
        f"cannot write: {error.strerror}", location=Location(target), hint=_TARGET_FULL_HINT
    )


def _is_full(folder: Path) -> bool:
    room = os.statvfs(folder)
    return room.f_bavail * room.f_frsize < 2**20
