# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring the folder of a kit up to date: only what differs is written, and what is gone goes.

All new files are first written beside the old ones and read back. A full stick so leaves the former
kit as it was. Then each gets its name, the list of digests last.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from provision.errors import Location, UserError
from provision.kit.boats import Source
from provision.kit.fat import check_names, check_size
from provision.kit.starter import DESCRIPTION, PASSWORD, SUMS
from provision.onboard.settings.atomic import sync_folder

#: The digests of the files of the boats as they were packed.
PACKED_SUMS = "kit/packed.sha256"

#: Stands behind the name of a file that is not complete yet.
SUFFIX = ".kit-new"

#: What a stick may hold before its first use.
_OF_ANY_STICK = ("System Volume Information", "lost+found", ".Trash-", ".DS_Store", "._")

#: Bytes that a file takes at least on a stick: the largest cluster of FAT32.
_CLUSTER_BYTES = 2**15

_PIECE = 2**20


@dataclass(frozen=True)
class Written:
    """Hold how many files of a kit were written, kept and removed, and the bytes written."""

    written: int
    kept: int
    removed: int
    bytes: int


def check_target(target: Path, *, replace: bool = False) -> None:
    """Raise UserError if the folder holds something that is no kit, or changes made in the kit.

    `replace` gives up these changes.
    """
    try:
        if not target.exists():
            target.mkdir(mode=0o700)
        names = [path.name for path in target.iterdir()]
    except OSError as error:
        raise _refused(target, error) from error
    mine = (target / DESCRIPTION).is_file() and (target / SUMS).is_file()
    found = [name for name in names if not name.startswith(_OF_ANY_STICK)]
    if not mine and any(not _is_begun(target / name) for name in found):
        raise UserError(
            "holds other things, and is no kit",
            location=Location(target),
            hint="name a new folder, also on this stick, or an empty one",
        )
    if changed := [] if replace else list_changed(target):
        raise UserError(
            f"these files were changed in the kit since it was packed: {', '.join(changed)}",
            location=Location(target),
            hint="copy what you want to keep into the boats' folder; then give --replace",
        )


def _is_begun(path: Path) -> bool:
    """Tell if there is nothing but files of a kit that was begun and never finished."""
    files = [path] if path.is_file() else [one for one in path.rglob("*") if one.is_file()]
    return all(file.name.endswith(SUFFIX) for file in files)


def list_changed(target: Path) -> list[str]:
    """List the files of boats that commands changed in the kit: their digest is a newer one."""
    packed, now = read_sums(target / PACKED_SUMS), read_sums(target / SUMS)
    return sorted(
        name
        for name, one in now.items()
        if packed and name.startswith("boats/") and packed.get(name) != one
    )


def read_sums(file: Path) -> dict[str, str]:
    """Read a list of digests by file. Names that lead elsewhere are left out."""
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError):
        return {}
    pairs = [line.split("  ", 1) for line in lines if "  " in line]
    return {name: one for one, name in pairs if _is_plain(name)}


