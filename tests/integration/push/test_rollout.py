# SPDX-License-Identifier: GPL-3.0-or-later
"""The order of a roll-out: who goes first, when it ends, and who is looked for until when."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any, cast

import pytest

from provision.errors import UserError
from provision.push import plan, rollout
from provision.push.options import PushOptions
from provision.push.result import Outcome, PushResult
from provision.push.rollout import Run, reachable
from provision.render import OpenBoat
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat, free_port


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rollout, "SCAN_INTERVAL_S", 0.01)


def boats(*names: str) -> list[OpenBoat]:
    return [cast(OpenBoat, SimpleNamespace(name=name)) for name in names]


@dataclass
class Pusher:
    """Pushes as told: `ends` has how each boat's pushes end, one after the other."""

    ends: dict[str, list[Outcome]] = field(default_factory=dict)
    rounds: list[tuple[list[str], int]] = field(default_factory=list)
    proven_anyway: list[bool] = field(default_factory=list)

    def __call__(
        self, some: Sequence[OpenBoat], options: PushOptions, _listener: Any
    ) -> list[PushResult]:
        names = [boat.name for boat in some]
        self.rounds.append((names, options.stop_after))
        self.proven_anyway.append(options.prove_unchanged)
        return [
            PushResult(name, (self.ends.get(name) or [Outcome.KEPT]).pop(0), "0") for name in names
        ]

    def run(
        self, fleet: list[OpenBoat], first: str = "", wait: float = 0, **more: Any
    ) -> list[str]:
        options = PushOptions(stop_after=more.pop("stop_after", 0))
        run = Run(options, time.monotonic() + wait, push=self, **more)
        return [f"{result.boat} {result.outcome}" for result in run.all(fleet, first)]


def test_all_at_once() -> None:
    push = Pusher()
    assert push.run(boats("a", "b")) == ["a kept", "b kept"]
    assert push.rounds == [(["a", "b"], 0)]


def test_the_first_is_proven_before_the_others() -> None:
    push = Pusher()
    assert push.run(boats("a", "b", "c"), first="b") == ["a kept", "b kept", "c kept"]
    assert [names for names, _ in push.rounds] == [["b"], ["a", "c"]]
    assert push.proven_anyway == [True, False]


@pytest.mark.parametrize("outcome", [Outcome.ROLLED_BACK, Outcome.UNREACHABLE, Outcome.REFUSED])
def test_without_the_first_no_other_is_begun_with(outcome: Outcome) -> None:
    push = Pusher({"b": [outcome]})
    assert push.run(boats("a", "b"), first="b") == ["a held-back", f"b {outcome}"]
    assert [names for names, _ in push.rounds] == [["b"]]


def test_a_first_that_is_not_among_them() -> None:
    with pytest.raises(UserError, match="z is to go first"):
        Pusher().run(boats("a"), first="z")


def test_failures_are_counted_over_all_rounds() -> None:
    """A boat that is off is no failure; one that refuses or returns is."""
    push = Pusher({"a": [Outcome.UNREACHABLE] * 2, "b": [Outcome.ROLLED_BACK], "c": [Outcome.KEPT]})
    some = boats("a", "b", "c")
    said = push.run(some, wait=60, stop_after=2, find_reachable=lambda away, _: list(away))
    assert said == ["a kept", "b rolled-back", "c kept"]
    assert push.rounds == [(["a", "b", "c"], 2), (["a"], 1), (["a"], 1)]


def test_too_many_failures_end_it() -> None:
    push = Pusher({"a": [Outcome.UNREACHABLE], "b": [Outcome.REFUSED], "c": [Outcome.HELD]})
    some = boats("a", "b", "c")
    said = push.run(some, wait=60, stop_after=1, find_reachable=lambda away, _: list(away))
    assert said == ["a unreachable", "b refused", "c held-back"]
    assert len(push.rounds) == 1


def test_boats_that_come_up_are_pushed_to() -> None:
    looks: list[list[str]] = []

    def look(away: Sequence[OpenBoat], _: PushOptions) -> list[OpenBoat]:
        looks.append([boat.name for boat in away])
        return [boat for boat in away if boat.name == ("b" if len(looks) < 4 else "a")][
            : len(looks) > 2
        ]

    push = Pusher({"a": [Outcome.UNREACHABLE], "b": [Outcome.UNREACHABLE]})
    assert push.run(boats("a", "b", "c"), wait=60, find_reachable=look) == [
        "a kept",
        "b kept",
        "c kept",
    ]
    assert [names for names, _ in push.rounds] == [["a", "b", "c"], ["b"], ["a"]]


def test_a_boat_that_answers_but_is_not_reached_is_tried_with_pauses() -> None:
    """A busy boat may refuse logins. Pushing without end would not help it."""
    push = Pusher({"a": [Outcome.UNREACHABLE] * 1000})
    assert push.run(boats("a"), wait=0.3, find_reachable=lambda away, _: list(away)) == [
        "a unreachable"
    ]
    assert 2 <= len(push.rounds) <= 31


def test_a_boat_is_looked_for_where_it_is_pushed_to(
    rig: Callable[..., RigBoat], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the endpoint that the operator named counts, though the boat answers elsewhere, too."""
    boat = rig("moved")
    nobody = Endpoint("127.0.0.1", free_port())

    def both(open_boat: OpenBoat, at: Mapping[str, Endpoint], *, former: bool = False) -> SshTarget:
        return replace(near(open_boat, {"moved": boat.endpoint}), endpoints=(nobody, boat.endpoint))

    near = plan.ssh_target_of
    monkeypatch.setattr(rollout, "ssh_target_of", both)
    assert reachable([boat.open_boat], PushOptions()) == [boat.open_boat]
    assert reachable([boat.open_boat], PushOptions(at={"moved": nobody})) == []


def test_the_deadline_ends_the_waiting() -> None:
    push = Pusher({"a": [Outcome.UNREACHABLE]})
    start = time.monotonic()
    assert push.run(boats("a"), wait=0.2, find_reachable=lambda *_: []) == ["a unreachable"]
    assert 0.2 <= time.monotonic() - start < 2
