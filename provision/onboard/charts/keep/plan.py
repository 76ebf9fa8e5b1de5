# SPDX-License-Identifier: GPL-3.0-or-later
"""Compare a stick with what the card has, and decide what to copy before anything is copied.

A file with the same size and the same time of its last change is the same file.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from provision.onboard.charts.keep.room import BLOCK_BYTES, Room, blocks_of
from provision.onboard.charts.stick.listing import MAX_FILES, Found, LeaveOut


@dataclass
class Plan:
    """Holds what is copied, and how many bytes the card lacks for it."""

    copy: list[Found] = field(default_factory=list)
    same: int = 0
    needed: int = 0
    files: int = 0
    """Files that the boat has afterwards."""

    @property
    def bytes(self) -> int:
        """Return the bytes that are copied."""
        return sum(file.size for file in self.copy)

    @property
    def too_many(self) -> bool:
        """Tell if the card would get more files than it should have."""
        return self.files > MAX_FILES


class _Former(NamedTuple):
    """Holds what is in the place of a file, and the bytes of its blocks."""

    kind: Literal["missing", "same", "changed", "blocked"]
    bytes: int = 0


def make_plan(files: Sequence[Found], folder: str, room: Room, leave_out: LeaveOut) -> Plan:
    """Decide which files to copy into `folder`.

    A file stays until its successor is whole, so both need room for a moment.
    """
    plan, used, peak = Plan(files=room.files), room.used, room.used
    made: set[str] = set()
    for file in files:
        former = _look(folder, file)
        if former.kind == "same":
            plan.same += 1
        elif former.kind == "blocked":
            leave_out(file.path, "a folder and a file of one name")
        else:
            plan.copy.append(file)
            plan.files += former.kind == "missing"
            used += BLOCK_BYTES * _new_folders(folder, file.path, made) + blocks_of(file.size)
            peak = max(peak, used)
            used -= former.bytes
    plan.needed = max(0, peak - room.cap) if plan.copy else 0
    return plan


def _look(folder: str, file: Found) -> _Former:
    try:
        about = os.lstat(f"{folder}/{file.path}")
    except FileNotFoundError:
        return _Former("missing")
    except NotADirectoryError:
        return _Former("blocked")
    if not stat.S_ISREG(about.st_mode):
        return _Former("blocked")
    same = (about.st_size, int(about.st_mtime)) == (file.size, file.time)
    return _Former("same" if same else "changed", about.st_blocks * 512)


def _new_folders(folder: str, path: str, made: set[str]) -> int:
    """Count the folders that have to be made for a file, each of them once."""
    count = 0
    while "/" in path:
        path = path.rpartition("/")[0]
        if path in made:
            break
        made.add(path)
        count += not os.path.isdir(f"{folder}/{path}")
    return count
