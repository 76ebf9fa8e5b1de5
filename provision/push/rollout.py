# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring a whole fleet to its settings: one boat first, until too many fail, until a deadline."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from provision.errors import UserError
from provision.push import push as pushing
from provision.push.options import PushOptions
from provision.push.plan import Target, ssh_target_of
from provision.push.playbook import Listener
from provision.push.result import Outcome, PushResult
from provision.ssh.discover import find_answering_endpoint

#: Seconds between two rounds of looking for boats that did not answer.
PAUSE = 5.0


@dataclass(frozen=True)
class Rollout:
    """In which order, and how far.

    `first` names the boat that is to be well before the others are begun with; "" for none. It
    is proven also when it has its settings already.
    `wait` is for how many seconds boats that do not answer are looked for.
    """

    first: str = ""
    wait: float = 0.0


#: Pushes to boats, as `provision.push.pushing.push` does.
Push = Callable[[Sequence[Target], PushOptions, Listener | None], list[PushResult]]

#: Those of the boats that answer now.
Look = Callable[[Sequence[Target], PushOptions], list[Target]]


def roll_out(
    targets: Sequence[Target],
    options: PushOptions,
    rollout: Rollout,
    listener: Listener | None = None,
) -> list[PushResult]:
    """Push to all boats; a result for each, in the order of `targets`."""
    return Run(options, time.monotonic() + rollout.wait, listener).all(targets, rollout.first)


def looking(targets: Sequence[Target], options: PushOptions) -> list[Target]:
    """Those of the boats that show their host key now, at a place where a push looks for them."""

    def there(target: Target) -> bool:
        ssh_target = ssh_target_of(target, options.at, former=options.former)
        if target.name in options.at:
            # A push takes the operator's word for it, and goes nowhere else.
            ssh_target = replace(ssh_target, endpoints=ssh_target.endpoints[:1])
        return find_answering_endpoint(ssh_target) is not None

    with ThreadPoolExecutor(max(len(targets), 1)) as pool:
        found = list(pool.map(there, targets))
    return [target for target, up in zip(targets, found, strict=True) if up]


@dataclass(frozen=True)
class Run:
    """One roll-out; `deadline` is on the monotonic clock."""

    options: PushOptions
    deadline: float
    listener: Listener | None = None
    push: Push = pushing.push
    look: Look = looking

    def all(self, targets: Sequence[Target], first: str) -> list[PushResult]:
        """The boat to go `first`, then the others."""
        ahead = [target for target in targets if target.name == first]
        if first and not ahead:
            raise UserError(
                f"{first} is to go first, but is not among the boats to push to",
                hint="name it among the boats, too",
            )
        done: dict[str, PushResult] = {}
        self._batch(ahead, done, prove_unchanged=True)
        rest = [target for target in targets if target.name != first]
        if ahead and not done[first].well:
            ended = f"{first}, which was to go first, ended as {done[first].outcome}"
            done |= {target.name: held(target, ended) for target in rest}
        else:
            self._batch(rest, done)
        return [done[target.name] for target in targets]

    def _batch(
        self,
        targets: Sequence[Target],
        done: dict[str, PushResult],
        *,
        prove_unchanged: bool = False,
    ) -> None:
        """Push to these boats, and again to those that did not answer, until the deadline."""
        proven = self.options.prove_unchanged or prove_unchanged
        options = replace(self.options, prove_unchanged=proven)
        todo, away = list(targets), list[Target]()
        while todo:
            allowed = self._allowed(done)
            if allowed is None:
                done |= {target.name: held(target, "too many boats failed") for target in todo}
                return
            results = self.push(todo, replace(options, stop_after=allowed), self.listener)
            done.update((result.boat, result) for result in results)
            away = [
                target
                for target in targets
                if target.name in done and done[target.name].outcome is Outcome.UNREACHABLE
            ]
            todo = self._wait(away) if self._allowed(done) is not None else []

    def _allowed(self, done: dict[str, PushResult]) -> int | None:
        """How many more may fail, 0 for any number; None when the roll-out is over."""
        if not self.options.stop_after:
            return 0
        left = self.options.stop_after - sum(result.failed for result in done.values())
        return left if left > 0 else None

    def _wait(self, away: Sequence[Target]) -> list[Target]:
        """Those of the boats that answer before the deadline, as soon as one does.

        They get some time first: a push has just found them not to answer.
        """
        while away and time.monotonic() < self.deadline:
            time.sleep(min(PAUSE, max(0.0, self.deadline - time.monotonic())))
            if up := self.look(away, self.options):
                return up
        return []


def held(target: Target, reason: str) -> PushResult:
    """The result of a boat that was not begun with."""
    return PushResult(target.name, Outcome.HELD, "", f"nothing was tried: {reason}")
