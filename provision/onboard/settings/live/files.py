# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare the running system's files with the wanted ones, and write them.

Everything here is RAM (the overlay), so nothing is synced. A file is either the old one or
the new one, never half of it. It is never readable by more users than its mode allows.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import stat
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from pathlib import Path, PurePosixPath

from provision.onboard.settings.archive.manifest import Entry, File, Link
from provision.onboard.settings.archive.read import Settings, digest_of
from provision.onboard.settings.atomic import write_new
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.paths import MANIFEST, Paths


class NotAFile(Enum):
    """Names what can stand at a path in place of a file or a link."""

    FOLDER = "folder"
    OTHER = "other"
    FOREIGN_OWNER = "owner"


@dataclass(frozen=True)
class WantedFile:
    """Describes a path as it should be. `entry` is None where nothing should be."""

    entry: Entry | None
    content: bytes = b""


def inspect(file: Path) -> Entry | NotAFile | None:
    """Return what is at `file`, without following a link there."""
    try:
        found = file.lstat()
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
            return None
        raise
    if stat.S_ISLNK(found.st_mode):
        return Link(os.readlink(file))
    if stat.S_ISDIR(found.st_mode):
        return NotAFile.FOLDER
    if not stat.S_ISREG(found.st_mode):
        return NotAFile.OTHER
    if (found.st_uid, found.st_gid) != (os.geteuid(), os.getegid()):
        return NotAFile.FOREIGN_OWNER
    return File(stat.S_IMODE(found.st_mode), digest_of(file.read_bytes()))


def describe_difference(wanted: Entry | None, found: Entry | NotAFile | None) -> str | None:
    """Return one word for how `found` differs from `wanted`, or None when it does not.

    A folder where no file is wanted is no difference: it may hold files of other programs.
    """
    if wanted == found or (wanted is None and found is NotAFile.FOLDER):
        return None
    word = "kind"
    if found is None:
        word = "missing"
    elif wanted is None:
        word = "present"
    elif isinstance(wanted, Link) and isinstance(found, Link):
        word = "link"
    elif isinstance(wanted, File) and isinstance(found, File):
        word = "content" if wanted.sha256 != found.sha256 else "mode"
    elif isinstance(wanted, File) and found is NotAFile.FOREIGN_OWNER:
        word = "owner"
    return word


def find_drift(aboard: Paths, settings: Settings) -> dict[str, str]:
    """Map each path of `settings` that differs on the running system to `difference`'s word."""
    found = inspect_all(aboard, settings.entries)
    words = {
        p: describe_difference(entry, found[p]) for p, entry in sorted(settings.entries.items())
    }
    return {path: word for path, word in words.items() if word}


def find_wanted(
    settings: Settings, paths: Iterable[str], base: Path | None
) -> dict[str, WantedFile]:
    """Return each path as `settings` have it, else as the base has it, else as absent."""
    folders = {folder for path in settings.entries for folder in _folders(path)}
    return {path: _wanted(settings, path, base if path not in folders else None) for path in paths}


def _folders(path: str) -> list[str]:
    """Return the folders that `path` lies in, innermost first, without the root."""
    return [str(parent) for parent in PurePosixPath(path).parents][:-1]


def _wanted(settings: Settings, path: str, base: Path | None) -> WantedFile:
    if path in settings.entries:
        return WantedFile(settings.entries[path], settings.contents.get(path, b""))
    if base is not None:
        file = base / path.lstrip("/")
        entry = inspect(file)
        if isinstance(entry, File):
            return WantedFile(entry, file.read_bytes())
        if isinstance(entry, Link):
            return WantedFile(entry)
    return WantedFile(None)


def inspect_all(aboard: Paths, paths: Iterable[str]) -> dict[str, Entry | NotAFile | None]:
    """Return what is at each of `paths` on the running system.

    A path behind a link that is itself one of `paths` counts as absent: the link may go.
    """
    found = {path: inspect(aboard.live(path)) for path in paths}
    links = {path for path, what in found.items() if isinstance(what, Link)}
    return {path: None if links & {*_folders(path)} else what for path, what in found.items()}


