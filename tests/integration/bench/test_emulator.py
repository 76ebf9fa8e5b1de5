# SPDX-License-Identifier: GPL-3.0-or-later
"""The emulator's process, whatever becomes of it; here it is a program that only speaks QMP."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.bench.hold.server import run_command
from provision.bench.hull.schema import HullAdapter
from provision.bench.qemu.machine import NetworkWire
from provision.bench.qemu.process import Emulator
from provision.boards import board
from provision.errors import UserError
from tests.integration.bench.fake_emulator import command


class Fake(Emulator):
    """Runs a program of ours in the emulator's place."""

    status = "running"
    instead: list[str] | None = None

    def command(self) -> list[str]:
        return self.instead or command(self.folder, self.status)


@pytest.fixture
def emulator(tmp_path: Path) -> Iterator[Fake]:
    wire = NetworkWire("10.0.2.0/24", "10.0.2.2", "10.0.2.3", ())
    emulator = Fake(board("x86-64"), tmp_path, tmp_path / "disk", wire)
    emulator.adapters = {"gnss": HullAdapter(serial="A1")}
    yield emulator
    emulator.power_cut()


class Bench:
    """Stands for a bench, as far as commands need it."""

    def __init__(self, emulator: Emulator) -> None:
        self.emulator = emulator
        self.power_on = emulator.power_on
        self.power_cut = emulator.power_cut
        self.unplug, self.plug = emulator.unplug, emulator.plug

    def wait(self) -> None:
        pass


@pytest.fixture
def tell(emulator: Fake) -> Callable[[str], str]:
    """Has a held bench obey; its answer."""
    bench = Bench(emulator)
    return lambda line: run_command(bench, line.split())  # type: ignore[arg-type]


def ended(emulator: Fake, signal_number: int) -> None:
    """End the emulator from outside."""
    assert emulator._process is not None
    os.kill(emulator._process.pid, signal_number)
    emulator._process.wait()


def test_an_emulator_that_does_not_start_says_why_at_once(emulator: Fake) -> None:
    emulator.instead = [sys.executable, "-c", "raise SystemExit('no such machine')"]
    start = time.monotonic()
    with pytest.raises(UserError, match="did not start:\nno such machine"):
        emulator.power_on()
    assert time.monotonic() - start < 10
    assert not emulator.running


def test_one_that_is_ended_is_noticed(emulator: Fake, tell: Callable[[str], str]) -> None:
    emulator.power_on()
    emulator.check()
    ended(emulator, signal.SIGKILL)
    with pytest.raises(UserError, match="ended with status -9"):
        emulator.check()
    assert tell("unplug gnss") == "error: the boat has no power"
    assert tell("power-on") == "ok"
    assert tell("unplug gnss") == "ok"


def test_a_boat_that_switches_itself_off_may_be_switched_on(
    emulator: Fake, tell: Callable[[str], str]
) -> None:
    emulator.power_on()
    with pytest.raises(UserError):
        emulator.qmp.command("quit")
    assert emulator.wait_for_end(10)
    emulator.check()
    assert tell("power-on") == "ok"


def test_power_is_cut_and_put_on(emulator: Fake, tell: Callable[[str], str]) -> None:
    assert tell("power-cut") == "ok"
    assert tell("plug gnss") == "error: the boat has no power"
    assert tell("power-on") == "ok"
    assert tell("power-on") == "error: the power is on"
    assert tell("plug gnss") == "ok"
    assert tell("power-cut") == "ok"
    assert not emulator.running


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("", "the commands are"),
        ("unplug", "the commands are"),
        ("unplug gnss now", "the commands are"),
        ("plug wind", "no link wind has an adapter here; those that have: gnss"),
    ],
)
def test_what_is_no_command(tell: Callable[[str], str], line: str, said: str) -> None:
    assert tell(line).startswith(f"error: {said}")


def test_an_emulator_that_hangs_is_no_reason_to_end(
    emulator: Fake, tell: Callable[[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    emulator.power_on()
    emulator.qmp._socket.settimeout(0.1)
    with pytest.raises(UserError, match="does not answer"):
        emulator.qmp.command("hang")
    assert tell("unplug gnss") == "error: the emulator does not answer"


def test_a_machine_whose_disk_cannot_grow_stands_still(emulator: Fake) -> None:
    emulator.status = "io-error"
    emulator.power_on()
    with pytest.raises(UserError, match="the disk is full") as error:
        emulator.check()
    assert "TMPDIR" in error.value.hint
    emulator.power_cut()
    emulator.check()


def test_nothing_is_left_of_it(emulator: Fake) -> None:
    before = set(os.listdir("/proc/self/fd"))
    for _ in range(3):
        emulator.power_on()
        ended(emulator, signal.SIGKILL)
    emulator.power_on()
    emulator.power_cut()
    assert set(os.listdir("/proc/self/fd")) == before
