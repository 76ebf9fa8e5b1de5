# SPDX-License-Identifier: GPL-3.0-or-later
"""A receiver steps the clock in the middle of a trial: its time is neither cut nor stretched."""

from __future__ import annotations

import time
from collections.abc import Iterable

import pytest

from provision.onboard.settings.live.system import System, UnitState
from provision.onboard.settings.store.keep import keep
from provision.onboard.settings.store.state import load_trial
from provision.onboard.settings.trial import start_trial
from tests.support.settings.boat import NEW, Boat, ask, pack

YEAR = 366 * 86400.0


class Commands(System):
    """Writes down the programs that the real one would run."""

    def __init__(self) -> None:
        self.ran: list[tuple[str, ...]] = []

    def run(self, *command: str, timeout: float = 0) -> str:
        self.ran.append(command)
        return ""

    def states(self, units: Iterable[str]) -> dict[str, UnitState]:
        return {unit: UnitState("not-found", "inactive") for unit in units}


def test_systemd_counts_the_seconds_and_reads_no_clock() -> None:
    """A timer of OnActiveSec= runs on the monotonic clock (systemd.timer(5))."""
    system = Commands()
    system.arm(240)
    (command,) = system.ran
    assert command[0] == "systemd-run"
    assert [word for word in command if word.startswith("--on-")] == ["--on-active=240"]
    assert command[-3:] == ("/usr/bin/boat-settings", "return", "--deadline")


def test_the_clock_of_deadlines_is_not_the_one_that_is_stepped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = System().monotonic()
    monkeypatch.setattr(time, "time", lambda: 0.0)
    assert System().wall() == 0.0
    assert before <= System().monotonic() < before + 60


@pytest.mark.parametrize("step", [-YEAR, YEAR])
def test_a_trial_is_as_long_as_it_was(
    boat: Boat, step: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, digest = pack(NEW)
    start_trial(boat.paths, boat.system, ask(data, digest))
    found = load_trial(boat.paths)
    assert found is not None
    left, wall = found.seconds_left(boat.system), boat.system.wall()
    monkeypatch.setattr(boat.system, "wall", lambda: wall + step)
    assert found.seconds_left(boat.system) == left
    keep(boat.paths, boat.system, digest)
    assert not boat.system.armed()