def _is_plain(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts


def write_kit(
    target: Path, files: Mapping[str, Source], report: Callable[[str], None] = lambda _: None
) -> Written:
    """Make the folder hold these files, by their path in it. Other files there are left alone.

    Raise UserError if the stick is full, bad, or cannot hold one of the files.
    """
    check_names(files)
    for name, source in files.items():
        check_size(name, _size(source))
    sums = {name: _digest(source) for name, source in files.items()}
    packed = _list_sums(sums)
    everything = {**files, PACKED_SUMS: packed}
    sums[PACKED_SUMS] = _digest(packed)
    everything[SUMS] = _list_sums(sums)
    former = read_sums(target / SUMS)
    _remove_begun(target)
    with _explained(target):
        changed = [
            name
            for name, source in everything.items()
            if not _is_same(target / name, sums.get(name) or _digest(source))
        ]
        _require_room(target, sum(_on_disk(everything[name]) for name in changed))
        try:
            for number, name in enumerate(changed, 1):
                report(f"{number} of {len(changed)} files, {name}")
                _write_beside(target / name, everything[name])
        except BaseException:
            _remove_begun(target)
            raise
        gone = [name for name in former if name not in everything]
        _exchange(target, changed, gone)
    written = sum(_size(everything[name]) for name in changed)
    return Written(len(changed), len(everything) - len(changed), len(gone), written)


def _list_sums(sums: Mapping[str, str]) -> bytes:
    """Return a list of digests as sha256sum(1) reads it."""
    return "".join(f"{one}  {name}\n" for name, one in sorted(sums.items())).encode()


def _size(source: Source) -> int:
    return len(source) if isinstance(source, bytes) else source.stat().st_size


def _on_disk(source: Source) -> int:
    return -(-_size(source) // _CLUSTER_BYTES) * _CLUSTER_BYTES


def _digest(source: Source) -> str:
    found = hashlib.sha256()
    for piece in _pieces(source):
        found.update(piece)
    return found.hexdigest()


def _pieces(source: Source) -> Iterator[bytes]:
    if isinstance(source, bytes):
        yield source
        return
    with source.open("rb") as stream:
        while piece := stream.read(_PIECE):
            yield piece


def _is_same(file: Path, digest: str) -> bool:
    return file.is_file() and not file.is_symlink() and _digest(file) == digest


def _require_room(target: Path, needed: int) -> None:
    free = shutil.disk_usage(target).free
    if needed > free:
        raise _full(target, f"{-(-(needed - free) // 10**6)} MB more are needed")


def _write_beside(file: Path, source: Source) -> None:
    """Write a file beside its name, and read it back past the cache."""
    file.parent.mkdir(parents=True, exist_ok=True)
    new = file.with_name(file.name + SUFFIX)
    mode = 0o600 if file.name in (PASSWORD, "operator") else 0o644
    wanted = hashlib.sha256()
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(descriptor, "wb") as stream:
        for piece in _pieces(source):
            wanted.update(piece)
            stream.write(piece)
        stream.flush()
        os.fsync(stream.fileno())
        os.posix_fadvise(stream.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
    if _digest(new) != wanted.hexdigest():
        raise UserError(
            "does not come back as it was written; the former kit is as it was",
            location=Location(file),
            hint="the stick is bad: take another one",
        )


def _exchange(target: Path, changed: Iterable[str], gone: Iterable[str]) -> None:
    """Give new files their names, the list of digests last, and remove what is gone."""
    try:
        for name in gone:
            (target / name).unlink(missing_ok=True)
            _remove_empty(target, (target / name).parent)
        for name in sorted(changed, key=lambda name: name == SUMS):
            new = (target / name).with_name(PurePosixPath(name).name + SUFFIX)
            new.replace(target / name)
            sync_folder(new.parent)
    except OSError as error:
        raise UserError(
            f"the kit is not whole: {error.strerror}",
            location=Location(target),
            hint="make it again before you rely on it",
        ) from error


def _remove_empty(target: Path, folder: Path) -> None:
    while folder != target and folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()
        folder = folder.parent


def _remove_begun(target: Path) -> None:
    """Remove the files of a kit that were not finished."""
    for file in [*target.rglob(f"*{SUFFIX}")]:
        file.unlink(missing_ok=True)


@contextmanager
def _explained(target: Path) -> Iterator[None]:
    """Turn an error of the disk into a UserError. The former kit is as it was."""
    try:
        yield
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise _full(target, "it became full while it was written") from error
        raise _refused(target, error) from error


def _full(target: Path, why: str) -> UserError:
    kept = "; the former kit is as it was" if (target / SUMS).is_file() else ""
    return UserError(
        f"there is no room: {why}{kept}",
        location=Location(target),
        hint="make room, or take a larger stick",
    )


def _refused(target: Path, error: OSError) -> UserError:
    return UserError(
        f"cannot be written: {error.strerror}",
        location=Location(target),
        hint="name a folder where you may write",
    )
