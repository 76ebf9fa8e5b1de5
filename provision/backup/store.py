# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep copies of a boat's files in a folder on this computer, and their digests.

The folder holds secrets: settings have the Wi-Fi's pass-phrase and the boat's host key in the
clear.
Its mode is 0700, and a .gitignore in its parent keeps all backups out of a repository.

`index.json` says of each copy its size, the time and the SHA-256 that the boat told. A file that is
not complete has a name that begins with a dot.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from provision.backup.rooms import ROOMS
from provision.errors import Location, UserError
from provision.onboard.settings.atomic import sync_folder
from provision.profile.secrets import private_file

#: The format of `index.json`.
FORMAT = 1

#: The folder of all backups, beside the profiles.
FOLDER = "backup"

INDEX = "index.json"

#: Where a copy goes that the boat no longer has as it was.
SET_ASIDE = "set-aside"


@dataclass(frozen=True)
class Copy:
    """Hold what is known of one copy. `time` is as the boat told, in seconds since 1970."""

    size: int
    time: int
    sha256: str


@dataclass
class Store:
    """Hold one boat's backup."""

    folder: Path
    boat: str
    copies: dict[str, Copy] = field(default_factory=dict)
    taken: float = 0.0
    """When the last backup came to its end, in seconds since 1970; 0 for never."""

    @classmethod
    def open(cls, parent: Path, boat: str) -> Store:
        """Open a boat's backup below `parent`, or begin one. UserError if it is another's."""
        folder = parent / boat
        try:
            parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            ignore = parent / ".gitignore"
            if not ignore.exists():
                ignore.write_text("# What is here has secrets in the clear.\n*\n")
            folder.mkdir(mode=0o700, exist_ok=True)
            folder.chmod(0o700)
            for room in (*ROOMS,):
                (folder / room.name).mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            raise UserError(
                f"cannot be made: {error.strerror}",
                location=Location(folder),
                hint="name a folder where you may write with --into",
            ) from error
        store = cls(folder, boat)
        store._read()
        return store

    @classmethod
    def look_into(cls, parent: Path, boat: str) -> Store:
        """Open a boat's backup and change nothing: it may be on a stick that cannot be written.

        UserError if it is another's, or damaged.
        """
        store = cls(parent / boat, boat)
        store._read()
        return store

    def _read(self) -> None:
        file = self.folder / INDEX
        if not file.exists():
            return
        try:
            found = json.loads(file.read_text(encoding="utf-8"))
            if found["format"] != FORMAT:
                raise ValueError(f"its format is {found['format']}, and not {FORMAT}")
            self.copies = {key: Copy(**copy) for key, copy in found["files"].items()}
            self.taken = float(found["taken"])
            boat = found["boat"]
        except (ValueError, KeyError, TypeError, OSError) as error:
            raise UserError(
                f"cannot be read: {error}",
                location=Location(file),
                hint="move the folder away, and the whole boat is copied anew",
            ) from error
        if boat != self.boat:
            raise UserError(
                f"this is the backup of {boat}",
                location=Location(file),
                hint=f"name another folder for {self.boat} with --into",
            )

    def write_index(self) -> None:
        """Write what is known of all copies, in one step."""
        content = {
            "format": FORMAT,
            "boat": self.boat,
            "taken": self.taken,
            "files": {key: asdict(copy) for key, copy in sorted(self.copies.items())},
        }
        data = json.dumps(content, indent=1).encode() + b"\n"
        private_file.write(self.folder / INDEX, data, replace=True)

    def path(self, key: str) -> Path:
        """Return where a complete copy is."""
        return self.folder / key

    def partial(self, key: str) -> Path:
        """Return where a copy grows until it is complete."""
        path = self.folder / key
        return path.with_name(f".{path.name}.part")

    def is_blocked(self, key: str) -> bool:
        """Tell if the backup has a folder at a file's path, or a file in place of its folder."""
        path = self.path(key)
        above = [self.folder / parent for parent in Path(key).parents if str(parent) != "."]
        return path.is_dir() or any(one.is_file() for one in above)

    def make_folders(self, key: str) -> None:
        """Make the folders of a file, for its owner alone."""
        for parent in reversed(Path(key).parents):
            (self.folder / parent).mkdir(mode=0o700, exist_ok=True)

    def whole(self, key: str) -> bool:
        """Tell whether a copy is there with the size that it had."""
        try:
            return self.path(key).stat().st_size == self.copies[key].size
        except (OSError, KeyError):
            return False

    def complete(self, key: str, copy: Copy) -> None:
        """Give a file that has grown to its end its name. The index is written later."""
        os.utime(self.partial(key), (copy.time, copy.time))
        self.partial(key).replace(self.path(key))
        sync_folder(self.path(key).parent)
        self.copies[key] = copy

    def set_aside(self, key: str) -> None:
        """Keep a copy that the boat no longer has as it was, under a name of its own."""
        aside = self.folder / SET_ASIDE
        aside.mkdir(mode=0o700, exist_ok=True)
        path = self.path(key)
        number = 1
        while (target := aside / f"{path.name}.{number}").exists():
            number += 1
        path.rename(target)
        self.copies.pop(key, None)

    def drop(self, keys: Iterable[str]) -> None:
        """Remove copies."""
        for key in keys:
            self.path(key).unlink(missing_ok=True)
            self.copies.pop(key, None)


def digest(path: Path, size: int | None = None) -> str:
    """Return the SHA-256 of a file, or of its first bytes."""
    found = hashlib.sha256()
    left = path.stat().st_size if size is None else size
    with path.open("rb") as file:
        while left and (piece := file.read(min(left, 2**20))):
            found.update(piece)
            left -= len(piece)
    return found.hexdigest()
