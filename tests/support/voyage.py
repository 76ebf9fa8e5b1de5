# SPDX-License-Identifier: GPL-3.0-or-later
"""A voyage log of three hours, for tests that read it."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from provision.onboard.feed.nmea0183 import tag_block
from provision.onboard.feed.nmea0183.sentence import frame
from provision.onboard.feed.voyage_log.reader import compressor, member

#: 2026-05-03, 22:00 UTC.
BEGIN = datetime(2026, 5, 3, 22, tzinfo=UTC).timestamp()


def rmc(north: float, east: float, status: str = "A", mode: str = "A") -> bytes:
    """Compose an RMC sentence of that position."""

    def half(degrees: float, digits: int) -> str:
        whole, minutes = divmod(round(abs(degrees) * 60, 4), 60)
        return f"{int(whole):0{digits}}{minutes:07.4f}"

    letters = "N" if north >= 0 else "S", "E" if east >= 0 else "W"
    where = f"{half(north, 2)},{letters[0]},{half(east, 3)},{letters[1]}"
    return frame(f"$GPRMC,220000.00,{status},{where},5.4,248.3,030526,,,{mode}")


def log(path: Path, lines: Sequence[tuple[float, float, str, bytes]]) -> Path:
    """Write a file of the log: wall time, monotonic time, origin and sentence of each line."""
    text = b"".join(
        tag_block.build(("c", str(int(wall * 1000))), ("r", str(int(run * 1000))), ("s", origin))
        + raw
        for wall, run, origin, raw in lines
    )
    packer = compressor(6)
    body = packer.compress(text) + packer.flush()
    path.write_bytes(member(body, zlib.crc32(text), len(text)))
    return path


def voyage(folder: Path) -> Path:
    """Three hours over midnight UTC, with the clock set by the first fix, and a pause."""
    lines = [(100.0, 10.0, "gnss", rmc(50.0, 1.0))]  # before the first fix: 1970
    lines += [(BEGIN + 1 + s, 11.0 + s, "gnss", rmc(50 + s / 1000, 1.0)) for s in range(0, 3600, 5)]
    lines += [(BEGIN + 3700.0, 3710.0, "depth-log", frame("$SDDPT,12.8,-1.2"))]
    lines += [
        (BEGIN + 7200 + s, 7210.0 + s, "gnss", rmc(54 + s / 1000, 1.0)) for s in range(0, 600, 5)
    ]
    return log(folder / "log-000001-2026-05-03.gz", lines)
