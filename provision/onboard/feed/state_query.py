# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask a running boat-feed for its state."""

from __future__ import annotations

import json
import socket
from typing import Any

from provision.onboard.feed.config.json_reader import ConfigError

#: Seconds that asking for the state may take.
QUERY_TIMEOUT_S = 10.0


def ask(path: str) -> dict[str, Any]:
    """Return the state from the socket at `path`. ConfigError when no feed answers there."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(QUERY_TIMEOUT_S)
        try:
            channel.connect(path)
            pieces = []
            while piece := channel.recv(65536):
                pieces.append(piece)
            state = json.loads(b"".join(pieces))
        except (OSError, ValueError, RecursionError) as error:
            raise ConfigError(f"{path}: boat-feed reports no state: {error}") from error
    if not isinstance(state, dict):
        raise ConfigError(f"{path}: tells no state")
    return state
