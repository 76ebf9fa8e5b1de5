# SPDX-License-Identifier: GPL-3.0-or-later
"""Sticks with real file systems on loop devices: whole, damaged, and made to do harm."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from provision.commands import run
from provision.onboard.charts.stick.mount import OPTIONS
from tests.support.charts.rig import LONG_AGO, Rig, rig

__all__ = ["rig"]

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="not root: loop devices need root")

MIB = 2**20


@contextmanager
def mounted(image: Path, point: Path) -> Iterator[bool]:
    """Mount an image as the boat mounts a stick. Yield whether the kernel takes it."""
    loop = run("losetup", "--find", "--show", "--read-only", image).stdout.strip()
    point.mkdir(exist_ok=True)
    try:
        command = ["mount", "-t", "ext4", "-o", OPTIONS["ext4"], loop, str(point)]
        done = subprocess.run(command, capture_output=True, check=False, timeout=60)
        yield done.returncode == 0
    finally:
        if os.path.ismount(point):
            run("umount", "--lazy", point)
        run("losetup", "--detach", loop)


def make_stick(rig: Rig, *options: str) -> tuple[Path, dict[str, bytes]]:
    """Make an image of the rig's stick with some charts on it. Empty the stick's folder."""
    charts = {f"coast-{n % 3}/{n}.kap": os.urandom(200_000 + n) for n in range(12)}
    for path, content in charts.items():
        rig.add(path, content)
    image = rig.folder / "stick.img"
    with image.open("wb") as file:
        file.truncate(16 * MIB)
    run("mke2fs", "-q", "-F", "-t", "ext4", *options, "-d", rig.stick, image)
    shutil.rmtree(rig.stick)
    return image, charts


def test_a_stick_is_copied_and_keeps_its_times(rig: Rig) -> None:
    image, charts = make_stick(rig)
    with mounted(image, rig.stick) as taken:
        assert taken
        assert rig.copy().phase == "done" and rig.copy().same == len(charts)
    assert rig.aboard() == charts
    assert (rig.kept / "coast-0/0.kap").stat().st_mtime == LONG_AGO


def test_a_stick_that_was_pulled_from_a_laptop_is_not_written(rig: Rig) -> None:
    """Its journal waits to be replayed, and its superblock asks for a panic at the first error."""
    image, charts = make_stick(rig)
    run("tune2fs", "-e", "panic", image)
    run("debugfs", "-w", "-R", "feature needs_recovery", image)
    before = image.read_bytes()
    with mounted(image, rig.stick) as taken:
        assert taken
        options = next(
            line.split()[3]
            for line in Path("/proc/mounts").read_text().splitlines()
            if line.split()[1] == str(rig.stick)
        )
        assert {"ro", "nosuid", "nodev", "noexec"} <= set(options.split(","))
        assert "errors=panic" not in options
        assert rig.copy().phase == "done"
    assert rig.aboard() == charts and image.read_bytes() == before


def test_damaged_file_systems_end_in_a_state_and_tear_nothing(rig: Rig) -> None:
    """Spoil an image at random places, twenty times: what is copied has the right size."""
    number = int(os.environ.get("CHARTS_SEED", time.time_ns() % 10**6))
    print(f"CHARTS_SEED={number}")
    seed = random.Random(number)
    image, _ = make_stick(rig)
    whole = image.read_bytes()
    ends = []
    for _ in range(20):
        spoilt = bytearray(whole)
        for _ in range(seed.choice((1, 8, 64))):
            # Where inodes, folders and bitmaps are, as often as anywhere.
            at = seed.randrange(0, seed.choice((64 * 1024, MIB, len(spoilt) - 4096)))
            spoilt[at : at + 512] = seed.randbytes(512)
        image.write_bytes(spoilt)
        begun = time.monotonic()
        with mounted(image, rig.stick) as taken:
            if taken:
                ends.append(rig.copy(cap=64 * MIB).phase)
        assert time.monotonic() - begun < 20
        sizes = sum(len(content) for content in rig.aboard().values())
        assert sizes <= 64 * MIB
    assert set(ends) <= {"done", "broken", "refused", "empty"}, ends
    image.write_bytes(whole)
    with mounted(image, rig.stick) as taken:
        assert taken
        assert rig.copy().phase == "done"


def test_a_stick_that_can_be_read_in_part_is_told(rig: Rig) -> None:
    """The device ends early, as a stick does that is pulled out: reads fail."""
    image, charts = make_stick(rig)
    with mounted(image, rig.stick) as taken:
        assert taken
        names = [path for path, _ in rig_files(rig)]
        os.truncate(image, 0)
        Path("/proc/sys/vm/drop_caches").write_text("3")
        state = rig.copy()
    assert len(names) == len(charts)
    assert state.phase in ("broken", "empty") and rig.aboard() == {}


def rig_files(rig: Rig) -> list[tuple[str, int]]:
    """Return path and size of each chart of the mounted stick."""
    files = (file for file in (rig.stick / "charts").rglob("*") if file.is_file())
    return [(str(file), file.stat().st_size) for file in files]


def test_a_program_on_a_stick_cannot_be_run(rig: Rig) -> None:
    """noexec and nosuid hold for what lies on it."""
    program = rig.stick / "charts/run"
    shutil.copy("/bin/true", program)
    program.chmod(0o4755)
    image, _ = make_stick(rig)
    with mounted(image, rig.stick) as taken:
        assert taken
        with pytest.raises(PermissionError):
            subprocess.run([rig.stick / "charts/run"], check=False)
        assert rig.copy().phase == "done"
    assert (rig.kept / "run").stat().st_mode & 0o7777 == 0o664
