# SPDX-License-Identifier: GPL-3.0-or-later
"""Copy one file onto the card in one step: what reads it finds all of the old or all of the new.

The file grows in a folder of its own that begins with a dot. It is flushed, read back past the page
cache, compared by SHA-256, and only then gets its name. A cut leaves the former file.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

from provision.onboard.charts.stick.listing import Found

#: Bytes that are read at once, and written before the card is waited for. While it writes less than
#: that, the voyage log waits for a moment only.
PIECE_BYTES, FLUSH_BYTES = 2**18, 2**22

#: The folder below that of all charts where a file grows.
UNFINISHED = ".new"

#: Permission bits of files and folders. Each copy may run as another user of the same group.
FILE_MODE, FOLDER_MODE = 0o664, 0o775

#: Called with the bytes that were copied since the last call.
Report = Callable[[int], None]


class NotCopied(Exception):
    """Says why one file is left out. The next one may be copied."""


class StickBroken(Exception):
    """Says that a file of the stick cannot be read."""


class CardFailing(Exception):
    """Says that the card takes no more, or gives back something else."""


def clear_unfinished(folder: str) -> None:
    """Remove what an earlier copy left unfinished. OSError when the card takes no writes."""
    os.makedirs(f"{folder}/{UNFINISHED}", exist_ok=True)
    for name in os.listdir(f"{folder}/{UNFINISHED}"):
        os.unlink(f"{folder}/{UNFINISHED}/{name}")


def put(source: int, file: Found, folder: str, report: Report) -> None:
    """Copy what the descriptor `source` reads to the file's path below `folder`.

    Raise NotCopied, StickBroken or CardFailing. Then the former file is as it was.
    """
    growing = f"{folder}/{UNFINISHED}/file"
    with card_explained():
        target = os.open(growing, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW, 0o600)
    try:
        digest = _copy(source, file, target, report)
        _check_unchanged(source, file)
        with card_explained():
            os.utime(target, (file.time, file.time))
            os.fchmod(target, FILE_MODE)
            os.fsync(target)
            os.posix_fadvise(target, 0, 0, os.POSIX_FADV_DONTNEED)
            if _digest(target) != digest:
                raise CardFailing("the card gave back something else than was written")
            _name(growing, folder, file.path)
    except BaseException:
        with suppress(OSError):
            os.unlink(growing)
        raise
    finally:
        os.close(target)


def _copy(source: int, file: Found, target: int, report: Report) -> bytes:
    """Copy the bytes of a file, flush them piece by piece, and return their SHA-256."""
    digest, left, unflushed = hashlib.sha256(), file.size, 0
    while left:
        piece = _read(source, min(left, PIECE_BYTES))
        if not piece:
            raise NotCopied("changed while it was read")
        digest.update(piece)
        left -= len(piece)
        unflushed += len(piece)
        with card_explained():
            _write_all(target, piece)
            if unflushed >= FLUSH_BYTES:
                os.fdatasync(target)
                unflushed = 0
        report(len(piece))
    return digest.digest()


def _check_unchanged(source: int, file: Found) -> None:
    if _read(source, 1) or os.fstat(source).st_size != file.size:
        raise NotCopied("changed while it was read")
    # What was read from the stick is needed no more: leave the memory to others.
    with suppress(OSError):
        os.posix_fadvise(source, 0, 0, os.POSIX_FADV_DONTNEED)


def _name(growing: str, folder: str, path: str) -> None:
    """Give a whole file its name, and flush that name and those of new folders."""
    *folders, _ = path.split("/")
    here = folder
    for name in folders:
        above, here = here, f"{here}/{name}"
        with suppress(FileExistsError):
            os.mkdir(here, FOLDER_MODE)
            # The user's mask may be narrower.
            os.chmod(here, FOLDER_MODE)
            _sync(above)
    os.replace(growing, f"{folder}/{path}")
    _sync(here)


def _sync(folder: str) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _read(source: int, size: int) -> bytes:
    try:
        return os.read(source, size)
    except OSError as error:
        raise StickBroken(error.strerror) from error


def _write_all(target: int, piece: bytes) -> None:
    view = memoryview(piece)
    while view:
        view = view[os.write(target, view) :]


def _digest(target: int) -> bytes:
    digest, offset = hashlib.sha256(), 0
    while piece := os.pread(target, PIECE_BYTES, offset):
        digest.update(piece)
        offset += len(piece)
    return digest.digest()


@contextmanager
def card_explained() -> Iterator[None]:
    """Say of any failure of the card that it is one."""
    try:
        yield
    except OSError as error:
        raise CardFailing(str(error)) from error
