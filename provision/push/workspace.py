# SPDX-License-Identifier: GPL-3.0-or-later
"""A private folder for one push: archives, keys' names and connections, gone at its end."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from provision.run import find

#: A socket's path has at most 107 octets (unix(7)); OpenSSH's %C takes 40 and its
#: temporary name 18 more, and our own folders stand before it.
LONGEST = 107 - 40 - 18 - len("/control/")


@contextmanager
def workspace() -> Iterator[Path]:
    """A folder of mode 0700 with a short path; its connections are closed at the end."""
    parent = Path(tempfile.gettempdir())
    if len(os.fsencode(parent)) + len("/provision-12345678") > LONGEST:
        parent = Path("/tmp")  # noqa: S108 - mkdtemp makes the folder private
    folder = Path(tempfile.mkdtemp(prefix="provision-", dir=parent))
    try:
        yield folder
    finally:
        for socket in folder.glob("*/*"):
            if socket.is_socket():
                close(socket)
        shutil.rmtree(folder)


def close(socket: Path) -> None:
    """End the SSH connection that listens on a control socket."""
    subprocess.run(
        [find("ssh"), "-F", "none", "-o", f"ControlPath={socket}", "-O", "exit", "boat"],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
    )


def write_private(path: Path, content: bytes | str) -> Path:
    """Write a new file that only its owner can read (mode 0600)."""
    data = content.encode() if isinstance(content, str) else content
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)
    return path
