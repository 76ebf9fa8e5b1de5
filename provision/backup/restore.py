# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose the files of a backup that go back onto a boat's new card."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from provision.backup.rooms import ROOMS, Room
from provision.backup.store import INDEX, Store, digest
from provision.card.layout.filesystems import Filed
from provision.errors import Location, UserError


@dataclass(frozen=True)
class Restorable:
    """Hold the files to put back, by their path on the data partition, and what is left out."""

    files: Mapping[str, Filed]
    damaged: tuple[str, ...]
    taken: float
    """When the backup was made, in seconds since 1970."""


def find_restorable(parent: Path, boat: str) -> Restorable:
    """Find what of a boat's backup goes onto a card: logs, history and charts, each compared.

    Settings are not among them, since the card gets those of the profile. UserError without a
    backup.
    """
    if not (parent / boat / INDEX).is_file():
        raise UserError(
            f"there is no backup of {boat}",
            location=Location(parent / boat),
            hint=f"make one while the boat runs: provision backup {boat}; or leave out "
            "--with-backup",
        )
    store = Store.look_into(parent, boat)
    rooms: dict[str, Room] = {room.name: room for room in ROOMS if room.group is not None}
    files, damaged = {}, []
    for key, copy in sorted(store.copies.items()):
        room = rooms.get(key.partition("/")[0])
        if room is None:
            continue
        path = store.path(key)
        if not store.whole(key) or digest(path) != copy.sha256:
            damaged.append(key)
            continue
        name = f"{room.folder.removeprefix('/data/')}/{key.partition('/')[2]}"
        files[name] = Filed(path.absolute(), room.group or 0, room.mode, copy.time)
    return Restorable(files, tuple(damaged), store.taken)
