# SPDX-License-Identifier: GPL-3.0-or-later
"""A private folder for one push: archives, keys' names and connections, gone at its end."""

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
LONGEST = 107 - 40 - 18

#: Short, so that sockets have room below it, and nobody else's, since old ones are removed.
PREFIX = ".prov-"

#: RAM that every Linux has, where nobody has logged in through systemd.
MEMORY = "/dev/shm"  # noqa: S108 - the same


@contextmanager
def workspace() -> Iterator[Path]:
    """A folder of mode 0700 with a short path; its connections are closed at the end.

    It lies in RAM where the system offers that. What a killed push left there is removed.
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
    """Where such a folder may lie, the best place first."""
    offered = (os.environ.get("XDG_RUNTIME_DIR"), MEMORY, tempfile.gettempdir())
    places = [Path(name) for name in offered if name and os.access(name, os.W_OK)]
    short = [one for one in places if fits(one / f"{PREFIX}12345678" / ("b" * 16) / "c")]
    return [*short, Path("/tmp")]  # noqa: S108 - mkdtemp makes the folder private


def _make(parent: Path) -> tuple[Path, int]:
    """A new folder, and what holds it."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=PREFIX, dir=parent))
        with suppress(FileNotFoundError):
            lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            fcntl.flock(lock, fcntl.LOCK_EX)
            # Before it was held, another process may have taken it for a killed push's.
            if folder.is_dir():
                return folder, lock
            os.close(lock)


def fits(connections: Path) -> bool:
    """Whether OpenSSH can put its control sockets into this folder."""
    return len(os.fsencode(connections)) + len("/") <= LONGEST


def write_private(path: Path, content: bytes | str) -> Path:
    """Write a new file that only its owner can read (mode 0600)."""
    data = content.encode() if isinstance(content, str) else content
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)
    return path


def _sweep(parent: Path) -> None:
    """Remove our folders that no process holds any more."""
    for folder in parent.glob(f"{PREFIX}*"):
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
