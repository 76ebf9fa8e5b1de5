# SPDX-License-Identifier: GPL-3.0-or-later
"""A link between a laptop and a boat that can be lost the way radio links are: silently."""

from __future__ import annotations

import select
import socket
import threading
import time
from contextlib import suppress
from pathlib import Path

#: Seconds between two looks at whether the link is still there.
_PACE = 0.1


class LossyLink:
    """Carries connections from a socket in a folder to a TCP port of this machine.

    While the link is lost nothing is carried, refused or closed: both ends wait. When it
    comes back, connections from before are dead.
    """

    def __init__(self, path: Path, port: int) -> None:
        self.path = path
        self.port = port
        self._there = True
        self._left: int | None = None
        self._server = socket.socket(socket.AF_UNIX)
        self._server.bind(str(path))
        self._server.listen(16)
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def there(self) -> bool:
        """Report whether the link carries."""
        return self._there

    @there.setter
    def there(self, there: bool) -> None:
        self._there = there
        self._left = None

    def lose_after(self, octets: int) -> None:
        """Lose the link once the laptop has sent so much more."""
        self._left = octets

    def close(self) -> None:
        """Take no more connections."""
        self._server.close()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._server.accept()
                threading.Thread(target=self._carry, args=(near,), daemon=True).start()

    def _carry(self, near: socket.socket) -> None:
        with near, suppress(OSError):
            self._wait()
            with socket.create_connection(("127.0.0.1", self.port)) as far:
                while self._pass_on(near, far):
                    pass
                self._wait()

    def _wait(self) -> None:
        while not self._there:
            time.sleep(_PACE)

    def _pass_on(self, near: socket.socket, far: socket.socket) -> bool:
        ready, _, _ = select.select([near, far], [], [], _PACE)
        for source in ready:
            data = source.recv(65536)
            if source is near and self._left is not None:
                self._left -= len(data)
                self._there = self._there and self._left >= 0
            if not data or not self._there:
                return False
            (far if source is near else near).sendall(data)
        return self._there
