# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences that steer, who hears them, and a client of the feed outside the boat."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Thread

from provision.bench.simulation.instruments import HeardLine
from provision.bench.simulation.sentences import sentence
from tests.support.boats import Virtual
from tests.system.faults.fault import until

#: To a waypoint, by a heading to steer; the number tells one from the other.
STEER = ["A", "A", "0.10", "R", "N", "V", "V", "005", "T", "WAYPT", "005", "T"]


def apb(number: int) -> bytes:
    return sentence("GPAPB", [*STEER, f"{number:03}", "T"])


def steering(heard: list[HeardLine]) -> list[bytes]:
    """Return what steers of what the autopilot heard.

    The kernel itself may echo to a new adapter what the instrument said before the feed
    could forbid it, the autopilot's own heading here.
    """
    return [one.line + b"\r\n" for one in heard if b"APB" in one.line]


@contextmanager
def reading(boat: Virtual) -> Iterator[list[tuple[float, bytes]]]:
    """Read the feed outside the boat: each line, and when it came (monotonic seconds)."""
    received: list[tuple[float, bytes]] = []
    with socket.create_connection(("127.0.0.1", boat.bench.feed_port)) as stream:

        def read() -> None:
            for line in stream.makefile("rb"):
                received.append((time.monotonic(), line))

        reader = Thread(target=read)
        reader.start()
        until(lambda: bool(received), "the feed")
        yield received
        stream.shutdown(socket.SHUT_RDWR)
        reader.join()
