# SPDX-License-Identifier: GPL-3.0-or-later
"""Decide which files of a boat have to be copied, and from which byte on.

The voyage log only appends to its newest file, and renames a file when the clock learns the day. A
power cut may take a file's last bytes.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from provision.backup.aboard import FileAboard
from provision.backup.store import Store

#: The part of a log file's name that stays when its day is corrected.
_NUMBER = re.compile(r"log/log-(\d+)-")


@dataclass
class Changes:
    """Hold what differs between a boat and its backup."""

    same: list[FileAboard] = field(default_factory=list)
    new: list[FileAboard] = field(default_factory=list)
    """Not in the backup, or there in a state that has to be compared."""
    renamed: list[tuple[str, FileAboard]] = field(default_factory=list)
    """Former keys, and the files that these are now."""
    gone: list[str] = field(default_factory=list)
    """Keys of mirrored rooms that the boat no longer has."""


def find_changes(store: Store, files: Sequence[FileAboard]) -> Changes:
    """Compare the files aboard with the copies, by name, size and time."""
    changes, keys = Changes(), {file.key for file in files}
    former = {
        match[1]: key
        for key in store.copies
        if key not in keys and (match := _NUMBER.match(key)) and store.whole(key)
    }
    for file in files:
        copy = store.copies.get(file.key)
        match = _NUMBER.match(file.key)
        if copy and store.whole(file.key) and (copy.size, copy.time) == (file.size, file.time):
            changes.same.append(file)
        elif copy is None and match and match[1] in former:
            changes.renamed.append((former[match[1]], file))
        else:
            changes.new.append(file)
    rooms = {f"{file.room.name}/" for file in files if file.room.mirrored}
    changes.gone = [
        key for key in store.copies if key not in keys and key.partition("/")[0] + "/" in rooms
    ]
    return changes
