# SPDX-License-Identifier: GPL-3.0-or-later
"""Roll settings out to a fleet: one boat first, until too many fail, until a deadline."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from provision.errors import UserError
from provision.push import push as pushing
from provision.push.ansible.playbook import Listener
from provision.push.options import PushOptions
from provision.push.plan import ssh_target_of
from provision.push.result import Outcome, PushResult
from provision.render import OpenBoat
from provision.ssh.discover import find_answering_endpoint

#: Seconds between two scans for boats that did not answer.
SCAN_INTERVAL_S = 5.0


@dataclass(frozen=True)
class Rollout:
    """Hold which boat goes first, and how long to wait for boats.

    `first` names the boat whose push must succeed before the others start, or is "". That boat
    is proven even when it has its settings already. `wait` is the seconds for which a roll-out
    looks for boats that do not answer.
    """

    first: str = ""
    wait: float = 0.0


#: Pushes to boats, as `provision.push.push.push` does.
Push = Callable[[Sequence[OpenBoat], PushOptions, Listener | None], list[PushResult]]

#: Filters the boats that answer now.
FindReachable = Callable[[Sequence[OpenBoat], PushOptions], list[OpenBoat]]


def roll_out(
    boats: Sequence[OpenBoat],
    options: PushOptions,
    rollout: Rollout,
    listener: Listener | None = None,
) -> list[PushResult]:
    """Push to all boats, and return a result for each in the order of `boats`."""
    return Run(options, time.monotonic() + rollout.wait, listener).all(boats, rollout.first)


def reachable(boats: Sequence[OpenBoat], options: PushOptions) -> list[OpenBoat]:
    """Filter the boats that show their host key now, at an endpoint that a push would try."""

    def answers(boat: OpenBoat) -> bool:
        ssh_target = ssh_target_of(boat, options.at, former=options.former)
        if boat.name in options.at:
            # A push tries no endpoint but the one that the operator gave.
            ssh_target = replace(ssh_target, endpoints=ssh_target.endpoints[:1])
        return find_answering_endpoint(ssh_target) is not None

    with ThreadPoolExecutor(max(len(boats), 1)) as pool:
        found = list(pool.map(answers, boats))
    return [boat for boat, up in zip(boats, found, strict=True) if up]


@dataclass(frozen=True)
class Run:
    """Run one roll-out. `deadline` is in seconds of the monotonic clock."""

    options: PushOptions
    deadline: float
    listener: Listener | None = None
    push: Push = pushing.push
    find_reachable: FindReachable = reachable

    def all(self, boats: Sequence[OpenBoat], first: str) -> list[PushResult]:
        """Push to the boat to go `first`, then to the others."""
        ahead = [boat for boat in boats if boat.name == first]
        if first and not ahead:
            raise UserError(
                f"{first} is to go first, but is not among the boats to push to",
                hint="name it among the boats, too",
            )
        done: dict[str, PushResult] = {}
        self._batch(ahead, done, prove_unchanged=True)
        rest = [boat for boat in boats if boat.name != first]
        if ahead and not done[first].succeeded:
            ended = f"{first}, which was to go first, ended as {done[first].outcome.label}"
            done |= {boat.name: skipped(boat, ended) for boat in rest}
        else:
            self._batch(rest, done)
        return [done[boat.name] for boat in boats]

    def _batch(
        self,
        boats: Sequence[OpenBoat],
        done: dict[str, PushResult],
        *,
        prove_unchanged: bool = False,
    ) -> None:
        """Push to these boats, and again to boats that did not answer, until the deadline."""
        proven = self.options.prove_unchanged or prove_unchanged
        options = replace(self.options, prove_unchanged=proven)
        todo, away = list(boats), list[OpenBoat]()
        while todo:
            allowed = self._allowed(done)
            if allowed is None:
                done |= {boat.name: skipped(boat, "too many boats failed") for boat in todo}
                return
            results = self.push(todo, replace(options, stop_after=allowed), self.listener)
            done.update((result.boat, result) for result in results)
            away = [
                boat
                for boat in boats
                if boat.name in done and done[boat.name].outcome is Outcome.UNREACHABLE
            ]
            todo = self._wait(away) if self._allowed(done) is not None else []

    def _allowed(self, done: dict[str, PushResult]) -> int | None:
        """Count how many more boats may fail: 0 for any number, None when the roll-out is over."""
        if not self.options.stop_after:
            return 0
        left = self.options.stop_after - sum(result.failed for result in done.values())
        return left if left > 0 else None

    def _wait(self, away: Sequence[OpenBoat]) -> list[OpenBoat]:
        """Wait for one of the boats to answer before the deadline, and return all that answer.

        Sleep first: a push has just found that these boats do not answer.
        """
        while away and time.monotonic() < self.deadline:
            time.sleep(min(SCAN_INTERVAL_S, max(0.0, self.deadline - time.monotonic())))
            if up := self.find_reachable(away, self.options):
                return up
        return []


def skipped(boat: OpenBoat, reason: str) -> PushResult:
    """Return the result of a boat that the roll-out did not start."""
    return PushResult(boat.name, Outcome.HELD, "", f"nothing was tried: {reason}")
