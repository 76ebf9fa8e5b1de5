# SPDX-License-Identifier: GPL-3.0-or-later
"""Bind sockets at a path in RAM."""

from __future__ import annotations

import os
import socket
import stat
from contextlib import suppress


def bind(path: str, mode: int | None = None) -> socket.socket:
    """Return a stream socket bound to `path`, in place of a dead process's. OSError if not.

    It does not listen yet, so that no client connects before it has its `mode`.
    """
    os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
    with suppress(FileNotFoundError):
        if stat.S_ISSOCK(os.stat(path).st_mode):
            os.unlink(path)
    channel = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    channel.bind(path)
    if mode is not None:
        os.chmod(path, mode)
    return channel
