# SPDX-License-Identifier: GPL-3.0-or-later
"""The end of chrony's socket, and sentences that tell the time."""

import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from provision.onboard.feed.outputs.time_source import MAGIC, SAMPLE
from tests.support.feed.rig import Bench

#: 2026-06-01, a base's build date.
BUILT = 1780272000.0


def rmc(at: float, status: str = "A", mode: str = "A") -> str:
    moment = datetime.fromtimestamp(at, UTC)
    return (
        f"$GPRMC,{moment:%H%M%S}.{moment.microsecond // 10000:02d},{status},5057.970,N,00146.110,E,"
        f"5.0,089.0,{moment:%d%m%y},,,{mode}"
    )


class Chrony:
    """Receives as chrony's SOCK reference clock does."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.channel = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.channel.setblocking(False)

    def listen(self) -> None:
        self.channel.bind(str(self.path))

    def samples(self) -> list[tuple[float, float]]:
        """(system time, offset) of each sample that has come."""
        got = []
        while True:
            try:
                data = self.channel.recv(4096)
            except BlockingIOError:
                return got
            assert len(data) == 40
            seconds, micro, offset, pulse, leap, _, magic = SAMPLE.unpack(data)
            assert (pulse, leap, magic) == (0, 0, MAGIC)
            got.append((seconds + micro / 1e6, offset))


@pytest.fixture
def chrony(bench: Bench) -> Iterator[Chrony]:
    chrony = Chrony(bench.folder / "chrony.sock")
    for name in ("gnss", "spare", "other"):
        bench.link(name, baud=4800)
    bench.settings["clock"] = {
        "socket": str(chrony.path),
        "links": ["gnss"],
        "not_before": BUILT,
    }
    chrony.listen()
    yield chrony
    chrony.channel.close()
