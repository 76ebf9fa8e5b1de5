# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask the boat's feed for its state, and have it pause a link."""

from __future__ import annotations

import json
import select
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from provision.onboard.feed.config.json_reader import ConfigError
from provision.onboard.feed.state_query import ask

#: Seconds until the feed has answered. It closes a port first.
ANSWER_TIMEOUT_S = 5.0


class NotPaused(Exception):
    """The feed does not give the port, for the reason that the message says."""


def read_state(path: str) -> dict[str, Any]:
    """Return what the running feed tells. Empty when none answers."""
    try:
        return ask(path)
    except ConfigError:
        return {}


class Lease:
    """Holds a link paused. `is_set` reports that the feed has taken it back."""

    def __init__(self, channel: socket.socket) -> None:
        self._channel = channel

    def is_set(self) -> bool:
        """Report whether the feed has ended the pause."""
        if not select.select([self._channel], [], [], 0)[0]:
            return False
        try:
            return not self._channel.recv(1024)
        except OSError:
            return True


@contextmanager
def paused(path: str, name: str) -> Iterator[Lease]:
    """Have a link paused for the length of the block. NotPaused when the feed refuses."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as channel:
        channel.settimeout(ANSWER_TIMEOUT_S)
        try:
            channel.connect(path)
            channel.sendall(name.encode() + b"\n")
            told = json.loads(channel.recv(4096))
        except (OSError, ValueError) as error:
            raise NotPaused(f"the feed does not give its port: {error}") from None
        if "paused" not in told:
            raise NotPaused(f"the feed does not give its port: {told.get('error')}")
        yield Lease(channel)
