# SPDX-License-Identifier: GPL-3.0-or-later
"""A link's letter, a feed that started again, and a sure clock, from the feed's state."""

from __future__ import annotations

from typing import Any

import pytest

from provision.onboard.watch.facts.config import LinkPromise
from provision.onboard.watch.facts.links import (
    FeedRuns,
    clock_is_sure,
    link_letters,
    readable,
)
from tests.support.page.boat import HDG, heard, state

PROMISES = {
    "gnss": LinkPromise("link", {"RMC": 1.0}),
    "depth-log": LinkPromise("link", {"DPT": 2.0}),
    "autopilot": LinkPromise("link", {"HDG": 10.0}),
    "pilot-out": LinkPromise("link", {}),
}


def test_each_state_has_its_letter() -> None:
    told = state(
        {
            "gnss": heard(HDG, age=60.0, load=0.0),
            "depth-log": heard(load=20.0),
            "autopilot": heard(present=False),
            "pilot-out": heard(load=0.0),
        }
    )
    assert link_letters(PROMISES, told) == {
        "gnss": "s",
        "depth-log": "g",
        "autopilot": "a",
        "pilot-out": ".",
    }
    assert link_letters(PROMISES, state({"pilot-out": heard(load=0.0)}))["gnss"] == "h"


def test_without_a_state_nothing_is_known() -> None:
    assert set(link_letters(PROMISES, None).values()) == {"."}
    assert readable(None) is None
    assert readable({"running": "long"}) is None
    assert readable(told := state()) is told


def test_a_feed_that_started_again_is_seen_once() -> None:
    runs = FeedRuns()
    assert not runs.restarted(state(running=100.0), 1000.0)
    assert not runs.restarted(state(running=160.2), 1060.0)
    assert runs.restarted(state(running=20.0), 1120.0)
    assert not runs.restarted(None, 1180.0)
    assert not runs.restarted(state(running=140.0), 1240.0)


@pytest.mark.parametrize(
    ("clock", "sure"),
    [
        ({"good": {"gnss": 0.4}, "offset": 0.1}, True),
        ({"good": {"gnss": 0.4}, "offset": -3600.0}, False),
        ({"good": {"gnss": 400.0}, "offset": 0.1}, False),
        ({"good": {}, "offset": None}, False),
        (None, False),
    ],
)
def test_the_clock_is_sure_once_it_agrees_with_an_instrument(
    clock: dict[str, Any] | None, sure: bool
) -> None:
    assert clock_is_sure(state(clock=clock)) is sure
    assert not clock_is_sure(None)
