# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy what a boat has and the backup lacks. Each copy counts only when its digest is the boat's.

A copy that was cut off goes on where it stopped: the next backup keeps what had come, and the
digest of the whole tells whether that was right. Files are checked in groups, so that a cut loses
little.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.backup.aboard import Aboard, FileAboard
from provision.backup.changes import find_changes
from provision.backup.rooms import ROOMS
from provision.backup.store import Copy, Store, digest

#: Bytes of files that are checked together.
GROUP_BYTES = 2**25

Report = Callable[[str], None]


@dataclass
class Copied:
    """Count what one backup did."""

    files: int = 0
    """Files that were copied, whole or their new end."""
    sent: int = 0
    """Bytes that came over the network."""
    kept: int = 0
    """Files in the backup now."""
    kept_bytes: int = 0
    left_out: tuple[str, ...] = ()
    """What was not copied, and why."""


def copy_boat(aboard: Aboard, store: Store, report: Report = lambda _: None) -> Copied:
    """Bring the backup up to date. Raise Broken when the connection does not last.

    The index is written after each group, so that nothing complete is copied twice.
    """
    copied = Copied()
    files, left_out = _listed(aboard)
    changes = find_changes(store, files)
    for former, file in changes.renamed:
        store.path(former).rename(store.path(file.key))
        store.copies[file.key] = store.copies.pop(former)
        changes.new.append(file)
    total = sum(file.size for file in changes.new)
    done = 0
    for group in _groups(changes.new):
        left_out += _copy_group(aboard, store, group, copied)
        done += sum(file.size for file in group)
        report(f"{done >> 20} of {total >> 20} MiB")
        store.write_index()
    # Only a boat that has answered for all its files lets copies of its former settings go.
    if not left_out:
        store.drop(changes.gone)
    store.taken = time.time()
    store.write_index()
    copied.kept, copied.kept_bytes = (
        len(store.copies),
        sum(one.size for one in store.copies.values()),
    )
    copied.left_out = tuple(left_out)
    return copied


def _listed(aboard: Aboard) -> tuple[list[FileAboard], list[str]]:
    """List what the boat has, and what of it is left out."""
    files: list[FileAboard] = []
    left_out = []
    for room in ROOMS:
        for file in aboard.files(room):
            if file.size > room.max_bytes:
                left_out.append(f"{file.key}: larger than {room.max_bytes >> 20} MiB")
            else:
                files.append(file)
    return files, left_out


def _groups(files: Sequence[FileAboard]) -> Iterator[list[FileAboard]]:
    group: list[FileAboard] = []
    for file in files:
        group.append(file)
        if sum(one.size for one in group) >= GROUP_BYTES:
            yield group
            group = []
    if group:
        yield group


def _copy_group(
    aboard: Aboard, store: Store, group: Sequence[FileAboard], copied: Copied
) -> list[str]:
    """Copy files and check them. Return what could not be copied, with the reason."""
    blocked = [
        f"{file.key}: the backup has a file and a folder of one name"
        for file in group
        if store.is_blocked(file.key)
    ]
    left = [file for file in group if not store.is_blocked(file.key)]
    for attempt in range(2):
        for file in left:
            copied.sent += _copy_file(aboard, store, file, fresh=attempt > 0)
        wanted = aboard.digests([(file, file.size) for file in left])
        wrong = []
        for file, sha256 in zip(left, wanted, strict=True):
            if sha256 is None or digest(store.partial(file.key)) != sha256:
                wrong.append(file)
                continue
            _accept(store, file, sha256)
            copied.files += 1
        left = wrong
        if not left:
            return blocked
    for file in left:
        store.partial(file.key).unlink(missing_ok=True)
    changed = "it changed or could not be read while it was copied"
    return [*blocked, *(f"{file.key}: {changed}" for file in left)]


def _accept(store: Store, file: FileAboard, sha256: str) -> None:
    """Take a complete copy in. A copy of before that it does not continue is kept aside."""
    former = store.path(file.key)
    if former.exists() and not file.room.mirrored:
        begins = digest(store.partial(file.key), former.stat().st_size)
        if digest(former) != begins:
            store.set_aside(file.key)
    store.complete(file.key, Copy(file.size, file.time, sha256))


def _may_have_grown(file: FileAboard, partial: Path, former: Path) -> bool:
    """Tell if the copy of before is likely the beginning of the file. Logs only grow."""
    if file.room.mirrored or partial.exists() or not former.exists():
        return False
    return file.size >= former.stat().st_size


def _copy_file(aboard: Aboard, store: Store, file: FileAboard, *, fresh: bool) -> int:
    """Let the copy grow to the file's size, from what is here already. Return the bytes sent."""
    partial, former = store.partial(file.key), store.path(file.key)
    store.make_folders(file.key)
    if fresh:
        partial.unlink(missing_ok=True)
    elif _may_have_grown(file, partial, former):
        shutil.copyfile(former, partial)
    with os.fdopen(os.open(partial, os.O_RDWR | os.O_CREAT, 0o600), "r+b") as target:
        start = target.seek(0, os.SEEK_END)
        if start > file.size:
            target.truncate(0)
            start = target.seek(0)
        if start < file.size:
            for piece in aboard.pieces(file, start):
                target.write(piece)
        target.flush()
        os.fsync(target.fileno())
    return file.size - start
