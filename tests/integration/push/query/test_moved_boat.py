# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat that nobody has ever seen, at the address of its profile: it may have another one."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import pytest

from provision.cli.boats.verify import _prove
from provision.profile.secrets.keygen import generate_private_key
from provision.push import plan
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.result import Outcome
from provision.push.status import fleet_status
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat

Rig = Callable[..., RigBoat]


def at(endpoint: Endpoint, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let an endpoint on loopback stand for the address of the boat's profile."""
    ssh_target_of = plan.ssh_target_of

    def near(*given: Any, **named: Any) -> SshTarget:
        return dataclasses.replace(ssh_target_of(*given, **named), endpoints=(endpoint,))

    monkeypatch.setattr(plan, "ssh_target_of", near)


def test_all_who_ask_for_it_say_so(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    boat = rig("unseen", up=False)
    at(boat.endpoint, monkeypatch)
    hint = fleet_status([boat.open_boat], {})[0].hint
    assert hint.startswith("Is it switched on, and is this laptop on its Wi-Fi ")
    assert hint.endswith(" If it has another address now, say which: --at unseen=ADDRESS")
    (status,) = fleet_status([boat.open_boat], {})
    assert (status.refused, status.hint) == (False, hint)
    (result,) = push([boat.open_boat], PushOptions())
    assert (result.outcome, result.hint) == (Outcome.UNREACHABLE, hint)
    (proof,) = _prove([boat.open_boat], {}, False)
    assert "unseen does not answer" in proof.error
    assert proof.error.endswith(f"hint: {hint}")


def test_where_the_operator_says_that_it_is_it_is_just_away(rig: Rig) -> None:
    boat = rig("away", up=False)
    (status,) = fleet_status([boat.open_boat], {"away": boat.endpoint})
    (result,) = push([boat.open_boat], PushOptions(at={"away": boat.endpoint}))
    (proof,) = _prove([boat.open_boat], {"away": boat.endpoint}, False)
    for said in (status.hint, result.hint, proof.error):
        assert "Is it switched on" in said and "--at" not in said


def test_where_it_was_seen_it_is_just_away(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    boat = rig("seen")
    at(boat.endpoint, monkeypatch)
    (status,) = fleet_status([boat.open_boat], {})
    assert status.endpoint == boat.endpoint
    at(Endpoint("127.0.0.1", 1), monkeypatch)
    (status,) = fleet_status([boat.open_boat], {})
    assert status.endpoint is None
    assert "Is it switched on" in status.hint and "--at" not in status.hint


def test_another_machine_there_is_told_by_a_proof_as_by_a_push(rig: Rig) -> None:
    boat = rig("impostor", host_key=generate_private_key())
    (proof,) = _prove([boat.open_boat], {"impostor": boat.endpoint}, False)
    assert proof.error.startswith(f"another machine answers at {boat.endpoint}: its host key is")
    assert "\n  hint: look what has that address" in proof.error
