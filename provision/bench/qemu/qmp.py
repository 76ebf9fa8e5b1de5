# SPDX-License-Identifier: GPL-3.0-or-later
"""Speak QMP to the emulator over a UNIX socket."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from provision.errors import UserError

#: Seconds that an emulator may take to begin to listen, and to answer.
ANSWER_TIMEOUT_S = 30.0

_AGAIN = "begin again; see whether this computer has memory and disk for an emulator"


class Qmp:
    """Hold one connection to an emulator's control socket. Raise UserError if it is silent."""

    def __init__(self, path: Path, runs: Callable[[], bool]) -> None:
        """Connect to `path`. `runs` tells if the emulator still runs."""
        end = time.monotonic() + ANSWER_TIMEOUT_S
        while True:
            self._socket = socket.socket(socket.AF_UNIX)
            try:
                self._socket.connect(str(path))
                break
            except OSError as error:
                self._socket.close()
                if time.monotonic() > end or not runs():
                    raise UserError(
                        "the emulator's control socket does not answer", hint=_AGAIN
                    ) from error
                time.sleep(0.05)
        self._socket.settimeout(ANSWER_TIMEOUT_S)
        self._stream = self._socket.makefile("rb")
        try:
            self._receive()
            self.command("qmp_capabilities")
        except BaseException:
            self.close()
            raise

    def _receive(self) -> dict[str, Any]:
        try:
            line = self._stream.readline()
        except OSError as error:
            raise UserError("the emulator does not answer", hint=_AGAIN) from error
        if not line:
            raise UserError("the emulator has ended", hint=_AGAIN)
        answer: dict[str, Any] = json.loads(line)
        return answer

    def command(self, name: str, **arguments: object) -> Any:
        """Run one command and return its result. Skip events on the way."""
        request = {"execute": name, "arguments": arguments}
        try:
            self._socket.sendall(json.dumps(request).encode() + b"\n")
        except OSError as error:
            raise UserError("the emulator has ended", hint=_AGAIN) from error
        while True:
            answer = self._receive()
            if "return" in answer:
                return answer["return"]
            if "error" in answer:
                raise UserError(
                    f"the emulator refuses {name}: {answer['error']['desc']}", hint=_AGAIN
                )

    def wait_for(self, event: str, seconds: float = ANSWER_TIMEOUT_S, **data: object) -> None:
        """Wait for an event with this data, at most `seconds` for each event."""
        self._socket.settimeout(seconds)
        while True:
            answer = self._receive()
            if answer.get("event") == event and all(
                answer.get("data", {}).get(key) == value for key, value in data.items()
            ):
                self._socket.settimeout(ANSWER_TIMEOUT_S)
                return

    def close(self) -> None:
        """Close the connection."""
        self._stream.close()
        self._socket.close()
