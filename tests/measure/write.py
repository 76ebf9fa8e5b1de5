# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure writing a card and reading it back against dd of the whole image, which checks nothing.

    python -m tests.measure.write [BOAT...]        # as root: loop devices need that

Ours is the whole command from the shell: it checks the image's digests, tests the size of the
card, writes, and reads back. Theirs is `dd bs=4M conv=fsync` of the same image. Both go to a
loop device that stands for a card. The kernel limits its rate (blkio of cgroup v1, for this
device alone, in the root group, so that it also holds for what the page cache writes later;
cgroup v2 cannot do that). The device writes as fast as a card of speed class V30 does at least,
30 MB/s (SD Association, from memory), and reads as a usual reader on USB 3 does, 90 MB/s
(common practice). Where reading is as slow as writing, reading back costs as much as writing:
that is measured, too, and cannot reach the aim for a large base.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from provision.commands import run
from provision.profile.scaffold import create_club
from tests.measure.figures import Amount, Ratio
from tests.support.boats import Club

#: Bytes a second that the device writes and reads.
USUAL, SYMMETRIC = (30_000_000, 90_000_000), (30_000_000, 30_000_000)
AIM = 0.35
#: The boats measured, and the MiB that their images are to hold at most.
BOATS = {"kittiwake": 300, "turnstone": 400}
#: Size of the device in bytes.
CARD_BYTES = 4 << 30
#: Where the kernel is told the rate of a device.
BLKIO = Path("/sys/fs/cgroup/blkio")


@contextmanager
def slow_card(folder: Path, rates: tuple[int, int]) -> Iterator[str]:
    """Give the path of a loop device that is as fast as that."""
    store = folder / "store"
    with store.open("wb") as file:
        file.truncate(CARD_BYTES)
    loop = run("losetup", "--find", "--show", "--direct-io=on", store).stdout.strip()
    try:
        limit(loop, rates)
        try:
            yield loop
        finally:
            limit(loop, (0, 0))
    finally:
        run("losetup", "--detach", loop)
        store.unlink()


def limit(loop: str, rates: tuple[int, int]) -> None:
    """Let the kernel write and read so many bytes a second of the device; 0 for as it can."""
    number = os.stat(loop).st_rdev
    device = f"{os.major(number)}:{os.minor(number)}"
    for what, rate in zip(("write", "read"), rates, strict=True):
        (BLKIO / f"blkio.throttle.{what}_bps_device").write_text(f"{device} {rate}\n")


def timed(*command: str | Path) -> float:
    """Return the seconds that it takes."""
    begin = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{command[0]} failed:\n{done.stdout}{done.stderr}")
    return time.perf_counter() - begin


def is_written(image: Path, loop: str) -> bool:
    """Tell if the device names the image's boat: a rate that lost the bytes would be no figure."""
    with image.open("rb") as one, Path(loop).open("rb") as other:
        return one.read(8 << 20) == other.read(8 << 20)


def measure(club: Club, boat: str, rates: tuple[int, int]) -> None:
    """Print the figure of one boat at these rates."""
    image = club.card(boat)
    ours = [sys.executable, "-m", "provision", "write", "--yes", "--json", "--boats", club.folder]
    with tempfile.TemporaryDirectory(prefix="measure-write-") as work:
        with slow_card(Path(work), rates) as loop:
            writing = timed(*ours, image, loop)
            assert is_written(image, loop)
        with slow_card(Path(work), rates) as loop:
            copying = timed("dd", f"if={image}", f"of={loop}", "bs=4M", "conv=fsync")
            assert is_written(image, loop)
    speed = f"{rates[0] // 10**6} MB/s written, {rates[1] // 10**6} read"
    what = f"a card of {boat} written and read back / dd of the whole image, no check ({speed})"
    print(Ratio(what, writing, copying, AIM).line(), flush=True)


def main() -> None:
    """Print the figures of the boats named, or of `BOATS`, one of each architecture."""
    from provision.card.device.plan import make_plan  # noqa: PLC0415

    if os.geteuid() != 0 or not BLKIO.is_dir():
        raise SystemExit("run it as root, where cgroup v1 has the controller blkio")
    with tempfile.TemporaryDirectory(prefix="measure-write-") as work:
        create_club(Path(work) / "boats")
        club = Club(Path(work) / "boats")
        for boat in sys.argv[1:] or BOATS:
            data = make_plan(club.card(boat)).total / 2**20
            print(
                Amount(f"data in an image of {boat}", data, BOATS[boat], "MiB").line(), flush=True
            )
            for rates in (USUAL, SYMMETRIC):
                measure(club, boat, rates)


if __name__ == "__main__":
    main()
