# SPDX-License-Identifier: GPL-3.0-or-later
"""Accept TCP connections, also when the process runs out of descriptors for a while."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable

from provision.onboard.feed.net.listening_sockets import listen_tcp

#: Seconds without accepting when the process has run out of descriptors.
ACCEPT_PAUSE_S = 1.0


class Acceptor:
    """Listens on one port."""

    def __init__(
        self,
        endpoint: tuple[str, int],
        max_waiting: int,
        take: Callable[[socket.socket, tuple[str, int]], None],
        failed: Callable[[str], None],
        since: Callable[[], float],
    ) -> None:
        """Bind the port. OSError when it is taken.

        `take` gets each connection and its peer, `failed` the reason why none is taken. `since`
        returns the earliest time at which what is read now may have come.
        """
        self.short_since: float | None = None
        """Since when connections may wait that could not be accepted."""
        self._max_waiting = max_waiting
        self._take = take
        self._failed = failed
        self._since = since
        self._loop = asyncio.get_running_loop()
        self._channel = listen_tcp(*endpoint, max_waiting)

    @property
    def port(self) -> int:
        """Return the port that it listens on."""
        return int(self._channel.getsockname()[1])

    def open(self) -> None:
        """Start to accept."""
        if self._channel.fileno() >= 0:
            self._loop.add_reader(self._channel, self._accept)

    def _accept(self) -> None:
        # Accept all that wait, so that it is known when none waits, and none misses what is sent.
        for _ in range(self._max_waiting):
            try:
                channel, peer = self._channel.accept()
            except ConnectionAbortedError:
                return
            except BlockingIOError:
                self.short_since = None
                return
            except OSError as error:
                if self.short_since is None:
                    self.short_since = self._since()
                self._failed(f"no connection taken: {error.strerror}")
                self._loop.remove_reader(self._channel)
                self._loop.call_later(ACCEPT_PAUSE_S, self.open)
                return
            self._take(channel, peer)

    def close(self) -> None:
        self._loop.remove_reader(self._channel)
        self._channel.close()
