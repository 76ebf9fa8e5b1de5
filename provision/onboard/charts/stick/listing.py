# SPDX-License-Identifier: GPL-3.0-or-later
"""List the charts of a mounted stick, at a cost in time and memory that no stick can raise."""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable
from dataclasses import dataclass

from provision.onboard.charts.beneath import FOLDER_FLAGS, open_beneath
from provision.onboard.charts.stick.names import fault_of, is_hidden

#: Files and entries of all kinds that are looked at, folders below each other, and seconds.
MAX_FILES, MAX_ENTRIES, MAX_DEPTH, MAX_LOOK_S = 20_000, 50_000, 8, 120.0

#: The folder at the top of a stick, in any case of its letters: FAT may have capitals.
FOLDER = "charts"

#: The latest time of a file that is kept, in seconds since 1970. The earliest is 0.
MAX_TIME = 2**32

#: Called with the name of what is not taken, and the reason.
LeaveOut = Callable[[str, str], None]


class Refused(Exception):
    """Says by a word of `state.REASONS` why nothing of the stick is copied."""


@dataclass(frozen=True)
class Found:
    """Holds a file on the stick. `time` is its last change, in whole seconds since 1970."""

    path: str
    size: int
    time: int


def find_folder(stick: int) -> str | None:
    """Return the name of the folder of charts at the top of a stick, or None."""
    with os.scandir(stick) as entries:
        for number, entry in enumerate(entries):
            if number >= MAX_ENTRIES:
                return None
            if entry.name.casefold() == FOLDER and entry.is_dir(follow_symlinks=False):
                return entry.name
    return None


def list_charts(root: int, leave_out: LeaveOut) -> list[Found]:
    """Return the files below the folder `root`, sorted by path. Refused when they are too many.

    Links, pipes and devices are left out, and folders of other file systems. OSError when the stick
    cannot be read.
    """
    look = _Look(leave_out, os.fstat(root).st_dev)
    look.into(root, "", 0)
    return sorted(look.found, key=lambda file: file.path)


class _Look:
    def __init__(self, leave_out: LeaveOut, device: int) -> None:
        self.found: list[Found] = []
        self._leave_out = leave_out
        self._device = device
        self._entries = 0
        self._until = time.monotonic() + MAX_LOOK_S

    def into(self, folder: int, path: str, depth: int) -> None:
        folders = []
        with os.scandir(folder) as entries:
            for entry in entries:
                self._count()
                if is_hidden(entry.name):
                    continue
                if fault := fault_of(entry.name):
                    self._leave_out(f"{path}{entry.name}", fault)
                elif entry.is_dir(follow_symlinks=False):
                    folders.append(entry.name)
                else:
                    self._add(entry, path)
        for name in sorted(folders):
            self._descend(folder, path, name, depth)

    def _add(self, entry: os.DirEntry[str], path: str) -> None:
        about = entry.stat(follow_symlinks=False)
        if not stat.S_ISREG(about.st_mode):
            self._leave_out(f"{path}{entry.name}", "no file")
            return
        if len(self.found) >= MAX_FILES:
            raise Refused("too-many-files")
        changed = min(max(int(about.st_mtime), 0), MAX_TIME)
        self.found.append(Found(f"{path}{entry.name}", about.st_size, changed))

    def _descend(self, folder: int, path: str, name: str, depth: int) -> None:
        if depth >= MAX_DEPTH:
            self._leave_out(f"{path}{name}", "folders too deep")
            return
        try:
            below = open_beneath(folder, name, FOLDER_FLAGS)
        except PermissionError:
            self._leave_out(f"{path}{name}", "not readable")
            return
        try:
            if os.fstat(below).st_dev == self._device:
                self.into(below, f"{path}{name}/", depth + 1)
        finally:
            os.close(below)

    def _count(self) -> None:
        self._entries += 1
        if self._entries > MAX_ENTRIES:
            raise Refused("too-many-files")
        if time.monotonic() > self._until:
            raise Refused("too-slow")
