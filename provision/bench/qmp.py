# SPDX-License-Identifier: GPL-3.0-or-later
"""Speaking to the emulator: QMP over a UNIX socket."""

from __future__ import annotations

import json
import socket
import time
from pathlib import Path
from typing import Any

from provision.errors import UserError


class Qmp:
    """One connection to an emulator's control socket."""

    def __init__(self, path: Path, seconds: float = 30) -> None:
        end = time.monotonic() + seconds
        while True:
            self._socket = socket.socket(socket.AF_UNIX)
            try:
                self._socket.connect(str(path))
                break
            except OSError as error:
                self._socket.close()
                if time.monotonic() > end:
                    raise UserError("the emulator's control socket does not answer") from error
                time.sleep(0.05)
        self._socket.settimeout(seconds)
        self._stream = self._socket.makefile("rwb", buffering=0)
        self._receive()
        self.command("qmp_capabilities")

    def _receive(self) -> dict[str, Any]:
        line = self._stream.readline()
        if not line:
            raise UserError("the emulator has ended")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def command(self, name: str, **arguments: object) -> Any:
        """Run one command and return its result; events on the way are passed over."""
        request = {"execute": name, "arguments": arguments}
        self._stream.write(json.dumps(request).encode() + b"\n")
        while True:
            answer = self._receive()
            if "return" in answer:
                return answer["return"]
            if "error" in answer:
                raise UserError(f"the emulator refuses {name}: {answer['error']['desc']}")

    def wait_for(self, event: str, **data: object) -> None:
        """Wait until an event with this data comes."""
        while True:
            answer = self._receive()
            if answer.get("event") == event and all(
                answer.get("data", {}).get(key) == value for key, value in data.items()
            ):
                return

    def close(self) -> None:
        """Hang up."""
        self._stream.close()
        self._socket.close()
