# SPDX-License-Identifier: GPL-3.0-or-later
"""Report since when bytes may have waited in the kernel before they were read.

Bytes do not show when they came. What is known is when their source was last seen empty. The
event loop asks all sources, and between two beats it has asked each of them once. While the
process stands still (stopped, or kept from the processor) it asks no source. Bytes that a full
read left behind were there before that read.

Time spent in the sender's own kernel, or on the air, cannot be seen.
"""

from __future__ import annotations

import asyncio

#: Seconds between two beats of the event loop.
BEAT_S = 0.05

#: Seconds. A longer pause of the event loop is a stall.
STALL_S = 1.0

#: Seconds after a stall in which all bytes read count as having waited. Buffers behind the
#: buffer that is read (a terminal's, or a sender's that ours held up) empty into it.
DRAIN_S = 1.0

#: Bytes in one read that show after a stall that a buffer behind ours still empties.
BACKLOG_BYTES = 512


class Stalls:
    """Watches the event loop, and reports when it last surely ran."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._beats: tuple[float, float] | None = None
        self._held_since = self._held_until = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Start to watch the event loop."""
        now = self._loop.time()
        # The last two beats: data that were there at the last but one have been read.
        self._beats = (now if self._beats is None else self._beats[1], now)
        self._timer = self._loop.call_later(BEAT_S, self._beat)

    def _beat(self) -> None:
        self.since()
        self.start()

    def since(self) -> float:
        """Return the monotonic second after which a source that was read empty was filled.

        The event loop calls readers before timers: a reader sees a pause before the beat does.
        """
        now = self._loop.time()
        if self._beats is None:
            return now
        since, last = self._beats
        if now < self._held_until:
            since = min(since, self._held_since)
        if now - last > STALL_S:
            self._held_since, self._held_until = since, now + DRAIN_S
        return since

    def asked(self) -> float:
        """Return the monotonic second after which every source has been asked once."""
        return self._loop.time() if self._beats is None else self._beats[0]

    def close(self) -> None:
        """Stop watching."""
        if self._timer is not None:
            self._timer.cancel()


class Arrivals:
    """Reports for one source, read by read, since when its bytes may have waited."""

    def __init__(self, stalls: Stalls, since: float | None = None) -> None:
        """Take `since`, when the source may have begun to wait for its first read."""
        self._stalls = stalls
        self._loop = asyncio.get_running_loop()
        self._backlog_since = since
        self._backlog_until = self._loop.time() + DRAIN_S
        """The time by which the source's next piece must have come, if there is one."""

    def read(self, size: int, *, more: bool) -> float:
        """Note a read of `size` bytes. `more` says that there may be more to read.

        Returns the monotonic second before which none of these bytes came.
        """
        now, since = self._loop.time(), self._stalls.since()
        if self._stalls.asked() > self._backlog_until:
            # The source was asked in between and had nothing.
            self._backlog_since = None
        if self._backlog_since is not None:
            since = min(since, self._backlog_since)
        drains = now - since > STALL_S and size >= BACKLOG_BYTES
        self._backlog_since = since if more or drains else None
        self._backlog_until = now + DRAIN_S if drains else now
        return since

    def emptied(self) -> None:
        """Note that there was nothing more to read."""
        self._backlog_since = None
