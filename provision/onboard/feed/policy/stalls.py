# SPDX-License-Identifier: GPL-3.0-or-later
"""Say since when what is read may have waited in the kernel: it is as old as that.

Nothing that is read says when it came. What is known is when its source was last seen empty: the
event loop asks all sources, and between two beats it has asked each of them once. While the
process stands still (stopped, or kept from the processor) it asks nobody. And what is left
behind by a read that took all it could was there before.

What waited in the sender's own kernel, or on the air, cannot be told from what is new.
"""

from __future__ import annotations

import asyncio

#: A sentence that steers and is older than this, in seconds, is never delivered.
STALE = 1.0

#: Seconds between two beats of the event loop.
BEAT_S = 0.05

#: A pause of the event loop longer than this, in seconds, is a stall.
STALL_S = 1.0

#: Seconds after a stall in which all that is read counts as having waited: buffers behind
#: those that are read (a terminal's, a sender's that was held up by ours) empty into them.
DRAIN_S = 1.0

#: Bytes in one read that show after a stall that such a buffer still empties.
BACKLOG_PIECE = 512


class Stalls:
    """Watches the event loop, and says how far back the last moment lies when it surely ran."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._beats: tuple[float, float] | None = None
        self._held_since = self._held_until = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin to watch the event loop."""
        now = self._loop.time()
        # The last two: data that were there at the last but one have been read.
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
        """Stop to watch."""
        if self._timer is not None:
            self._timer.cancel()


class Arrivals:
    """Says of one source, read by read, since when what was read may have waited."""

    def __init__(self, stalls: Stalls, since: float | None = None) -> None:
        """`since` is when the source may have begun to wait for its first read."""
        self._stalls = stalls
        self._loop = asyncio.get_running_loop()
        self._backlog_since = since
        self._backlog_until = self._loop.time() + DRAIN_S
        """Until when its next piece must have come, if there is one."""

    def read(self, size: int, *, more: bool) -> float:
        """Take note of a read of `size` bytes; `more` says that there may be more to read.

        Returns the monotonic second before which none of these bytes came.
        """
        now, since = self._loop.time(), self._stalls.since()
        if self._stalls.asked() > self._backlog_until:
            # It was asked in between and had nothing.
            self._backlog_since = None
        if self._backlog_since is not None:
            since = min(since, self._backlog_since)
        drains = now - since > STALL_S and size >= BACKLOG_PIECE
        self._backlog_since = since if more or drains else None
        self._backlog_until = now + DRAIN_S if drains else now
        return since

    def emptied(self) -> None:
        """Take note that there was nothing more to read."""
        self._backlog_since = None
