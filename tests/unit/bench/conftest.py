# SPDX-License-Identifier: GPL-3.0-or-later
"""An event loop whose time passes at once, for what is about pace."""

from __future__ import annotations

import asyncio
import selectors

import pytest


class _Skipping(selectors.DefaultSelector):
    """Waits for nothing: the loop's time is set forward instead."""

    now = 0.0

    def select(self, timeout=None):
        assert timeout is not None, "everything waits for something that never comes"
        self.now += max(0.0, timeout)
        return super().select(0)


class VirtualLoop(asyncio.SelectorEventLoop):
    def __init__(self):
        self._skipping = _Skipping()
        super().__init__(self._skipping)

    def time(self):
        return self._skipping.now


@pytest.fixture
def virtual_run():
    """Runs a coroutine to its end in virtual time."""

    def run(coroutine):
        with asyncio.Runner(loop_factory=VirtualLoop) as runner:
            return runner.run(coroutine)

    return run
