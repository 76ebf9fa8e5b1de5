# SPDX-License-Identifier: GPL-3.0-or-later
"""Write and read a device or plain file past the page cache."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from mmap import mmap
from pathlib import Path
from types import TracebackType
from typing import Self

from provision.errors import UserError

#: O_DIRECT needs offsets, lengths and buffers that are multiples of at most this.
ALIGNMENT = 4096


class DirectTarget:
    """Open a card for this program alone, to write it and to read it back.

    Uses O_DIRECT. Where the file system refuses that, everything is flushed and dropped from
    the page cache instead. `cache_mode` says which.
    """

    def __init__(self, path: Path) -> None:
        """Raise UserError if it cannot be opened. Nothing has been written then."""
        self.path = path
        flags = os.O_RDWR | os.O_CLOEXEC
        self._direct = True
        try:
            if stat.S_ISBLK(path.stat().st_mode):
                # Fails while it is mounted anywhere, or a volume is built on it.
                flags |= os.O_EXCL
            try:
                self._fd = os.open(path, flags | os.O_DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                self._direct = False
                self._fd = os.open(path, flags)
            # Ask udev, and so automounters, to leave the device alone until it is closed.
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise _not_opened(path, error) from error

    @property
    def cache_mode(self) -> str:
        """Name the way in which the page cache is avoided."""
        return "O_DIRECT" if self._direct else "fsync and POSIX_FADV_DONTNEED"

    @property
    def size(self) -> int:
        """Return how many bytes the card says that it holds."""
        return os.lseek(self._fd, 0, os.SEEK_END)

    def write(self, buffer: mmap, length: int, offset: int) -> None:
        """Write the first `length` bytes of a buffer at a multiple of 4096."""
        done = 0
        while done < length:
            self._set_direct(length - done)
            with memoryview(buffer) as view, view[done:length] as piece:
                try:
                    done += os.pwrite(self._fd, piece, offset + done)
                except OSError as error:
                    if not self._refused(error):
                        raise
        if not self._is_direct():
            os.fdatasync(self._fd)

    def read(self, buffer: mmap, length: int, offset: int) -> int:
        """Read that many bytes back from the device itself. Fewer only at its end."""
        done = 0
        while done < length:
            self._set_direct(length - done)
            if not self._is_direct():
                pages = -(-(length - done) // ALIGNMENT) * ALIGNMENT  # a part of one stays cached
                os.posix_fadvise(self._fd, offset + done, pages, os.POSIX_FADV_DONTNEED)
            with memoryview(buffer) as view, view[done:length] as piece:
                try:
                    got = os.preadv(self._fd, [piece], offset + done)
                except OSError as error:
                    if not self._refused(error):
                        raise
                    continue
            if not got:
                break
            done += got
        return done

    def sync(self) -> None:
        """Flush the device's own cache, so that a power cut loses nothing."""
        os.fsync(self._fd)

    def close(self) -> None:
        """Release the device."""
        os.close(self._fd)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _set_direct(self, length: int) -> None:
        """Use O_DIRECT for whole blocks only, and not for a shorter last one."""
        wanted = self._direct and length % ALIGNMENT == 0
        if wanted != self._is_direct():
            flags = fcntl.fcntl(self._fd, fcntl.F_GETFL)
            fcntl.fcntl(self._fd, fcntl.F_SETFL, flags ^ os.O_DIRECT)

    def _is_direct(self) -> bool:
        return bool(fcntl.fcntl(self._fd, fcntl.F_GETFL) & os.O_DIRECT)

    def _refused(self, error: OSError) -> bool:
        """Tell if O_DIRECT is refused now but was granted. Then go on without it."""
        if error.errno != errno.EINVAL or not self._is_direct():
            return False
        self._direct = False
        return True


def _not_opened(path: Path, error: OSError) -> UserError:
    reason = os.strerror(error.errno or 0)
    # Use the full path: root does not look for commands in a user's folders.
    root = 'writing to a device needs root: sudo "$(command -v provision)" write IMAGE DEVICE'
    hints = {
        errno.EACCES: root,
        errno.EPERM: root,
        errno.EBUSY: "something holds it: a mounted file system, a volume, a virtual machine",
        errno.EAGAIN: "another program is working on it; try again in a moment",
        errno.EROFS: "a card may have a slide at its side that locks it",
        errno.ENOMEDIUM: "put a card in",
    }
    return UserError(
        f"{path} cannot be opened for writing: {reason}", hint=hints.get(error.errno or 0, "")
    )
