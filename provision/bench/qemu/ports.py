# SPDX-License-Identifier: GPL-3.0-or-later
"""Reserve TCP ports of this computer's loopback for the emulator to forward."""

from __future__ import annotations

import socket


def hold_port() -> socket.socket:
    """Return a socket bound to a port, which keeps the port reserved until it is closed.

    A program that sets SO_REUSEADDR, as the emulator does, can still listen there (socket(7)). So
    it finds its port again after a power cut.
    """
    held = socket.socket()
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    held.bind(("127.0.0.1", 0))
    return held


def port_of(held: socket.socket) -> int:
    """Return the port that a socket holds."""
    return int(held.getsockname()[1])
