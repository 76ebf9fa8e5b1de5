# SPDX-License-Identifier: GPL-3.0-or-later
"""A copy that is cut off anywhere, a full card, and files that change while they are read."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
from pathlib import Path

import pytest

from provision.onboard.charts.keep import put
from provision.onboard.charts.keep.put import UNFINISHED
from tests.support.charts.rig import Rig, rig

__all__ = ["rig"]

MIB = 2**20

#: The copy in a process of its own, which starts, says so, and copies.
COPY = """
import sys
from provision.onboard.charts.config import ChartsConfig
from provision.onboard.charts.keep.copy import copy_stick
from provision.onboard.charts.state import StateFile
stick, kept, state = sys.argv[1:]
print("begun", flush=True)
copy_stick(stick, ChartsConfig(kept, 2**30, 0, ()), StateFile(state))
"""


def start(rig: Rig) -> subprocess.Popen[str]:
    """Start a copy and wait until it has begun."""
    command = [sys.executable, "-c", COPY, str(rig.stick), str(rig.kept), str(rig.state_file)]
    running = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert running.stdout is not None and running.stdout.readline() == "begun\n"
    return running


def contents(seed: random.Random, edition: int) -> dict[str, bytes]:
    """Return twelve charts of one edition. Each begins with its edition and ends with it."""
    mark = f"edition {edition}\n".encode()
    sizes = [seed.choice((0, 1, 4096, 300_000, 3 * MIB)) for _ in range(12)]
    return {
        f"coast-{number % 3}/{number}.kap": mark + seed.randbytes(size) + mark
        for number, size in enumerate(sizes)
    }


def test_killed_at_any_moment_every_chart_is_whole(rig: Rig) -> None:
    """Kill the copy thirty times: each file is of the former or of the new edition."""
    number = int(os.environ.get("CHARTS_SEED", time.time_ns() % 10**6))
    print(f"CHARTS_SEED={number}")
    seed = random.Random(number)
    former: dict[str, bytes] = {}
    cut = 0
    for edition in range(1, 31):
        newer = contents(seed, edition)
        for path, content in newer.items():
            rig.add(path, content, changed=1_600_000_000 + 2 * edition)
        running = start(rig)
        time.sleep(seed.uniform(0, 0.25))
        running.kill()
        running.communicate()
        cut += running.returncode == -signal.SIGKILL
        found = rig.aboard()
        assert set(found) <= {*former, *newer}
        for path, content in found.items():
            assert content in (former.get(path), newer[path]), (path, number)
        former = found
        if edition % 10 == 0:
            assert rig.copy().phase == "done"
            former = rig.aboard()
            assert former == newer
    assert os.listdir(rig.kept / UNFINISHED) == []
    assert cut > 5


def test_a_stick_pulled_out_is_told_and_leaves_whole_files(rig: Rig) -> None:
    """systemd ends the copy by SIGTERM when the device is gone: the state says so."""
    for number in range(200):
        rig.add(f"{number:03}.kap", os.urandom(MIB))
    code = "import signal, sys; signal.signal(15, lambda *_: sys.exit(0))\n" + COPY
    command = [sys.executable, "-c", code, str(rig.stick), str(rig.kept), str(rig.state_file)]
    running = subprocess.Popen(command)
    end = time.monotonic() + 30
    while len(rig.aboard()) < 3:
        assert time.monotonic() < end
        time.sleep(0.02)
    running.terminate()
    assert running.wait(20) == 0
    assert rig.told()["phase"] == "stopped"
    found = rig.aboard()
    assert 3 <= len(found) < 200
    assert all(len(content) == MIB for content in found.values())
    state = rig.copy()
    assert (state.phase, state.same) == ("done", len(found))


def test_a_full_card_ends_the_copy_and_tears_nothing(tmp_path: Path, rig: Rig) -> None:
    """The card is a tmpfs of 8 MiB in a mount namespace of the copy's own."""
    for number in range(12):
        rig.add(f"{number:02}.kap", os.urandom(MIB))
    code = textwrap.dedent(
        """
        import sys
        from provision.onboard.charts.config import ChartsConfig
        from provision.onboard.charts.keep import copy, room
        from provision.onboard.charts.state import StateFile
        stick, kept, state = sys.argv[1:]
        # The card is smaller than it says, so that only the write itself finds it full.
        copy.free_bytes = lambda _: 2**40
        copy.measure = lambda _: room.Room(0, 2**30, 0)
        done = copy.copy_stick(stick, ChartsConfig(kept, 2**30, 0, ()), StateFile(state))
        """
    )
    script = (
        'mount -t tmpfs -o size=8M card "$3" && "$1" -c "$2" "$4" "$3" "$5"; '
        'find "$3" -type f -size -1048576c -o -type f -printf "%s\\n"; ls -A "$3/.new"'
    )
    arguments = [sys.executable, code, str(rig.kept), str(rig.stick), str(rig.state_file)]
    done = subprocess.run(
        ["unshare", "--mount", "--map-root-user", "sh", "-c", script, "sh", *arguments],
        capture_output=True,
        text=True,
        check=True,
    )
    assert rig.told()["phase"] == "failing", done.stderr
    sizes = done.stdout.split()
    assert 6 <= len(sizes) <= 8 and set(sizes) == {str(MIB)}