def find_changes(aboard: Paths, wants: Mapping[str, WantedFile]) -> dict[str, WantedFile]:
    """Return the paths of `wants` that the running system does not match."""
    found = inspect_all(aboard, wants)
    return {
        p: want
        for p, want in wants.items()
        if describe_difference(want.entry, found[p]) is not None
    }


def find_missing_folders(aboard: Paths, paths: Iterable[str]) -> list[str]:
    """Return the folders that files at `paths` will need and that are missing, parents first."""
    folders = {folder for path in paths for folder in _folders(path)}
    return sorted(folder for folder in folders if not aboard.live(folder).is_dir())


def write_files(aboard: Paths, changes: Mapping[str, WantedFile], *, force: bool) -> None:
    """Make each path as wanted: removals first, the manifest last.

    A folder in a file's place is an error, unless no file is in it or `force` is set. With
    `force` a failure does not stop the rest: the first one is raised at the end.
    """
    gone = sorted((path for path, want in changes.items() if want.entry is None), reverse=True)
    come = sorted(changes.keys() - gone, key=lambda path: (path == MANIFEST, path))
    failures: list[OSError | SettingsError] = []
    for path in [*gone, *come]:
        try:
            _write_or_remove(aboard, path, changes[path], force)
        except (OSError, SettingsError) as error:
            failures.append(error)
            if not force:
                break
    if failures:
        raise failures[0]


def _write_or_remove(aboard: Paths, path: str, want: WantedFile, force: bool) -> None:
    if want.entry is None:
        _remove(aboard.live(path), force)
    else:
        _write(aboard, path, want.entry, want.content, force)


def remove_folders(aboard: Paths, folders: Iterable[str]) -> None:
    """Remove those of `folders` that are empty, children first."""
    for folder in sorted(folders, reverse=True):
        with contextlib.suppress(OSError):
            os.rmdir(aboard.live(folder))


def remove_leftovers(aboard: Paths, paths: Iterable[str]) -> None:
    """Remove the temporary files of an earlier `put` that was killed."""
    for path in paths:
        with contextlib.suppress(OSError):
            os.unlink(_temporary(aboard.live(path)))


def _temporary(file: Path) -> Path:
    """Return a name beside `file` that no program's pattern for its own files matches."""
    name = hashlib.sha256(os.fsencode(file.name)).hexdigest()[:16]
    return file.with_name(f".boat-settings-{name}.new")


def _write(aboard: Paths, path: str, entry: Entry, content: bytes, force: bool) -> None:
    file = aboard.live(path)
    _make_folders(aboard, os.path.dirname(path), force)
    if inspect(file) is NotAFile.FOLDER:
        _remove(file, force)
    temporary = _temporary(file)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(temporary)
    if isinstance(entry, Link):
        os.symlink(entry.target, temporary)
    else:
        write_new(temporary, content, entry.mode)
    os.replace(temporary, file)


def _make_folders(aboard: Paths, folder: str, force: bool) -> None:
    file = aboard.live(folder)
    if folder == "/" or file.is_dir():
        return
    _make_folders(aboard, os.path.dirname(folder), force)
    if os.path.lexists(file):
        if not force:
            raise SettingsError("folder", f"{folder} is no folder, and the settings need one there")
        os.unlink(file)
    os.mkdir(file, 0o755)
    os.chmod(file, 0o755)  # noqa: S103  (whatever the umask)


def _remove(file: Path, force: bool) -> None:
    found = inspect(file)
    if found is None:
        return
    if found is not NotAFile.FOLDER:
        os.unlink(file)
    elif force:
        shutil.rmtree(file)
    else:
        try:
            for folder, _, _ in os.walk(file, topdown=False):
                os.rmdir(folder)
        except OSError as error:
            message = f"{file} is a folder with files of its own ({error.strerror})"
            raise SettingsError("folder", message) from None
