# SPDX-License-Identifier: GPL-3.0-or-later
"""TCP ports of this computer's loopback, for what the emulator forwards to the boat."""

from __future__ import annotations

import socket


def hold_port() -> socket.socket:
    """A socket bound to a port that nobody else is given until the socket is closed.

    Who says SO_REUSEADDR, as the emulator does, can listen there all the same (socket(7)); so
    that it finds its port again after a power cut.
    """
    held = socket.socket()
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    held.bind(("127.0.0.1", 0))
    return held


def port_of(held: socket.socket) -> int:
    """The port that a socket holds."""
    return int(held.getsockname()[1])
