# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a second boat's card out of a warm cache against copying a file of its size.

    python -m tests.measure.card

Ours is the whole command, from the shell: reading the profile, opening the vault, rendering,
assembling. Theirs is cp of a file with as many allocated bytes. Both end with the data on
its way to the disk; neither has read its source before. The median of five runs.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from provision.profile.start import start
from tests.measure.figures import Ratio
from tests.system.boats import Club

RUNS = 5


def timed(work: Callable[[], object]) -> float:
    """Seconds."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main() -> None:
    """Print the figure."""
    with tempfile.TemporaryDirectory(prefix="measure-card-") as work:
        folder = Path(work)
        start(folder / "boats")
        club = Club(folder / "boats")
        first = club.card("kittiwake")
        bytes_on_disk = first.stat().st_blocks * 512
        club.target("kittiwake")
        out, copy, plain = folder / "second.img", folder / "copy", folder / "plain"
        with plain.open("wb") as file, first.open("rb") as source:
            # As many bytes, none of them a hole.
            while file.tell() < bytes_on_disk:
                file.write(source.read(1 << 20).replace(b"\0\0", b"\1\1"))
                if not source.peek(1):
                    source.seek(0)
        card = [sys.executable, "-m", "provision", "card", "kittiwake", "-o", str(out)]
        card += ["--boats", str(club.folder)]
        ours, theirs = [], []
        for _ in range(RUNS):
            out.unlink(missing_ok=True)
            copy.unlink(missing_ok=True)
            ours.append(timed(lambda: subprocess.run(card, check=True, capture_output=True)))
            theirs.append(timed(lambda: subprocess.run(["cp", plain, copy], check=True)))
        print(
            Ratio(
                "a second boat's card from a warm cache / copying a file of its allocated size",
                statistics.median(ours),
                statistics.median(theirs),
                3.0,
            ).line()
        )


if __name__ == "__main__":
    main()
