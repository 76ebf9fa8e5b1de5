# SPDX-License-Identifier: GPL-3.0-or-later
"""A clock that is wrong, or jumps, removes nothing from the voyage log."""

from __future__ import annotations

import asyncio
import os
import time
from pathlib import Path

import pytest

from provision.onboard.feed.config.parse import parse
from provision.onboard.feed.report.fault_log import FaultLog
from provision.onboard.feed.voyage_log import log as voyage
from provision.onboard.feed.voyage_log.files import files
from provision.onboard.feed.voyage_log.log import VoyageLog
from provision.onboard.feed.voyage_log.reader import read
from tests.support.feed.rig import feed_sentence, numbered, until

DAY = 86400.0

#: 2027-01-15, eight in the morning.
MORNING = 1.8e9


class Boat:
    """Runs a voyage log with a clock that the test sets."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self.wall = MORNING
        self.passed = 100.0
        self.count = 0
        real = time.gmtime
        monkeypatch.setattr(voyage.time, "time", lambda: self.wall)
        monkeypatch.setattr(voyage.time, "gmtime", lambda at=None: real(at or self.wall))
        monkeypatch.setattr(voyage, "elapsed", lambda: self.passed, raising=False)

    def wait(self, seconds: float) -> None:
        self.wall += seconds
        self.passed += seconds

    def sail(self, *waits: float, jumps: tuple[float, ...] = (), days: int = 3) -> None:
        """Start, write once, and once more after each wait; before it the clock may jump."""

        async def play() -> None:
            settings = {"links": {}, "outputs": {}, "log": {"folder": str(self.folder)}}
            settings["log"] |= {"days": days, "interval": 3600}
            config = parse(settings).log
            assert config is not None
            log = VoyageLog(config, FaultLog())
            for number, seconds in enumerate((0.0, *waits)):
                if number and number <= len(jumps):
                    self.wall += jumps[number - 1]
                self.wait(seconds)
                log.put(feed_sentence(numbered(self.count), 1.0))
                self.count += 1
                log.write()
                await until(lambda n=number: log.writes == n + 1)
                await asyncio.sleep(0.02)
            log.close()

        asyncio.run(play())

    def names(self) -> list[str]:
        return sorted(os.listdir(self.folder))

    def kept(self) -> list[bytes]:
        """Return what is still there, the oldest file first."""
        return [one.raw for name in self.names() for one in read(str(self.folder / name))]


@pytest.fixture
def boat(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Boat:
    (tmp_path / "log").mkdir()
    return Boat(tmp_path / "log", monkeypatch)


@pytest.mark.parametrize("jump", [3650 * DAY, -3650 * DAY, 5 * DAY, -5 * DAY])
@pytest.mark.parametrize("days", [1, 3])
def test_a_clock_that_jumps_and_jumps_back_removes_nothing(
    boat: Boat, jump: float, days: int
) -> None:
    for _ in range(days):
        boat.sail(60.0)
        boat.wait(DAY)
    boat.sail(60.0, 60.0, 60.0, jumps=(0.0, jump, -jump), days=days)
    assert boat.kept() == [numbered(n) for n in range(boat.count)]
    # The file names the right day again.
    assert boat.names()[-1][-13:] == f"{time.strftime('%Y-%m-%d', time.gmtime(boat.wall))}.gz"
    assert len(boat.names()) == days + 1


@pytest.mark.parametrize("wrong", [3650 * DAY, -3650 * DAY])
def test_a_start_with_a_wrong_clock_removes_nothing(boat: Boat, wrong: float) -> None:
    for _ in range(3):
        boat.sail()
        boat.wait(DAY)
    boat.wall += wrong
    boat.sail(60.0, 60.0, jumps=(0.0, -wrong))
    assert boat.kept() == [numbered(n) for n in range(boat.count)]


def test_a_voyage_logged_without_a_clock_outlives_the_first_fix(boat: Boat) -> None:
    boat.wall -= 3650 * DAY
    boat.sail(60.0, 3600.0)
    boat.wall += 3650 * DAY
    boat.sail(60.0)
    assert boat.kept() == [numbered(n) for n in range(5)]


def test_keep_counts_days_on_which_something_was_logged(boat: Boat) -> None:
    """A winter ashore removes nothing."""
    for _ in range(5):
        boat.sail()
        boat.wait(100 * DAY)
    # The file that is being written is not counted.
    assert boat.kept() == [numbered(n) for n in (1, 2, 3, 4)]
    boat.sail()
    boat.sail()
    assert boat.kept() == [numbered(n) for n in (3, 4, 5, 6)]


def test_midnight_begins_a_new_file(boat: Boat) -> None:
    boat.sail(DAY, DAY)
    assert boat.names() == [f"log-{n:06d}-2027-01-{14 + n}.gz" for n in (1, 2, 3)]


def test_days_of_an_earlier_version_are_counted_as_older(boat: Boat) -> None:
    for name in ("2026-01-01-001.gz", "2036-01-01-001.gz", "2036-01-01-002.gz"):
        (boat.folder / name).touch()
    boat.sail()
    boat.sail(days=1)
    assert boat.names() == ["log-000001-2027-01-15.gz", "log-000002-2027-01-15.gz"]


def test_the_names_of_both_versions_sort_by_age(tmp_path: Path) -> None:
    """A shell's `*.gz` hands them to a replay in their order."""
    for name in ("2026-01-02-001.gz", "2026-01-01-002.gz", "log-000010-1970-01-01.gz",
                 "log-000009-2036-01-01.gz"):  # fmt: skip
        (tmp_path / name).touch()
    assert files(str(tmp_path)) == sorted(os.listdir(tmp_path))
    assert files(str(tmp_path))[-1] == "log-000010-1970-01-01.gz"
