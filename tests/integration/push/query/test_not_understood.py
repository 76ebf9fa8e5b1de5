# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat that answers in another shape gets a row that says so, and hides no other boat."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from provision.push import status as push_status
from provision.push.status import fleet_status
from tests.support.push.loopback import RigBoat


@pytest.fixture(scope="module")
def boats(rig: Callable[..., RigBoat]) -> list[RigBoat]:
    return [rig("odd"), rig("plain")]


def _without_health(status: dict[str, Any]) -> str:
    del status["health"]
    return json.dumps(status)


@pytest.mark.parametrize(
    ("said", "version"),
    [
        (_without_health, "7.1"),
        (lambda status: json.dumps(status | {"drift": 3}), "7.1"),
        (lambda status: json.dumps(status | {"trial": "soon"}), "7.1"),
        (lambda status: json.dumps(status | {"version": "\x1b[2J", "base": 1}), "unknown"),
        (lambda status: "[]", "unknown"),
        (lambda status: "[" * 100_000, "unknown"),
        (lambda status: "good morning", "unknown"),
    ],
)
def test_an_odd_boat_hides_no_other(
    boats: list[RigBoat],
    monkeypatch: pytest.MonkeyPatch,
    said: Callable[[dict[str, Any]], str],
    version: str,
) -> None:
    asked = push_status.collect

    def collect(command: list[str], **options: Any) -> Any:
        done = asked(command, **options)
        if push_status.STATUS_COMMAND in command and '"odd"' in done.text:
            status, *rest = done.text.split(push_status.SEPARATOR)
            text = "\x1e".join([said(json.loads(status) | {"version": "7.1"}), *rest])
            done = done._replace(stdout=text.encode())
        return done

    monkeypatch.setattr(push_status, "collect", collect)
    at = {boat.open_boat.name: boat.endpoint for boat in boats}
    odd, plain = fleet_status([boat.open_boat for boat in boats], at)
    assert odd.health_issues == (f"answers, but is not understood (version {version})",)
    assert odd.endpoint is not None
    assert not odd.up_to_date
    assert plain.up_to_date
