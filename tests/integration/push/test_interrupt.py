# SPDX-License-Identifier: GPL-3.0-or-later
"""The laptop stops in the middle of a push, for good or for a while: the boat rolls back."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.push.ansible.playbook import Event, Listener
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.result import Outcome, PushResult
from provision.verify import runner
from tests.support.push.loopback import RigBoat

HOSTAPD = "etc/hostapd/boat.conf"

ENDLESS = "import time; time.sleep(600)"

#: Seconds; the boat's own shortest.
TIMER = 5


def running(folder: Path) -> dict[int, str]:
    """Return the processes of this machine that were started with something in `folder`."""
    found = {}
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            line = path.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(folder) in line:
            found[int(path.parent.name)] = line
    return found


@dataclass(frozen=True)
class Stage:
    """Holds a boat to push another SSID to, and the laptop's private folder."""

    boat: RigBoat
    runtime: Path
    before: bytes

    def push(self, listener: Listener) -> PushResult:
        options = PushOptions(at={self.boat.open_boat.name: self.boat.endpoint}, timer=TIMER)
        (result,) = push([self.boat.open_boat], options, listener)
        return result


@pytest.fixture
def stage(
    rig: Callable[..., RigBoat], monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest
) -> Iterator[Stage]:
    """With a proof that lasts for some seconds, and passes."""
    proof = [sys.executable, "-c", "import time; time.sleep(3)"]
    monkeypatch.setattr(runner, "command", lambda job: [*proof, str(job)])
    with tempfile.TemporaryDirectory(prefix="i") as short:
        monkeypatch.setenv("XDG_RUNTIME_DIR", short)
        boat = rig(request.node.name.removeprefix("test_").replace("_", "-"))
        before = (boat.root / HOSTAPD).read_bytes()
        boat.change("another", "network", "access_point", "ssid")
        yield Stage(boat, Path(short), before)


def test_ends(stage: Stage) -> None:
    """Ctrl-C: nothing goes on ashore."""

    def interrupted(event: Event) -> None:
        if event.get("step") == "prove":
            assert running(stage.runtime)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stage.push(interrupted)
    assert list(stage.runtime.iterdir()) == []
    end = time.monotonic() + 5
    while left := running(stage.runtime):
        assert time.monotonic() < end, left
        time.sleep(0.05)
    file = stage.boat.root / HOSTAPD
    assert file.read_bytes() != stage.before
    end = time.monotonic() + TIMER + 15
    while file.read_bytes() != stage.before:
        assert time.monotonic() < end, "the boat has not rolled back"
        time.sleep(0.2)


def test_sleeps(stage: Stage) -> None:
    """The laptop wakes up when the boat's timer has run out, goes on, and reports the outcome."""

    def asleep(event: Event) -> None:
        if event.get("step") == "prove":
            processes = running(stage.runtime)
            assert processes
            for pid in processes:
                os.kill(pid, signal.SIGSTOP)
            time.sleep(TIMER + 3)
            for pid in processes:
                os.kill(pid, signal.SIGCONT)

    result = stage.push(asleep)
    assert result.outcome is Outcome.ROLLED_BACK, result
    assert (stage.boat.root / HOSTAPD).read_bytes() == stage.before


def test_hangs(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """The proof hangs. It gets no more time than the boat does."""
    monkeypatch.setattr(runner, "command", lambda job: [sys.executable, "-c", ENDLESS])
    result = stage.push(lambda _: None)
    assert result.outcome is Outcome.ROLLED_BACK, result
    assert (result.step, result.reason) == ("prove", f"the proof did not end within {TIMER} s")
    assert (stage.boat.root / HOSTAPD).read_bytes() == stage.before
