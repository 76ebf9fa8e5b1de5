# SPDX-License-Identifier: GPL-3.0-or-later
"""A link: one serial connection, opened whenever its adapter is there.

It is closed at the first error and opened again through its own name, for a pulled-out
adapter comes back under another number as long as somebody holds the old one.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Any

from provision.onboard.feed import config
from provision.onboard.feed.counts import Counts
from provision.onboard.feed.filters import Filter
from provision.onboard.feed.framer import Errors, Framer
from provision.onboard.feed.sentence import Sentence
from provision.onboard.feed.serialport import BITS, close_port, open_port
from provision.onboard.feed.teller import Teller, log

#: Seconds between attempts to open: at first, and at most.
BACK_OFF = (0.25, 2.0)

#: After so many seconds of silence a talker's port is looked at, and after so many opened anew.
LOOK, REOPEN = 5.0, 30.0

#: At most this many seconds between two openings of a port that stays silent.
REOPEN_MOST = 600.0

_SAID = {
    "checksum": "sentences with a wrong checksum are dropped",
    "noise": "bytes that belong to no sentence are dropped",
    "length": "sentences longer than allowed are dropped",
    "baud": "what arrives looks like another baud rate",
    "tag": "TAG blocks with a wrong checksum are dropped",
}


def tell_errors(
    name: str, before: dict[str, int], errors: Errors, teller: Teller
) -> dict[str, int]:
    """Name each kind of fault that has grown since `before`; the counters as they are now."""
    counted = errors.as_json()
    for kind, count in counted.items():
        if count > before[kind]:
            teller.warn(name, kind, _SAID[kind])
    return counted


class Link:
    """One serial port: reads sentences from it, and lends it to the listener's queue."""

    def __init__(
        self,
        link: config.Link,
        deliver: Callable[[list[Sentence]], None],
        teller: Teller,
    ) -> None:
        self.config = link
        self.name = link.name
        self.port: int | None = None
        self.writable: Callable[[], None] | None = None
        """Called when the port has been opened, so that what waits can be written."""
        self._deliver = deliver
        self._teller = teller
        self._loop = asyncio.get_running_loop()
        self._framer = Framer(link.name, unchecked=link.unchecked, long=link.long)
        self._counts = Counts(self._loop.time())
        self._number = 0
        self._opened = 0
        self._pause = BACK_OFF[0]
        self._heard = 0.0
        self._patience = REOPEN
        self._retry: asyncio.TimerHandle | None = None
        self._all = link.filter == Filter()
        self._silent = False
        self._told = self._framer.errors.as_json()

    def open(self) -> None:
        """Try to open the port, and go on trying."""
        self._retry = None
        try:
            self.port = open_port(self.config.device, self.config.baud)
            self._number = os.fstat(self.port).st_rdev
        except OSError as error:
            self._teller.warn(
                self.name, "open", f"{self.config.device}: {error.strerror or error}; trying on"
            )
            self._retry = self._loop.call_later(self._pause, self.open)
            self._pause = min(2 * self._pause, BACK_OFF[1])
            return
        self._opened += 1
        self._pause = BACK_OFF[0]
        self._heard = self._loop.time()
        self._framer.reset()
        self._loop.add_reader(self.port, self._read)
        self._teller.mended(self.name, "open", "open again" if self._opened > 1 else "open")
        if self._opened == 1:
            log.info("%s: %s at %d baud", self.name, self.config.device, self.config.baud)
        if self.writable is not None:
            self.writable()

    def close(self) -> None:
        """Close the port and try no more."""
        if self._retry is not None:
            self._retry.cancel()
            self._retry = None
        if self.port is not None:
            self._loop.remove_reader(self.port)
            close_port(self.port)
            self.port = None

    def lost(self, reason: str, fault: str = "open") -> None:
        """The port failed: close it, and open it again when it is back."""
        self.close()
        self._teller.warn(self.name, fault, f"{self.config.device}: {reason}; opening it anew")
        self._retry = self._loop.call_later(self._pause, self.open)
        self._pause = min(2 * self._pause, BACK_OFF[1])

    def _read(self) -> None:
        if self.port is None:
            return
        try:
            data = os.read(self.port, 4096)
        except BlockingIOError:
            return
        except OSError as error:
            self.lost(error.strerror or str(error))
            return
        if not data:
            self.lost("hung up")
            return
        now = self._heard = self._loop.time()
        errors = self._framer.errors.total()
        sentences = self._framer.feed(data, now)
        self._counts.heard(len(data), sentences, now)
        if self._framer.errors.total() != errors:
            self._told = tell_errors(self.name, self._told, self._framer.errors, self._teller)
        if sentences:
            if self._silent:
                self._silent = False
                self._patience = REOPEN
                self._teller.mended(self.name, "silent", "heard again")
            passes = self.config.filter.passes
            self._deliver(
                sentences
                if self._all
                else [s for s in sentences if passes(s.origin, s.talker, s.formatter)]
            )

    def watch(self) -> None:
        """Look after a port that has gone silent; to be called every few seconds."""
        if self.port is None:
            return
        silent = self._loop.time() - self._heard
        if silent < LOOK:
            return
        try:
            number = os.stat(self.config.device).st_rdev
        except OSError:
            self.lost("its device is gone")
            return
        if number != self._number:
            self.lost("its adapter has come back under another number")
        elif silent >= self._patience and self.config.talks:
            self._patience = min(2 * self._patience, REOPEN_MOST)
            self._silent = True
            self.lost(f"silent for {silent:.0f} s", "silent")

    def as_json(self) -> dict[str, Any]:
        """Counters and rates, for the state."""
        now = self._loop.time()
        heard = self._counts.last_heard
        load = self._counts.bytes_per_second(now) * BITS / self.config.baud
        return {
            "present": self.port is not None,
            "bytes": self._counts.bytes,
            "sentences": self._counts.sentences,
            "errors": self._framer.errors.as_json(),
            "rates": self._counts.rates(now),
            "last_heard": None if heard is None else round(now - heard, 2),
            "load": round(100 * load, 1),
            "opened": self._opened,
        }
