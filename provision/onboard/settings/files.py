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

from provision.onboard.settings.archive import Settings, digest_of
from provision.onboard.settings.errors import SettingsError
from provision.onboard.settings.manifest import Entry, File, Link
from provision.onboard.settings.paths import MANIFEST, Places


class Odd(Enum):
    """Names what can stand at a path in place of a file or a link."""

    FOLDER = "folder"
    OTHER = "other"
    FOREIGN_OWNER = "owner"


@dataclass(frozen=True)
class Wanted:
    """Describes a path as it should be. `entry` is None where nothing should be."""

    entry: Entry | None
    content: bytes = b""


def look(place: Path) -> Entry | Odd | None:
    """Return what is at `place`, without following a link there."""
    try:
        found = place.lstat()
    except OSError as error:
        if error.errno in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
            return None
        raise
    if stat.S_ISLNK(found.st_mode):
        return Link(os.readlink(place))
    if stat.S_ISDIR(found.st_mode):
        return Odd.FOLDER
    if not stat.S_ISREG(found.st_mode):
        return Odd.OTHER
    if (found.st_uid, found.st_gid) != (os.geteuid(), os.getegid()):
        return Odd.FOREIGN_OWNER
    return File(stat.S_IMODE(found.st_mode), digest_of(place.read_bytes()))


def difference(wanted: Entry | None, found: Entry | Odd | None) -> str | None:
    """Return one word for how `found` differs from `wanted`, or None when it does not.

    A folder where no file is wanted is no difference: it may hold files of other programs.
    """
    if wanted == found or (wanted is None and found is Odd.FOLDER):
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
    elif isinstance(wanted, File) and found is Odd.FOREIGN_OWNER:
        word = "owner"
    return word


def drift(places: Places, settings: Settings) -> dict[str, str]:
    """Map each path of `settings` that differs on the running system to `difference`'s word."""
    found = seen(places, settings.entries)
    words = {p: difference(entry, found[p]) for p, entry in sorted(settings.entries.items())}
    return {path: word for path, word in words.items() if word}


def wanted(settings: Settings, paths: Iterable[str], base: Path | None) -> dict[str, Wanted]:
    """Return each path as `settings` have it, else as the base has it, else as absent."""
    folders = {folder for path in settings.entries for folder in _folders(path)}
    return {path: _wanted(settings, path, base if path not in folders else None) for path in paths}


def _folders(path: str) -> list[str]:
    """Return the folders that `path` lies in, innermost first, without the root."""
    return [str(parent) for parent in PurePosixPath(path).parents][:-1]


def _wanted(settings: Settings, path: str, base: Path | None) -> Wanted:
    if path in settings.entries:
        return Wanted(settings.entries[path], settings.contents.get(path, b""))
    if base is not None:
        place = base / path.lstrip("/")
        entry = look(place)
        if isinstance(entry, File):
            return Wanted(entry, place.read_bytes())
        if isinstance(entry, Link):
            return Wanted(entry)
    return Wanted(None)


def seen(places: Places, paths: Iterable[str]) -> dict[str, Entry | Odd | None]:
    """Return what is at each of `paths` on the running system.

    A path behind a link that is itself one of `paths` counts as absent: the link may go.
    """
    found = {path: look(places.live(path)) for path in paths}
    links = {path for path, what in found.items() if isinstance(what, Link)}
    return {path: None if links & {*_folders(path)} else what for path, what in found.items()}


def differing(places: Places, wants: Mapping[str, Wanted]) -> dict[str, Wanted]:
    """Return the paths of `wants` that the running system does not match."""
    found = seen(places, wants)
    return {p: want for p, want in wants.items() if difference(want.entry, found[p]) is not None}


def missing_folders(places: Places, paths: Iterable[str]) -> list[str]:
    """Return the folders that files at `paths` will need and that are missing, parents first."""
    folders = {folder for path in paths for folder in _folders(path)}
    return sorted(folder for folder in folders if not places.live(folder).is_dir())


def put(places: Places, changes: Mapping[str, Wanted], *, force: bool) -> None:
    """Make each path as wanted: removals first, the manifest last.

    A folder in a file's place is an error, unless no file is in it or `force` is set. With
    `force` a failure does not stop the rest: the first one is raised at the end.
    """
    gone = sorted((path for path, want in changes.items() if want.entry is None), reverse=True)
    come = sorted(changes.keys() - gone, key=lambda path: (path == MANIFEST, path))
    failures: list[OSError | SettingsError] = []
    for path in [*gone, *come]:
        try:
            _make(places, path, changes[path], force)
        except (OSError, SettingsError) as error:
            failures.append(error)
            if not force:
                break
    if failures:
        raise failures[0]


def _make(places: Places, path: str, want: Wanted, force: bool) -> None:
    if want.entry is None:
        _remove(places.live(path), force)
    else:
        _write(places, path, want.entry, want.content, force)


def remove_folders(places: Places, folders: Iterable[str]) -> None:
    """Remove those of `folders` that are empty, children first."""
    for folder in sorted(folders, reverse=True):
        with contextlib.suppress(OSError):
            os.rmdir(places.live(folder))


def remove_leftovers(places: Places, paths: Iterable[str]) -> None:
    """Remove the temporary files of an earlier `put` that was killed."""
    for path in paths:
        with contextlib.suppress(OSError):
            os.unlink(_temporary(places.live(path)))


def _temporary(place: Path) -> Path:
    """Return a name beside `place` that no program's pattern for its own files matches."""
    name = hashlib.sha256(os.fsencode(place.name)).hexdigest()[:16]
    return place.with_name(f".boat-settings-{name}.new")


def _write(places: Places, path: str, entry: Entry, content: bytes, force: bool) -> None:
    place = places.live(path)
    _make_folders(places, os.path.dirname(path), force)
    if look(place) is Odd.FOLDER:
        _remove(place, force)
    temporary = _temporary(place)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(temporary)
    if isinstance(entry, Link):
        os.symlink(entry.target, temporary)
    else:
        _fill(temporary, content, entry.mode)
    os.replace(temporary, place)


def _fill(place: Path, content: bytes, mode: int) -> None:
    descriptor = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600)
    try:
        write_all(descriptor, content)
        os.fchmod(descriptor, mode)
    finally:
        os.close(descriptor)


def write_all(descriptor: int, content: bytes) -> None:
    """Write all of `content`, however many calls that takes."""
    view = memoryview(content)
    while view:
        view = view[os.write(descriptor, view) :]


def _make_folders(places: Places, folder: str, force: bool) -> None:
    place = places.live(folder)
    if folder == "/" or place.is_dir():
        return
    _make_folders(places, os.path.dirname(folder), force)
    if os.path.lexists(place):
        if not force:
            raise SettingsError("folder", f"{folder} is no folder, and the settings need one there")
        os.unlink(place)
    os.mkdir(place, 0o755)
    os.chmod(place, 0o755)  # noqa: S103  (whatever the umask)


def _remove(place: Path, force: bool) -> None:
    found = look(place)
    if found is None:
        return
    if found is not Odd.FOLDER:
        os.unlink(place)
    elif force:
        shutil.rmtree(place)
    else:
        try:
            for folder, _, _ in os.walk(place, topdown=False):
                os.rmdir(folder)
        except OSError as error:
            message = f"{place} is a folder with files of its own ({error.strerror})"
            raise SettingsError("folder", message) from None
