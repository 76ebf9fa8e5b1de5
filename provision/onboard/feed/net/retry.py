# SPDX-License-Identifier: GPL-3.0-or-later
"""Try again after a pause, which doubles with each failure."""

from __future__ import annotations

import asyncio
from collections.abc import Callable


class Retry:
    """Calls a function again later. Create it inside a running loop."""

    def __init__(self, call: Callable[[], None], pauses_s: tuple[float, float]) -> None:
        """Take the seconds before the next attempt: at first, and at most."""
        self._call = call
        self._first, self._most = pauses_s
        self._pause = self._first
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None

    def later(self) -> None:
        """Call the function after a pause."""
        self.cancel()
        self._timer = self._loop.call_later(self.pause(), self._again)

    @property
    def waits(self) -> bool:
        """Report whether the function will be called."""
        return self._timer is not None

    def _again(self) -> None:
        self._timer = None
        self._call()

    def pause(self) -> float:
        """Return the seconds to wait now. The next pause is twice as long."""
        pause, self._pause = self._pause, min(2 * self._pause, self._most)
        return pause

    def worked(self) -> None:
        """Start again with the first pause after the next failure."""
        self._pause = self._first

    def cancel(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
