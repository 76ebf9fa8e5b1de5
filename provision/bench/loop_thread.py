# SPDX-License-Identifier: GPL-3.0-or-later
"""Run an event loop in a thread of its own."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Coroutine, Iterable
from typing import TypeVarTuple, Unpack

Arguments = TypeVarTuple("Arguments")


class LoopThread:
    """Run coroutines side by side in a thread named `name`, from `start` to `stop`."""

    def __init__(
        self, name: str, make: Callable[[], Iterable[Coroutine[None, None, None]]]
    ) -> None:
        """Take the function that makes the coroutines. The thread calls it at each start."""
        self._name, self._make = name, make
        self._thread: threading.Thread | None = None
        self._work: asyncio.Task[None] | None = None
        self.loop: asyncio.AbstractEventLoop | None = None
        """The loop of the last start; None before the first."""

    def start(self) -> None:
        """Return when the coroutines are made. Raise what their making raised."""
        ready = threading.Event()
        failures: list[Exception] = []
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._run(ready, failures)), name=self._name, daemon=True
        )
        self._thread.start()
        ready.wait()
        if failures:
            raise failures[0]

    def stop(self) -> None:
        """Cancel the coroutines and wait for the thread. Do nothing when it does not run."""
        if self._thread and self.loop and self._work:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self.loop.call_soon_threadsafe(self._work.cancel)
            self._thread.join()
            self._thread = None

    def call(
        self,
        function: Callable[[Unpack[Arguments]], object],
        *arguments: *Arguments,
    ) -> None:
        """Call a function in the thread, soon. Raise RuntimeError when the loop is closed."""
        if self.loop is None:
            raise RuntimeError(f"the thread {self._name} has not started")
        self.loop.call_soon_threadsafe(function, *arguments)

    async def _run(self, ready: threading.Event, failures: list[Exception]) -> None:
        self.loop = asyncio.get_running_loop()
        self._work = asyncio.current_task()
        try:
            coroutines = list(self._make())
        except Exception as failure:
            failures.append(failure)
            return
        finally:
            ready.set()
        with contextlib.suppress(asyncio.CancelledError):
            async with asyncio.TaskGroup() as group:
                for coroutine in coroutines:
                    group.create_task(coroutine)
