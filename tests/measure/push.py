# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure a push against an ordinary playbook, and 24 boats against one.

    python -m tests.measure.push [ordinary|fleet]

The ordinary playbook (see `ordinary`) and the push go to the same virtual boat over the same
SSH options, each from nothing: the push is timed in all that `provision push` does. The
ordinary playbook proves nothing; so the change of a link is measured without its proof, too.
It runs once for each figure, since it takes minutes under emulation.

The 24 boats are in namespaces of this machine (tests/support/push/netns_fleet.py): all that
happens aboard costs this machine's time as well. Their proof takes the time that it takes
aboard, since it waits until the feed, which a changed link restarts, has run for long enough.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import yaml

from provision.paths import shipped
from provision.profile.scaffold import create_club
from provision.push.options import PushOptions
from provision.push.push import lay_out
from provision.push.result import Outcome
from tests.measure.figures import Ratio
from tests.measure.ordinary import Ordinary
from tests.support.boats import Club, Virtual
from tests.support.push.netns_fleet import BOATS, SUBJECTS, NetnsFleet, netns_fleet, profile

RUNS = 3

#: Seconds; whatever the machine is busy with, no push is to fail for it.
TIMER = 900


def median(work: Callable[[], object], before: Callable[[], object], runs: int = RUNS) -> float:
    """Return the seconds; `before` is done before each run and not timed."""
    taken = []
    for _ in range(runs):
        before()
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return statistics.median(taken)


def tasks_of(*roles: str) -> int:
    """Return how many tasks these roles of a push have."""
    files = [shipped("roles") / role / "tasks/main.yml" for role in roles]
    return sum(len(yaml.safe_load(file.read_text())) for file in files)


def show(name: str, ours: float, theirs: float, aim: float) -> None:
    """Print a figure as soon as it is known."""
    print(Ratio(name, ours, theirs, aim).line(), flush=True)


def against_ordinary(club: Club, boat: Virtual) -> None:
    """Measure a push that changes nothing, and a push that changes one link."""
    name, folder = boat.name, Path(boat.bench.folder) / "o"
    options = PushOptions(at={name: boat.endpoint}, timer=TIMER)
    lay_out([club.open_boat(name)], folder, options)
    playbook = Ordinary(folder)

    def settings() -> int:
        return playbook.write(club.open_boat(name).render())

    def unchanged() -> None:
        if changed := playbook.run():
            raise RuntimeError(f"the ordinary playbook changed {changed} files that are the same")

    def pushed(outcome: Outcome, prove: bool = True) -> None:
        result = boat.push(club, timer=TIMER, prove=prove)
        if result.outcome is not outcome:
            raise RuntimeError(str(result))

    def other_baud() -> None:
        file = club.folder / f"{name}.yml"
        content = yaml.safe_load(file.read_text())
        link = content["links"]["depth-log"]
        link["baud"] = 9600 if link["baud"] == 4800 else 4800
        file.write_text(yaml.safe_dump(content))
        boat.bench.set_baud("depth-log", link["baud"])

    many = settings()
    what = f"an ordinary playbook of {many} tasks"
    theirs = median(unchanged, lambda: None, 1)
    pushed(Outcome.UNCHANGED)
    ours = median(lambda: pushed(Outcome.UNCHANGED), lambda: None)
    show(f"a push that changes nothing, {tasks_of('preflight')} tasks / {what}", ours, theirs, 0.1)

    unproven = median(lambda: pushed(Outcome.KEPT, prove=False), other_baud)
    proven = median(lambda: pushed(Outcome.KEPT), other_baud, 1)

    def another_template() -> None:
        other_baud()
        settings()

    theirs = median(playbook.run, another_template, 1)
    few = tasks_of("preflight", "trial", "keep")
    show(f"one link changed, {few} tasks, no proof / {what}", unproven, theirs, 0.1)
    few += tasks_of("prove")
    show(f"one link changed, {few} tasks, and proven / {what}", proven, theirs, 0.1)


def many_against_one(club: NetnsFleet) -> None:
    """Measure a changed link in one boat, and in the whole fleet with as many at once."""
    bauds = iter((9600, 4800) * 20)

    def change(names: tuple[str, ...]) -> None:
        baud = next(bauds)
        for name in names:
            club.change(name, baud, "links", "gnss", "baud")

    def pushed(*whom: str) -> None:
        at_once = ["--at-once", str(len(BOATS)), "--timer", str(TIMER)]
        done = club.provision("push", *whom, *at_once)
        if done.status != 0:
            raise RuntimeError(done.output + done.errors)

    one = median(lambda: pushed(BOATS[0]), lambda: change(BOATS[:1]))
    many = median(lambda: pushed("--all"), lambda: change(BOATS), 1)
    show(f"a link changed in {len(BOATS)} boats, all at once / in one", many, one, 4.0)


def main() -> None:
    """Print the figures."""
    what = sys.argv[1:] or ["ordinary", "fleet"]
    with tempfile.TemporaryDirectory(prefix="m-") as work:
        if "fleet" in what:
            profiles = {name: profile(name, number) for number, name in enumerate(BOATS)}
            with netns_fleet(Path(work) / "f", profiles, (*SUBJECTS, "feed")) as fleet:
                fleet.switch_on(BOATS)
                many_against_one(fleet)
        if "ordinary" in what:
            create_club(Path(work) / "boats")
            club = Club(Path(work) / "boats")
            with club.launch("kittiwake") as boat:
                boat.settle()
                against_ordinary(club, boat)


if __name__ == "__main__":
    main()
