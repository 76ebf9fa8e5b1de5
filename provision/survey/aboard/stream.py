# SPDX-License-Identifier: GPL-3.0-or-later
"""Exchange lines of JSON with the laptop, and end this process soon after the laptop is gone."""

from __future__ import annotations

import json
import os
import queue
import select
import time
from collections.abc import Callable
from threading import Event, Lock, Thread, Timer
from typing import Any

#: Seconds between two signs of life, in each direction.
BEAT_S = 2.0

#: Seconds without any byte after which the other side is gone.
PATIENCE_S = 10.0

#: Seconds until this process ends by force once the laptop is gone. What it took is given back
#: then, too: the kernel closes its files.
GRACE_S = 2.0

#: Bytes of a line that the laptop sends: names of all links and ports.
MAX_LINE_BYTES = 2**16

ALIVE = {"kind": "alive"}


class LaptopGone(Exception):
    """The laptop closed the connection, or nothing came from it for too long."""


class Stream:
    """Talks to the laptop. `stop` is set when the laptop is gone."""

    def __init__(
        self,
        source: int,
        sink: int,
        kill: Callable[[int], None] = os._exit,
        patience: float = PATIENCE_S,
    ) -> None:
        """Take two descriptors, and `kill`, which ends the process at once."""
        self.stop = Event()
        self._source, self._sink, self._kill, self._patience = source, sink, kill, patience
        self._lock = Lock()
        self._lines: queue.Queue[bytes | None] = queue.Queue()

    def start(self) -> None:
        """Begin to watch the laptop, and to send signs of life."""
        for work in (self._watch, self._beat):
            Thread(target=work, daemon=True).start()

    def say(self, kind: str, **facts: object) -> None:
        """Send one message."""
        line = json.dumps({"kind": kind, **facts}).encode() + b"\n"
        with self._lock:
            while line:
                line = line[os.write(self._sink, line) :]

    def ask(self) -> dict[str, Any]:
        """Wait for the laptop's next message. LaptopGone when none comes any more."""
        line = self._lines.get()
        if line is None:
            raise LaptopGone
        return dict(json.loads(line))

    def _watch(self) -> None:
        held, heard = b"", time.monotonic()
        while (left := heard + self._patience - time.monotonic()) > 0:
            if not select.select([self._source], [], [], left)[0]:
                continue
            data = os.read(self._source, 2**12)
            if not data or len(held) > MAX_LINE_BYTES:
                break
            heard = time.monotonic()
            *lines, held = (held + data).split(b"\n")
            for line in filter(None, lines):
                self._lines.put(line)
        self._gone()

    def _gone(self) -> None:
        self.stop.set()
        self._lines.put(None)
        # Even if a thread of this process hangs in the kernel.
        timer = Timer(GRACE_S, self._kill, [1])
        timer.daemon = True
        timer.start()

    def _beat(self) -> None:
        while not self.stop.wait(BEAT_S):
            try:
                self.say(**ALIVE)
            except OSError:
                return
