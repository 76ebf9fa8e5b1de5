# SPDX-License-Identifier: GPL-3.0-or-later
"""Ask the tablet in the guest to join, to listen and to probe ports."""

from __future__ import annotations

import itertools
import json
import socket
import time
from pathlib import Path
from typing import Any

from provision.errors import UserError

#: Message for when the line to the agent breaks.
POWER_GONE = "the boat's power went while the tablet was asked"

_POWER_HINT = "switch the boat on, and ask again when it has started"


class TabletClient:
    """Hold a connection to the tablet's agent in the guest."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._socket: socket.socket | None = None
        self._pending = b""
        self._numbers = itertools.count(1)
        self.ready: float | None = None

    def connect(self) -> None:
        """Connect to the agent, which may not run yet."""
        self.close()
        self._socket = socket.socket(socket.AF_UNIX)
        try:
            self._socket.connect(str(self._path))
        except OSError as error:
            raise UserError(POWER_GONE, hint=_POWER_HINT) from error

    def close(self) -> None:
        """Close the connection."""
        if self._socket:
            self._socket.close()
        self._socket = None
        self._pending = b""
        self.ready = None

    def wait(self, seconds: float) -> None:
        """Wait until the agent reports that it runs."""
        while self.ready is None:
            answer = self._receive(time.monotonic() + seconds)
            self.ready = answer.get("ready")

    def ask(self, what: str, patience: float = 60, **arguments: object) -> dict[str, Any]:
        """Send one request. Raise UserError if the tablet could not do it.

        `patience` is in seconds, in addition to the `seconds` that the request may name.
        """
        if self.ready is None:
            self.wait(patience)
        assert self._socket is not None
        number = next(self._numbers)
        request = {"id": number, "do": what, **arguments}
        self._socket.settimeout(patience)
        try:
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        except OSError as error:
            raise UserError(POWER_GONE, hint=_POWER_HINT) from error
        end = time.monotonic() + patience + float(str(arguments.get("seconds", 0)))
        while True:
            answer = self._receive(end)
            if answer.get("id") == number:
                break
        if "error" in answer:
            raise UserError(
                f"the tablet could not {what}: {answer['error']}",
                hint="see whether the boat has started, and what its profile lets a tablet do",
            )
        return answer

    def _receive(self, end: float) -> dict[str, Any]:
        if self._socket is None:
            raise UserError("the tablet is not connected", hint=_POWER_HINT)
        while True:
            while b"\n" not in self._pending:
                left = end - time.monotonic()
                if left <= 0:
                    raise UserError(
                        "the tablet does not answer",
                        hint="see whether this computer is busy, and begin again",
                    )
                self._socket.settimeout(left)
                try:
                    piece = self._socket.recv(65536)
                except TimeoutError:
                    continue
                except OSError:
                    piece = b""
                if not piece:
                    raise UserError(POWER_GONE, hint=_POWER_HINT)
                self._pending += piece
            line, self._pending = self._pending.split(b"\n", 1)
            try:
                answer: dict[str, Any] = json.loads(line)
            except ValueError:
                continue
            return answer
