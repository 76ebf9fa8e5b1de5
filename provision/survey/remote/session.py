# SPDX-License-Identifier: GPL-3.0-or-later
"""Exchange lines of JSON with the program aboard, and believe nothing of its sizes and times."""

from __future__ import annotations

import json
import queue
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from threading import Event, Lock, Thread
from typing import Any, Protocol

from provision.bounded import format_size, read_json
from provision.survey.aboard.stream import ALIVE, BEAT_S, PATIENCE_S

#: What a boat with forty links sends is a twentieth of that: a line, all lines, their number.
MAX_LINE_BYTES, MAX_STREAM_BYTES, MAX_LINES = 2**18, 2**22, 20_000

#: Bytes of what is no message, such as an error of the boat's python3, which are kept.
MAX_COMPLAINT_BYTES = 2**12

#: Seconds until the first byte: a small board has to start python3 and read the program.
START_PATIENCE_S = 60.0

#: Seconds between two looks at the clock, and bytes that are read at once.
LOOK_S, READ_BYTES = 0.5, 2**15

_ALIVE = json.dumps(ALIVE).encode()


class Wire(Protocol):
    """Carries bytes, such as a socket or a channel of SSH."""

    def recv(self, size: int, /) -> bytes:
        """Receive. TimeoutError when nothing came in time, no bytes at the end."""

    def sendall(self, data: bytes, /) -> None:
        """Send all of it."""

    def settimeout(self, seconds: float | None, /) -> None:
        """Set how long both wait."""

    def close(self) -> None:
        """Close both directions, which ends the program aboard."""


class Broken(Exception):
    """The stream ended early, for the reason that the message says."""


@dataclass
class _Taken:
    """Count what was taken in, and break the stream when it is too much."""

    size: int = 0
    lines: int = 0

    def add(self, size: int, lines: Sequence[bytes]) -> None:
        """Count `size` bytes that ended all these lines but the last."""
        self.size, self.lines = self.size + size, self.lines + len(lines) - 1
        if max(map(len, lines)) > MAX_LINE_BYTES:
            raise Broken(f"it sent a line of more than {format_size(MAX_LINE_BYTES)}")
        if self.size > MAX_STREAM_BYTES:
            raise Broken(f"it sent more than {format_size(MAX_STREAM_BYTES)}")
        if self.lines > MAX_LINES:
            raise Broken(f"it sent more than {MAX_LINES} lines")


class Session:
    """Reads messages in a thread of its own, and sends signs of life."""

    def __init__(
        self, wire: Wire, start: float = START_PATIENCE_S, patience: float = PATIENCE_S
    ) -> None:
        """Begin to read. Wait `start` seconds for the first byte, `patience` for each further."""
        self._wire, self._patience, self._later = wire, start, patience
        self._lines: queue.Queue[bytes | Broken] = queue.Queue()
        self._closed, self._lock = Event(), Lock()
        self._complaint = b""
        wire.settimeout(LOOK_S)
        self._thread = Thread(target=self._read, daemon=True)
        self._thread.start()

    def send(self, message: Mapping[str, object]) -> None:
        """Send one message. Broken when the connection is."""
        self._send(json.dumps(message).encode())

    def _send(self, line: bytes) -> None:
        try:
            with self._lock:
                self._wire.sendall(line + b"\n")
        except (OSError, EOFError) as error:
            raise Broken(f"the connection broke: {error}") from None

    def receive(self, seconds: float) -> dict[str, Any]:
        """Wait for the next message. Broken when none comes in time, or none any more."""
        try:
            line = self._lines.get(timeout=max(seconds, 0.0))
        except queue.Empty:
            raise Broken("it does not end in time") from None
        if isinstance(line, Broken):
            self._lines.put(line)
            raise line
        try:
            message = read_json(line)
        except ValueError:
            message = None
        if not isinstance(message, dict):
            raise Broken("it sent what is no message")
        return message

    def close(self) -> None:
        """End the program aboard, and the thread."""
        self._closed.set()
        with suppress(OSError, EOFError):
            self._wire.close()
        self._thread.join(timeout=2 * LOOK_S)

    def _read(self) -> None:
        try:
            self._take_lines()
        except Broken as error:
            self._lines.put(error)
        except (OSError, EOFError) as error:
            self._lines.put(Broken(f"the connection broke: {error}"))

    def _take_lines(self) -> None:
        held, taken = b"", _Taken()
        heard = beat = time.monotonic()
        while not self._closed.is_set():
            if time.monotonic() - beat >= BEAT_S:
                beat = time.monotonic()
                self._send(b"")
            try:
                data = self._wire.recv(READ_BYTES)
            except TimeoutError:
                if time.monotonic() - heard >= self._patience:
                    raise Broken(f"nothing came for {self._patience:.0f} s") from None
                continue
            if not data:
                raise Broken(self._ended(held))
            heard, self._patience = time.monotonic(), self._later
            *lines, held = (held + data).split(b"\n")
            taken.add(len(data), [*lines, held])
            for line in lines:
                self._sort(line)

    def _sort(self, line: bytes) -> None:
        """Keep a message for `receive`, and what is none for the reason of a failure."""
        if line.startswith(b"{"):
            if line != _ALIVE:
                self._lines.put(line)
        elif line.strip():
            self._complaint = (self._complaint + line + b"\n")[-MAX_COMPLAINT_BYTES:]

    def _ended(self, held: bytes) -> str:
        told = (self._complaint + held).decode(errors="replace").strip()
        last = told.splitlines()[-1] if told else ""
        return f"it ended aboard: {last}" if last else "it ended aboard"
