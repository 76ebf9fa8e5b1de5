# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a second boat's card out of a warm cache against copying a file of its size.

    python -m tests.measure.card

Ours is what a second boat costs after the first in one process: reading the profile, opening
the vault, rendering, assembling; and once more the whole command from the shell, with the
start of its interpreter. Theirs is cp of a file with as many allocated bytes. Both end with
the data on its way to the disk. The median of five runs, taken in turns.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from provision.boards import board
from provision.card.base.cache import get_base
from provision.card.image.assemble import assemble
from provision.profile.scaffold import create_club
from tests.measure.figures import Ratio
from tests.measure.start import keep_compiled
from tests.support.boats import Club

RUNS = 5


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that it takes."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def build(club: Club, out: Path) -> None:
    """Build the boat's card from its file, as the command does."""
    target = club.open_boat("kittiwake")
    kind = board(target.boat.profile.board)
    assemble(kind, target.render(), get_base(kind), out)


def whole_command(command: list[str]) -> None:
    """Return the boat's card by the command, from the start of its interpreter."""
    subprocess.run(command, env=keep_compiled(), check=True, capture_output=True)


def main() -> None:
    """Print the figure."""
    with tempfile.TemporaryDirectory(prefix="measure-card-") as work:
        folder = Path(work)
        create_club(folder / "boats")
        club = Club(folder / "boats")
        first = club.card("kittiwake")
        bytes_on_disk = first.stat().st_blocks * 512
        club.open_boat("kittiwake")
        out, copy, plain = folder / "second.img", folder / "copy", folder / "plain"
        with plain.open("wb") as file, first.open("rb") as source:
            # As many bytes, none of them a hole.
            while file.tell() < bytes_on_disk:
                file.write(source.read(1 << 20).replace(b"\0\0", b"\1\1"))
                if not source.peek(1):
                    source.seek(0)
        command = [sys.executable, "-m", "provision", "card", "kittiwake", "-o", str(out)]
        command += ["--boats", str(club.folder)]
        whole_command(command)
        within, whole, theirs = [], [], []
        for _ in range(RUNS):
            out.unlink(missing_ok=True)
            within.append(timed(lambda: build(club, out)))
            out.unlink()
            whole.append(timed(lambda: whole_command(command)))
            copy.unlink(missing_ok=True)
            theirs.append(timed(lambda: subprocess.run(["cp", plain, copy], check=True)))
        copied = statistics.median(theirs)
        what = "a second boat's card from a warm cache / copying a file of its allocated size"
        print(Ratio(what, statistics.median(within), copied, 3.0).line())
        print(Ratio(f"{what}, from the shell", statistics.median(whole), copied, 4.0).line())


if __name__ == "__main__":
    main()
