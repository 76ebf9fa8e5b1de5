# SPDX-License-Identifier: GPL-3.0-or-later
"""Wires of a simulated hull on pseudo-terminals, in real time."""

from __future__ import annotations

import contextlib
import os
import termios
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event, Thread

from provision.survey.shape import BAUD_RATES
from tests.support.hull import Edge, receive

_BAUD_OF = {getattr(termios, f"B{baud}"): baud for baud in BAUD_RATES}

#: Seconds between two writes: a USB adapter hands over what it received as often.
WRITE_S = 0.016


class Port:
    """A port whose adapter receives a wire at the baud rate that the listener has set."""

    def __init__(self, edges: Iterator[Edge]) -> None:
        self.master, self._slave = os.openpty()
        self.device = os.ttyname(self._slave)
        self.sent = b""
        """What the listener wrote, which is nothing."""
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self._receiver, self._baud = receive(edges), 0

    def carry(self, now: float) -> None:
        """Hand over what was received until `now`, in seconds since the wire began."""
        baud = _BAUD_OF.get(termios.tcgetattr(self.master)[4], 0)
        if baud != self._baud:
            self._receiver.drop()
        self._baud = baud
        # Before a baud rate is set the wire is received, too.
        data = self._receiver.read(baud or 4800, now)
        with contextlib.suppress(BlockingIOError):
            if data:
                os.write(self.master, data)
        with contextlib.suppress(BlockingIOError):
            self.sent += os.read(self.master, 4096)

    def close(self) -> None:
        os.close(self.master)
        os.close(self._slave)


@contextmanager
def ports(*wires: Iterator[Edge]) -> Iterator[list[Port]]:
    """Yield a port for each wire, while all of them are carried."""
    made, stop, start = [Port(edges) for edges in wires], Event(), time.monotonic()

    def carry() -> None:
        while not stop.wait(WRITE_S):
            for port in made:
                port.carry(time.monotonic() - start)

    thread = Thread(target=carry, daemon=True)
    thread.start()
    try:
        yield made
    finally:
        stop.set()
        thread.join()
        for port in made:
            port.close()
