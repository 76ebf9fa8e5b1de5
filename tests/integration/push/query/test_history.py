# SPDX-License-Identifier: GPL-3.0-or-later
"""What a boat remembers reaches the operator over SSH, and a boat without it is asked as well."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from provision.push.query.history import plots_of
from provision.push.status import fleet_status
from tests.support.push.loopback import RigBoat
from tests.support.watch.past import answer, history, sample


def remember(boat: RigBoat, text: str) -> None:
    """Have the boat's boat-watch print a text for `--history`, and its concerns otherwise."""
    (boat.folder / "told.json").write_text(text)
    program = boat.folder / "bin/boat-watch"
    program.write_text(
        f'#!/bin/sh\n[ "$1" = --history ] || exit 3\nexec cat {boat.folder}/told.json\n'
    )
    program.chmod(0o755)


def test_history_and_concerns_come_over_ssh(rig: Callable[..., RigBoat]) -> None:
    boat = rig("tern")
    made = history(90)
    made.add(90 * 60 + 30, sample(low=1))
    remember(boat, json.dumps(answer(made, 91)))
    at = {"tern": boat.endpoint}
    (status,) = fleet_status([boat.open_boat], at, history=True)
    assert plots_of(status.history, "day") and plots_of(status.history, "month")
    (issue,) = status.health_issues
    assert issue.startswith("its supply was too low in 1 minute of the last day: charge")
    assert not status.up_to_date
    assert json.dumps(status.as_json())
    (plain,) = fleet_status([boat.open_boat], at)
    assert plain.history is None, "only the concerns are asked for"


@pytest.mark.parametrize("text", ["", "[]", "[" * 50_000, '{"format": 9}'])
def test_a_boat_without_a_history_is_as_healthy_as_before(
    rig: Callable[..., RigBoat], text: str
) -> None:
    boat = rig("tern")
    if text:
        remember(boat, text)
    (status,) = fleet_status([boat.open_boat], {"tern": boat.endpoint}, history=True)
    assert status.history is None and status.health_issues == ()
    assert status.up_to_date
