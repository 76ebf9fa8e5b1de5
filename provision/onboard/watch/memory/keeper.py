# SPDX-License-Identifier: GPL-3.0-or-later
"""Write each hour to the card once it is over, and the rest at the end.

The first sample of a run is written at once, so that a start is remembered that does not last an
hour. A worn card may take seconds for a write, or never finish it: a thread waits for it.
"""

from __future__ import annotations

from threading import Thread

from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.watch.facts.config import StoreOptions
from provision.onboard.watch.memory.block import write_block
from provision.onboard.watch.memory.boots import Boot
from provision.onboard.watch.memory.files import Files, pack
from provision.onboard.watch.memory.hour import HOUR_S, MINUTE_S, MINUTES, Hour

#: Bytes that wait for a card that takes no writes. Older ones are lost.
MAX_WAITING_BYTES = 2**16

#: Seconds to wait at the end for the last write.
LAST_WRITE_TIMEOUT_S = 5.0


class Keeper:
    """Keeps the present hour until it is written. Without `store` nothing is written."""

    def __init__(self, store: StoreOptions | None, fault_log: FaultLog) -> None:
        self._files = Files(store.folder, store.cap) if store else None
        self._fault_log = fault_log
        self._hour: Hour | None = None
        self._next = 0
        """The first minute of the hour that is not written yet."""
        self._waiting: list[bytes] = []
        self._writer: Thread | None = None
        self._fault = ""
        self.writes = self.written = 0

    @property
    def state(self) -> str:
        """Return card, memory or failing."""
        if self._files is None:
            return "memory"
        return "failing" if self._fault else "card"

    def take(self, boot: Boot, hour: Hour, now: float) -> None:
        """Note that `hour` has a new sample, and write what is due."""
        if self._files is None:
            return
        if self._hour is None:
            self._next = int(now) % HOUR_S // MINUTE_S
            self._hour = hour
            self._write(boot, hour)
        elif hour is not self._hour:
            self._write(boot, self._hour)
            self._hour, self._next = hour, 0

    def _write(self, boot: Boot, hour: Hour) -> None:
        end = hour.there.rfind(b"1") + 1
        if self._files is None or end <= self._next:
            return
        self._waiting.append(pack(write_block(boot, hour, self._next, end)))
        self._next = min(end, MINUTES)
        while sum(map(len, self._waiting)) > MAX_WAITING_BYTES:
            del self._waiting[0]
        if self._writer is None or not self._writer.is_alive():
            made, self._waiting = self._waiting, []
            # A daemon: the program can end without waiting for a card that never answers.
            self._writer = Thread(target=self._append, args=(made,), daemon=True)
            self._writer.start()

    def _append(self, made: list[bytes]) -> None:
        assert self._files is not None
        try:
            self._files.append(b"".join(made))
        except OSError as error:
            self._fault = error.strerror or str(error)
            self._waiting[:0] = made
            self._fault_log.warn("history", "write", f"not written: {self._fault}")
        else:
            self._fault = ""
            self.writes += 1
            self.written += sum(map(len, made))
            self._fault_log.cleared("history", "write", "written again")

    def close(self, boot: Boot) -> None:
        """Write what is left, if the card takes it."""
        self._wait()
        if self._hour is not None:
            self._write(boot, self._hour)
            self._wait()

    def _wait(self) -> None:
        if self._writer is not None:
            self._writer.join(LAST_WRITE_TIMEOUT_S)
