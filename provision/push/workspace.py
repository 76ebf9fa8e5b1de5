# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a private folder for one push, and remove it at the push's end."""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from provision.commands import find

#: A socket's path has at most 107 octets (unix(7)); OpenSSH's %C takes 40 of them and the
#: temporary name that it gives a socket 18 more (from memory).
MAX_FOLDER_BYTES = 107 - 40 - 18

#: Short, so that sockets have room below it, and unique, since a sweep removes old folders.
FOLDER_PREFIX = ".prov-"

#: RAM that every Linux has, for a user without a session of systemd.
SHARED_MEMORY = "/dev/shm"  # noqa: S108 - the same


@contextmanager
def workspace() -> Iterator[Path]:
    """Make a folder of mode 0700 with a short path, and close its connections at the end.

    It is in RAM where the system offers that. What a killed push left there is removed.
    """
    parents = _parents()
    for parent in parents:
        _sweep(parent)
    folder, lock = _make(parents[0])
    try:
        yield folder
    finally:
        _remove(folder)
        os.close(lock)


def _parents() -> list[Path]:
    """List the folders that may hold a workspace, the best first."""
    offered = (os.environ.get("XDG_RUNTIME_DIR"), SHARED_MEMORY, tempfile.gettempdir())
    writable = [Path(name) for name in offered if name and os.access(name, os.W_OK)]
    short = [
        parent
        for parent in writable
        if fits_sockets(parent / f"{FOLDER_PREFIX}12345678" / ("b" * 16) / "c")
    ]
    return [*short, Path("/tmp")]  # noqa: S108 - mkdtemp makes the folder private


def _make(parent: Path) -> tuple[Path, int]:
    """Make a new folder, and lock it."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=FOLDER_PREFIX, dir=parent))
        with suppress(FileNotFoundError):
            lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            fcntl.flock(lock, fcntl.LOCK_EX)
            # Before it was held, another process may have taken it for a killed push's.
            if folder.is_dir():
                return folder, lock
            os.close(lock)


def fits_sockets(connections: Path) -> bool:
    """Tell whether OpenSSH can put its control sockets into this folder."""
    return len(os.fsencode(connections)) + len("/") <= MAX_FOLDER_BYTES


def write_private(path: Path, content: bytes | str) -> Path:
    """Write a new file that only its owner can read (mode 0600)."""
    data = content.encode() if isinstance(content, str) else content
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)
    return path


def _sweep(parent: Path) -> None:
    """Remove our folders that no process holds any more."""
    for folder in parent.glob(f"{FOLDER_PREFIX}*"):
        with suppress(OSError):
            lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
            try:
                if os.fstat(lock).st_uid == os.getuid():
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    _remove(folder)
            finally:
                os.close(lock)


def _remove(folder: Path) -> None:
    for socket in folder.glob("*/*/*"):
        if socket.is_socket():
            hang_up(socket)
    shutil.rmtree(folder, ignore_errors=True)


def hang_up(socket: Path) -> None:
    """End the shared SSH connection that listens on a control socket."""
    subprocess.run(
        [find("ssh"), "-F", "none", "-o", f"ControlPath={socket}", "-O", "exit", "boat"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
    )
