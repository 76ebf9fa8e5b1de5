# SPDX-License-Identifier: GPL-3.0-or-later
"""Serve the control socket of a held bench: one command a line, one answer a line.

An answer is `ok`, or `error` and the reason. Several clients may be connected at a time, and may
leave without waiting for an answer.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
from collections.abc import Callable
from pathlib import Path

#: Octets without a line end after which a line is refused.
MAX_COMMAND_BYTES = 1024

#: Seconds between two checks of the bench, and seconds that a client may take to receive an answer.
LOOK_INTERVAL_S, CLIENT_TIMEOUT_S = 1.0, 1.0

#: Runs the command in the words of a line, and returns the answer.
RunCommand = Callable[[list[str]], str]


class _Client:
    """Hold one connected client."""

    def __init__(self, stream: socket.socket) -> None:
        self.stream = stream
        stream.settimeout(CLIENT_TIMEOUT_S)
        self._pending = b""

    def commands(self) -> tuple[list[list[str]], bool]:
        """Return the words of each line complete so far, and if more may come."""
        try:
            data = self.stream.recv(4096)
        except OSError:
            return [], False
        *lines, self._pending = (self._pending + data).split(b"\n")
        endless = len(self._pending) > MAX_COMMAND_BYTES
        if self._pending and not data:
            lines.append(self._pending)
        elif endless:
            lines.append(b"")
        return [line.decode(errors="replace").split() for line in lines], bool(data) and not endless

    def answer(self, text: str) -> None:
        """Send an answer, unless the client has left meanwhile."""
        with contextlib.suppress(OSError):
            self.stream.sendall(text.encode() + b"\n")


def serve(server: socket.socket, obey: RunCommand, look: Callable[[], None]) -> None:
    """Run the commands of all clients until one of them sends `quit`.

    `look` is called in between, and may end this with an exception. Everything runs in this thread,
    one command after the other: the emulator ends with the thread that started it.
    """
    with selectors.DefaultSelector() as ready:
        ready.register(server, selectors.EVENT_READ)
        try:
            while True:
                look()
                for key, _ in ready.select(LOOK_INTERVAL_S):
                    if key.data is None:
                        stream, _ = server.accept()
                        ready.register(stream, selectors.EVENT_READ, _Client(stream))
                    elif not _serve(key.data, obey, ready):
                        return
        finally:
            for key in list(ready.get_map().values()):
                if isinstance(key.data, _Client):
                    key.data.stream.close()


def _serve(client: _Client, obey: RunCommand, ready: selectors.BaseSelector) -> bool:
    """Run what a client has sent. Return False after `quit`."""
    commands, goes_on = client.commands()
    for words in commands:
        if words == ["quit"]:
            client.answer("ok")
            return False
        client.answer(obey(words))
    if not goes_on:
        ready.unregister(client.stream)
        client.stream.close()
    return True


def send_command(path: Path, command: str) -> str:
    """Send one command to the control socket of a held bench, and return its answer."""
    with contextlib.closing(socket.socket(socket.AF_UNIX)) as client:
        client.connect(str(path))
        with client.makefile("rw", encoding="utf-8") as stream:
            stream.write(command + "\n")
            stream.flush()
            return stream.readline().strip()
