# SPDX-License-Identifier: GPL-3.0-or-later
"""Open files and folders below a folder, without a step out of it: no link is followed."""

from __future__ import annotations

import os

FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

#: Without O_NONBLOCK a pipe in place of a file would wait for a writer.
FILE_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


def open_beneath(root: int, path: str, flags: int = FILE_FLAGS) -> int:
    """Return a descriptor of what is at `path` below the folder that `root` is a descriptor of.

    `path` has names with slashes between them. Each folder on the way is opened by itself. OSError
    when something is not there, or a link.
    """
    *folders, last = path.split("/")
    here = os.dup(root)
    try:
        for name in folders:
            below = os.open(name, FOLDER_FLAGS, dir_fd=here)
            os.close(here)
            here = below
        return os.open(last, flags, dir_fd=here)
    finally:
        os.close(here)
