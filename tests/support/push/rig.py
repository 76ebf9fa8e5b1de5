# SPDX-License-Identifier: GPL-3.0-or-later
"""A virtual boat, the laptop that pushes to it, and what may come between the two."""

from __future__ import annotations

import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from provision.errors import UserError
from provision.render import File
from tests.support.boats import Club, Virtual
from tests.support.profiles import change
from tests.support.push.laptop import Job, Laptop
from tests.support.push.lossy_link import LossyLink
from tests.support.snapshot import Snapshot, Watch, differences, snapshot

BOAT = "kittiwake"
ADDRESS = "10.47.1.1"

#: Seconds; as short as a boat under emulation allows a push.
TIMER = 45

#: Seconds beyond the timer in which a boat that was locked out answers again. 15 are aimed
#: at; under emulation on a busy machine everything aboard takes several times as long.
BEYOND = 60

#: Seconds that units may still take to be as they were once a return is over.
SETTLING = 30


@dataclass(frozen=True)
class PushRig:
    """Holds the boat, the laptop that pushes to it, and how the boat was before."""

    boat: Virtual
    laptop: Laptop
    kept: str
    before: Snapshot
    folder: Path

    @property
    def link(self) -> LossyLink:
        """Return the link between the two."""
        return self.laptop.links[ADDRESS]

    def job(self, club: Club | None = None, **words: Any) -> Job:
        """Return a push of what the boat has, or of a changed club, from the boat's usual place."""
        defaults: dict[str, Any] = {"at": ADDRESS, "timer": TIMER}
        return Job(boats=str((club or self.boat.club).folder), boat=BOAT, **(defaults | words))

    def changed(self, *changes: tuple[str, str]) -> Club:
        """Return the club with another profile of the boat."""
        number = sum(1 for _ in self.folder.iterdir())
        copy = self.boat.club.copy(self.folder / f"club-{number}")
        change(copy.folder / f"{BOAT}.yml", *changes)
        return copy

    def text(self, path: str) -> str:
        """Return what the boat's settings have at `path`."""
        file = self.boat.club.open_boat(BOAT).render().files[path]
        assert isinstance(file, File)
        return file.content.decode()

    def settled(self, patience: float = TIMER + 60) -> dict[str, Any]:
        """Return the boat's status once nothing is on trial and nothing at work."""
        end = time.monotonic() + patience
        while True:
            status: dict[str, Any] = {}
            with suppress(AssertionError, subprocess.TimeoutExpired, ValueError):
                status = self.boat.status()
                if not status["trial"] and not status["at_work"]:
                    return status
            assert time.monotonic() < end, f"the boat has not settled: {status.get('trial')}"
            time.sleep(1)

    def is_as_before(self) -> None:
        """Kept settings, no drift, and everything else as it was before the first fault."""
        status = self.settled()
        assert (status["live"], status["kept"], status["drift"]) == (self.kept, self.kept, [])
        assert (status["degraded"], status["kept_whole"]) == (False, True)
        end = time.monotonic() + SETTLING
        while left := differences(self.before, snapshot(self.boat)):
            assert time.monotonic() < end, left
            time.sleep(2)


#: Takes a fault, the seconds of silence after it, and the timer in seconds.
Record = Callable[..., None]


@contextmanager
def locked_out(rig: PushRig, fault: str, record: Record) -> Iterator[None]:
    """Lock all out of the boat for no longer than the timer and a little more."""
    # A connection from before could outlive the lock-out.
    rig.boat.hang_up()
    with Watch(rig.boat.bench.ssh_port) as watch:
        yield
    record(fault, watch.silence)
    assert TIMER / 3 < watch.silence < TIMER + BEYOND


@dataclass
class Air:
    """Notes the times at which a tablet with today's pass-phrase reached the boat."""

    answers: list[float] = field(default_factory=list)
    lost: bool = False

    @property
    def silence(self) -> float:
        """Return the longest time between two answers, in seconds."""
        pairs = zip(self.answers, self.answers[1:], strict=False)
        return max((later - earlier for earlier, later in pairs), default=0.0)


@contextmanager
def by_air(rig: PushRig, link: LossyLink | None = None) -> Iterator[Air]:
    """Watch the boat from a tablet, until it is reached again in the end.

    `link` is there only while the tablet reaches the boat.
    """
    bench, air, over = rig.boat.bench, Air(), threading.Event()

    def follow() -> None:
        reached = True
        while not (over.is_set() and reached):
            ports = bench.tablet.ask("knock", host=ADDRESS, ports=[10110])["ports"]
            reached = ports["10110"] == "open"
            if link is not None:
                link.there = reached
            if reached:
                air.answers.append(time.monotonic())
            else:
                air.lost = True
                with suppress(UserError):
                    bench.join(seconds=10)
            over.wait(1)

    radio = threading.Thread(target=follow)
    radio.start()
    try:
        yield air
    finally:
        over.set()
        radio.join(timeout=TIMER + BEYOND)
        assert not radio.is_alive(), "the tablet does not reach the boat any more"


@contextmanager
def filled(boat: Virtual, folder: str, leave: int) -> Iterator[None]:
    """Fill a file system aboard, but for `leave` KiB."""
    free = int(boat.ask(f"df --output=avail -k {folder} | tail -n 1"))
    boat.ask(f"fallocate -l {free - leave}K {folder}/fill || "
             f"head -c {free - leave}K /dev/zero > {folder}/fill")  # fmt: skip
    try:
        yield
    finally:
        boat.ask(f"rm -f {folder}/fill")


def on_trial(rig: PushRig, club: Club, seconds: int) -> str:
    """Put settings on trial without a push; their digest."""
    settings = club.open_boat(BOAT).render()
    archive = rig.folder / "trial.tar"
    archive.write_bytes(settings.archive)
    rig.boat.put(archive, "/run/boat/incoming.tar")
    rig.boat.ask(
        f"boat-settings trial /run/boat/incoming.tar --sha256 {settings.sha256} "
        f"--seconds {seconds} --owner test"
    )
    return settings.sha256
