# SPDX-License-Identifier: GPL-3.0-or-later
"""boat-settings in a process of its own, whose connection dies under it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from provision.onboard.settings.errors import Exit
from provision.onboard.settings.lock import hold_lock
from provision.onboard.settings.store.state import load_trial
from tests.support.settings.boat import Boat, snapshot
from tests.support.settings.command import DATA, DIGEST, HOME, archive, call, tried

__all__ = ["archive"]


def test_archive_from_standard_input(boat: Boat) -> None:
    words = ["trial", "-", "--sha256", DIGEST, "--seconds", "60", "--owner", "ann"]
    done = run(boat, words, data=DATA)
    assert done.returncode == 0
    assert load_trial(boat.paths) is not None
    assert run(boat, words, data=DATA[:-600]).returncode == Exit.BUSY


#: A boat-settings whose system actions are recorded, the first reload slow.
PROGRAM = """
import sys, time
from pathlib import Path
sys.path[:0] = {path!r}
from tests.support.settings.boat import Recorder
from provision.onboard.settings.cli import main

class Slow(Recorder):
    def daemon_reload(self):
        (self.root / "run/slow").touch()
        time.sleep({pause})
        super().daemon_reload()
    def monotonic(self):
        return time.monotonic()
    def sleep(self, seconds):
        time.sleep(seconds)

root = Path({root!r})
sys.exit(main(["--root", str(root), *sys.argv[1:]], Slow(root)))
"""


def program(boat: Boat, words: list[str], pause: float) -> list[str]:
    path = [str(Path(__file__).parents[3])]
    code = PROGRAM.format(path=path, root=str(boat.paths.root), pause=pause)
    return [sys.executable, "-c", code, *words]


def run(boat: Boat, words: list[str], data: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(program(boat, words, 0), input=data, capture_output=True, check=False)


@pytest.fixture
def connection(boat: Boat, archive: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Give a trial under way, in the middle of its reloads, in a session of its own."""
    words = [str(word) for word in tried(archive)]
    process = subprocess.Popen(
        program(boat, words, 0.5),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    wait_for(boat, "run/slow")
    yield process
    process.communicate()


def wait_for(boat: Boat, path: str) -> None:
    for _ in range(500):
        if (boat.paths.root / path).exists():
            return
        time.sleep(0.01)
    raise AssertionError(f"{path} did not come")


def wait_until_applied(boat: Boat) -> None:
    for _ in range(500):
        found = load_trial(boat.paths)
        if found and found.phase == "applied":
            return
        time.sleep(0.01)
    raise AssertionError("the trial was not finished")


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGINT, signal.SIGKILL, signal.SIGTERM])
def test_a_connection_that_dies_does_not_take_the_trial_with_it(
    boat: Boat, connection: subprocess.Popen[bytes], number: signal.Signals
) -> None:
    os.killpg(connection.pid, number)
    assert connection.wait() != 0
    wait_until_applied(boat)
    assert boat.system.running()["hostapd.service"] == b"ssid=Renamed\n"


def test_nobody_reads_the_answer(boat: Boat, connection: subprocess.Popen[bytes]) -> None:
    assert connection.stdout
    assert connection.stderr
    connection.stdout.close()
    connection.stderr.close()
    connection.wait()
    wait_until_applied(boat)


def test_a_return_ends_a_trial_that_hangs(boat: Boat, archive: Path) -> None:
    before = snapshot(boat.paths.root)
    hanging = subprocess.Popen(
        program(boat, [str(word) for word in tried(archive)], 600), stdout=subprocess.PIPE
    )
    wait_for(boat, "run/slow")
    start = time.monotonic()
    done = run(boat, ["return", "--deadline"])
    assert time.monotonic() - start < 5
    assert done.returncode == 0
    assert snapshot(boat.paths.root) == before
    said = json.loads(hanging.communicate()[0])
    assert hanging.returncode in (Exit.REFUSED, Exit.ON_TRIAL)
    assert said["error"]["kind"] == "stopped"


def test_giving_up_ends_only_what_was_begun(
    boat: Boat, archive: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A refused push undoes neither another's trial nor changes by hand."""
    call(boat, *tried(archive), capfd=capfd)
    assert call(boat, "return", "--sha256", HOME, capfd=capfd)[1]["returned"] is None
    assert boat.system.armed()
    assert call(boat, "return", "--sha256", DIGEST, capfd=capfd)[1]["returned"] == DIGEST
    assert not boat.system.armed()
    boat.paths.live("/etc/hostname").write_text("by hand")
    code, said = call(boat, "return", "--sha256", DIGEST, capfd=capfd)
    assert (code, said["changed"]) == (Exit.OK, [])
    assert boat.paths.live("/etc/hostname").read_text() == "by hand"
    with hold_lock(boat.paths, boat.system, "trial"):
        assert json.loads(run(boat, ["status", "--json"]).stdout)["at_work"] == "trial"
        assert call(boat, "return", "--sha256", DIGEST, capfd=capfd)[0] == Exit.BUSY
    assert call(boat, "status", "--json", capfd=capfd)[1]["at_work"] is None