def test_a_file_that_grows_while_it_is_read_is_left_out(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = rig.add("growing.kap", b"x" * MIB)
    rig.add("still.kap", b"y" * MIB)
    copied = put._copy

    def grow(*arguments: object) -> bytes:
        digest = copied(*arguments)  # type: ignore[arg-type]
        with file.open("ab") as more:
            more.write(b"z")
        return digest

    monkeypatch.setattr(put, "_copy", grow)
    state = rig.copy()
    assert (state.phase, state.files, state.left_out) == ("done", 1, 1)
    assert set(rig.aboard()) == {"still.kap"}
    assert state.examples == [("growing.kap", "changed while it was read")]


def test_a_file_that_becomes_shorter_is_left_out(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    file = rig.add("one.kap", b"x" * MIB)
    copied = put._copy

    def shorten(*arguments: object) -> bytes:
        os.truncate(file, 1000)
        return copied(*arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(put, "_copy", shorten)
    assert rig.copy().left_out == 1 and rig.aboard() == {}
    assert os.listdir(rig.kept / UNFINISHED) == []


def test_a_card_that_gives_back_something_else_is_found(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bit differs when the copy is read back: the former file stays."""
    rig.add("one.kap", b"first")
    assert rig.copy().phase == "done"
    rig.add("one.kap", b"second", changed=1_700_000_000)
    written = put._write_all

    def flip(target: int, piece: bytes) -> None:
        written(target, bytes([piece[0] ^ 1]) + piece[1:])

    monkeypatch.setattr(put, "_write_all", flip)
    assert rig.copy().phase == "failing"
    assert rig.aboard() == {"one.kap": b"first"}


def test_a_second_stick_waits_for_the_first(rig: Rig) -> None:
    """Two copies at once would share the cap twice."""
    for number in range(30):
        rig.add(f"{number:02}.kap", os.urandom(MIB))
    states = []
    both = [threading.Thread(target=lambda: states.append(rig.copy())) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert sorted((state.files, state.same) for state in states) == [(0, 30), (30, 0)]


def test_without_a_card_nothing_is_copied(rig: Rig) -> None:
    rig.add("one.kap")
    rig.kept.rmdir()
    state = rig.copy()
    assert (state.phase, state.reason) == ("refused", "no-card")
    assert not rig.kept.exists()


def test_a_hundred_thousand_files_cost_little(rig: Rig) -> None:
    """The list ends at its bound: a million files cost no more than the first 50,000."""
    charts = rig.stick / "charts"
    for number in range(60_000):
        os.close(os.open(charts / f"{number}.kap", os.O_CREAT | os.O_WRONLY))
    script = f"{COPY}print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0])\n"
    command = [sys.executable, "-c", script, str(rig.stick), str(rig.kept), str(rig.state_file)]
    begun = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    seconds, kib = time.monotonic() - begun, int(done.stdout.split()[-1])
    print(f"{seconds:.1f} s, {kib} KiB")
    assert rig.told()["reason"] == "too-many-files" and rig.aboard() == {}
    assert kib < 48 * 1024 and seconds < 30
