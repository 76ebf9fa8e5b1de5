# SPDX-License-Identifier: GPL-3.0-or-later
"""Notice that the feed itself stood still: what it reads then has waited in the kernel."""

from __future__ import annotations

import asyncio

#: Seconds between two beats of the event loop.
BEAT_S = 0.1

#: A pause of the event loop longer than this, in seconds, is a stall.
STALL_S = 1.0

#: Seconds after a stall in which the kernel's buffers are read empty.
DRAIN_S = 1.0


class Stalls:
    """Reports until when sentences may have waited in the kernel."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._beat_at: float | None = None
        self._until = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Begin to watch the event loop."""
        self.until()
        self._beat_at = self._loop.time()
        self._timer = self._loop.call_later(BEAT_S, self.start)

    def until(self) -> float:
        """Return the monotonic second before which no sentence was surely fresh when read.

        The event loop calls readers before timers: a reader sees the pause before the beat.
        """
        now = self._loop.time()
        if self._beat_at is not None and now - self._beat_at > STALL_S:
            self._until = now + DRAIN_S
        return self._until

    def close(self) -> None:
        """Stop to watch."""
        if self._timer is not None:
            self._timer.cancel()
