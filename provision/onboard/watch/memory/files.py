# SPDX-License-Identifier: GPL-3.0-or-later
"""Read and write the files of the history on the card.

Each file is made of gzip members as those of the voyage log, one for each block of minutes, so
that `zcat` reads it. A member is appended in one piece, and nothing that was written is changed. A
torn or damaged member is left out alone. A new run never goes on with a file whose end may be torn.
"""

from __future__ import annotations

import os
import re
import zlib
from collections.abc import Iterator

from provision.onboard.feed.voyage_log.reader import compressor, member, members
from provision.onboard.watch.memory.block import Block, read_block

#: Bytes of a file after which the next one is begun, bytes of a file that are read, and bytes of
#: one block's text: two hundred links have 20 kB.
FULL_BYTES, MAX_READ_BYTES, MAX_TEXT_BYTES = 2**17, 2**20, 2**17

#: Bytes of all files on a boat: six times what thirty days without a pause take.
CAP_BYTES = 2 * 2**20

#: Files that are kept: one for each of ten starts a day for forty days.
MAX_FILES = 400

#: Bytes of the file system that the history leaves free.
MIN_FREE_BYTES = 64 * 2**20

_NAME = re.compile(r"history-(\d{6,12})\.gz")

_LEVEL = 9


def list_files(folder: str) -> list[str]:
    """Return the names of the history's files, the oldest first."""
    found = [
        (int(match[1]), name) for name in os.listdir(folder) if (match := _NAME.fullmatch(name))
    ]
    return [name for _, name in sorted(found)]


def pack(line: bytes) -> bytes:
    """Return one block as a gzip member."""
    packer = compressor(_LEVEL)
    return member(packer.compress(line) + packer.flush(), zlib.crc32(line), len(line))


def unpack(data: bytes) -> Iterator[Block]:
    """Yield the blocks of a file's bytes that are as they were written."""
    for text in members(data, most=MAX_TEXT_BYTES):
        block = read_block(text)
        if block is not None:
            yield block


def read_files(folder: str, cap: int) -> Iterator[Block]:
    """Yield the blocks of all files, the oldest first. A folder that cannot be read has none.

    Of files beyond `cap` bytes the newest are read.
    """
    chosen: list[str] = []
    size = 0
    try:
        for name in reversed(list_files(folder)[-MAX_FILES:]):
            size += os.stat(os.path.join(folder, name)).st_size
            if size > 2 * cap:
                break
            chosen.insert(0, name)
    except OSError:
        return
    for name in chosen:
        try:
            with open(os.path.join(folder, name), "rb") as file:
                data = file.read(MAX_READ_BYTES)
        except OSError:
            continue
        yield from unpack(data)


class Files:
    """Appends to the newest file, and removes the oldest beyond `cap` bytes."""

    def __init__(self, folder: str, cap: int) -> None:
        self._folder = folder
        self._cap = cap
        self._name = ""

    def append(self, made: bytes) -> None:
        """Append members in one piece. OSError if the card does not take them.

        Returns once they are on the card: the power may be cut at any moment from then on.
        """
        names = list_files(self._folder)
        if not self._name or self._size(self._name) + len(made) > FULL_BYTES:
            last = int(_NAME.fullmatch(names[-1])[1]) if names else 0  # type: ignore[index]
            self._name = f"history-{last + 1:06d}.gz"
        self._make_room(names, len(made))
        path = os.path.join(self._folder, self._name)
        file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        try:
            size = os.fstat(file).st_size
            if os.write(file, made) < len(made):
                # A later member would stand behind half of this one.
                os.ftruncate(file, size)
                raise OSError(28, "no room")
            os.fsync(file)
        finally:
            os.close(file)
        if not size:
            self._sync_folder()

    def _sync_folder(self) -> None:
        """Put the name of a new file on the card."""
        folder = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _size(self, name: str) -> int:
        try:
            return os.stat(os.path.join(self._folder, name)).st_size
        except FileNotFoundError:
            return 0

    def _make_room(self, names: list[str], coming: int) -> None:
        sizes = {name: self._size(name) for name in names if name != self._name}
        while sizes and (sum(sizes.values()) + coming > self._cap or len(sizes) >= MAX_FILES):
            oldest = next(iter(sizes))
            os.unlink(os.path.join(self._folder, oldest))
            del sizes[oldest]
        system = os.statvfs(self._folder)
        if system.f_bavail * system.f_frsize - coming < MIN_FREE_BYTES:
            raise OSError(28, "no room for the history")
