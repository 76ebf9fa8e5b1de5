# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn signals that end a program into an exception, for an orderly end."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


class Interrupted(Exception):
    """Say which signal came."""


@contextmanager
def signals_interrupt() -> Iterator[None]:
    """Raise `Interrupted` in the block when a signal wants to end the program."""

    def interrupt(number: int, frame: FrameType | None) -> None:
        raise Interrupted(signal.strsignal(number))

    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread gets signals
        return
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, interrupt) for number in numbers}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
