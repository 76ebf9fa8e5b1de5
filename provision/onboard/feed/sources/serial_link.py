# SPDX-License-Identifier: GPL-3.0-or-later
"""Run one serial connection: open it whenever its adapter is there.

It is closed at the first error and opened again through its own name. An adapter that was pulled
out comes back under another number as long as a process holds the old one.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Any

from provision.onboard.feed.config import models
from provision.onboard.feed.net.retry import Retry
from provision.onboard.feed.net.serial_port import BITS_PER_CHAR, close_port, open_port
from provision.onboard.feed.policy.stalls import Stalls
from provision.onboard.feed.report.fault_log import FaultLog, log
from provision.onboard.feed.sources.ingest import Deliver, Ingest

#: Seconds between attempts to open: at first, and at most.
RETRY_S = (0.25, 2.0)

#: Seconds open after which a port counts as working, even when nothing is heard.
WORKING_S = 2.0

#: Seconds of silence after which a talker's port is checked, and after which it is reopened.
CHECK_SILENCE_S, REOPEN_SILENCE_S = 5.0, 30.0

#: Bytes read in one go. A terminal may hold more when it gives more than half of that.
RECEIVE_BYTES = 4096

#: Seconds between two openings of a port that stays silent, at most.
MAX_REOPEN_SILENCE_S = 600.0


class SerialLink:
    """Reads sentences from one serial port, and lends the port to the listener's queue."""

    def __init__(
        self, link: models.LinkOptions, deliver: Deliver, stalls: Stalls, fault_log: FaultLog
    ) -> None:
        self.config = link
        self.name = link.name
        self.port: int | None = None
        self.opened: Callable[[], None] | None = None
        """Called when the port has been opened, before anything is sent to it."""
        self.closed: Callable[[], None] | None = None
        """Called when the port has been closed: what waits for it is old news."""
        self._fault_log = fault_log
        self._loop = asyncio.get_running_loop()
        self._ingest = Ingest(link, deliver, stalls, fault_log)
        self._framer = self._ingest.framer()
        self._arrivals = self._ingest.arrivals()
        self._number = 0
        self._openings = 0
        self._opened_at = 0.0
        self._proven = False
        self._retry = Retry(self.open, RETRY_S)
        self._heard = 0.0
        self._patience = REOPEN_SILENCE_S
        self._silent = False
        self.paused = False
        """The port is lent to a survey, and closed here."""

    def open(self) -> None:
        """Try to open the port, and keep trying."""
        try:
            self.port = open_port(self.config.device, self.config.baud)
            self._number = os.fstat(self.port).st_rdev
        except OSError as error:
            message = f"{self.config.device}: {error.strerror or error}; trying on"
            self._fault_log.warn(self.name, "open", message)
            self._retry.later()
            return
        self._openings += 1
        self._proven = False
        self._opened_at = self._heard = self._loop.time()
        self._framer.reset()
        self._arrivals.emptied()
        self._ingest.opened()
        self._loop.add_reader(self.port, self._read)
        if self.opened is not None:
            self.opened()
        if self._openings == 1:
            log.info("%s: %s at %d baud", self.name, self.config.device, self.config.baud)

    def _well(self) -> None:
        """Note that the port works: it has been heard or has stayed open.

        A port that fails at once each time does not count as repaired.
        """
        if not self._proven:
            self._proven = True
            self._retry.worked()
            self._fault_log.cleared(
                self.name, "open", "open again" if self._openings > 1 else "open"
            )

    def _close_port(self) -> None:
        if self.port is not None:
            self._loop.remove_reader(self.port)
            close_port(self.port)
            self.port = None
            if self.closed is not None:
                self.closed()

    def pause(self) -> None:
        """Close the port, and leave it closed until `resume`."""
        self.paused = True
        self._retry.cancel()
        self._close_port()

    def resume(self) -> None:
        """Open the port again after `pause`, unless the link was closed meanwhile."""
        if self.paused:
            self.paused = False
            self.open()

    def close(self) -> None:
        """Close the port and stop trying."""
        self.paused = False
        self._retry.cancel()
        self._ingest.close()
        self._close_port()

    def lost(self, reason: str, fault: str = "open") -> None:
        """Close a port that failed, and open it again when it is back."""
        if self.port is None:
            return
        self._close_port()
        self._fault_log.warn(self.name, fault, f"{self.config.device}: {reason}; opening it again")
        self._retry.later()

    def _read(self) -> None:
        if self.port is None:
            return
        try:
            data = os.read(self.port, RECEIVE_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self.lost(error.strerror or str(error))
            return
        if not data:
            self.lost("hung up")
            return
        self._well()
        self._heard = self._loop.time()
        since = self._arrivals.read(len(data), more=len(data) > RECEIVE_BYTES // 2)
        if self._ingest.take(self._framer, data, since) and self._silent:
            self._silent = False
            self._patience = REOPEN_SILENCE_S
            self._fault_log.cleared(self.name, "silent", "heard again")

    def watch(self, now: float) -> None:
        """Check a port that has gone silent. Call it every few seconds."""
        if self.port is None:
            return
        if now - self._opened_at >= WORKING_S:
            self._well()
        silent = now - self._heard
        if silent < CHECK_SILENCE_S:
            return
        try:
            number = os.stat(self.config.device).st_rdev
        except OSError:
            self.lost("its device is gone")
            return
        if number != self._number:
            self.lost("its adapter has come back under another number")
        elif silent >= self._patience and self.config.talks:
            self._patience = min(2 * self._patience, MAX_REOPEN_SILENCE_S)
            self._silent = True
            self.lost(f"silent for {silent:.0f} s", "silent")

    def as_json(self) -> dict[str, Any]:
        """Return counters and rates, for the state. The load is what comes in, in percent."""
        load = self._ingest.bytes_per_second() * BITS_PER_CHAR / self.config.baud
        return {
            "present": self.port is not None,
            "paused": self.paused,
            "baud": self.config.baud,
            **self._ingest.as_json(),
            "load": round(100 * load, 1),
            "opened": self._openings,
        }
