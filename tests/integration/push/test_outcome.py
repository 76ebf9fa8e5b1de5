# SPDX-License-Identifier: GPL-3.0-or-later
"""A push, a proof or a query of the fleet that fails says why, and what to do."""

from __future__ import annotations

import ast
import dataclasses
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from provision.paths import shipped
from provision.push import outcome
from provision.push.ansible.playbook import HostEvents
from provision.push.deployment import Deployment
from provision.push.plan import prepare
from provision.push.query.poll import StatusAnswer
from provision.push.result import Outcome
from provision.push.workspace import workspace
from provision.verify.job import same
from tests.support.push.loopback import RigBoat


@pytest.fixture(scope="module")
def deployment(rig: Callable[..., RigBoat]) -> Iterator[Deployment]:
    boat = rig("reasons", up=False)
    with workspace() as folder:
        yield prepare([boat.open_boat], folder, {"reasons": boat.endpoint})[0]


@pytest.mark.parametrize(
    "said",
    [
        # OpenSSH's words, from memory.
        "Connection timed out during banner exchange\r\nConnection to 10.20.30.1 port 22 timed out",
        "ssh: connect to host 10.20.30.1 port 22: No route to host",
        "Failed to connect to the host via ssh: ssh: connect to host x port 22: Connection refused",
    ],
)
def test_a_boat_that_does_not_answer_is_asked_after(deployment: Deployment, said: str) -> None:
    found = outcome.explain_failure(deployment, said)
    assert found == (f"reasons does not answer at {deployment.endpoint}", "")
    network = json.loads((deployment.folder / "job.json").read_text())["profile"]["network"]
    hint = outcome.unreachable_hint(deployment)
    assert f'on its Wi-Fi "{network["access_point"]["ssid"]}"' in hint
    assert hint.startswith("Is it switched on, and is this laptop on ")


def test_a_name_that_is_not_found_is_told_as_that(deployment: Deployment) -> None:
    # OpenSSH's words, as it says them.
    said = "ssh: Could not resolve hostname nosuchhost: Name or service not known\r\n"
    reason, _ = outcome.explain_failure(deployment, said)
    assert reason.startswith("reasons does not answer at ")
    assert reason.endswith("this computer finds no machine by the name nosuchhost")


@pytest.mark.parametrize(("seconds", "ran_out"), [(61.0, True), (5.0, False)])
def test_a_trial_that_the_timer_ended_is_told_as_that(
    deployment: Deployment, monkeypatch: pytest.MonkeyPatch, seconds: float, ran_out: bool
) -> None:
    status = {"trial": None, "at_work": False, "kept": "0" * 64}
    endpoint = deployment.endpoint
    monkeypatch.setattr(outcome, "poll_until", lambda *_: StatusAnswer(endpoint, status))
    now = time.monotonic()
    events = HostEvents(now - 100, now)
    for step in ("preflight", "trial", "prove"):
        events.add({"event": "step", "step": step})
    events.steps["trial"] = time.monotonic() - seconds
    what = "identity: settings: what is live is a, not b"
    events.add({"event": "failed", "step": "prove", "message": f"Task failed: {what}"})
    # What the return after it takes does not count.
    events.add({"event": "step", "step": "rollback"})
    events.ended += 100
    result = outcome.push_result(deployment, events, 60)
    assert result.outcome is Outcome.ROLLED_BACK
    assert (
        result.reason.startswith("its timer of 60 s ran out while it was being proven") == ran_out
    )
    assert result.reason.endswith(what)
    assert ("--timer 120" in result.hint) == ran_out


@pytest.mark.parametrize(
    ("found", "expected", "says"),
    [
        (b"Teal", b"Teal Two", "the SSID is Teal, not Teal Two"),
        (None, "A1", "the SSID is missing, not A1"),
        (b"\xff", b"a", r"the SSID is \xff, not a"),
    ],
)
def test_what_differs_is_said_in_words(found: object, expected: object, says: str) -> None:
    same(expected, expected, "the SSID")
    with pytest.raises(AssertionError) as caught:
        same(found, expected, "the SSID")
    assert str(caught.value).splitlines()[0] == says


def test_no_proof_shows_a_bare_comparison() -> None:
    bare = [
        f"{file.name}:{node.lineno}"
        for file in Path(shipped("tests/boat")).glob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.Assert) and node.msg is None
    ]
    assert bare == []


def test_a_wired_port_ashore_is_no_way_to_the_boat(deployment: Deployment, tmp_path: Path) -> None:
    job = json.loads((deployment.folder / "job.json").read_text())
    for wired, there in (("boat", True), ("shore", False)):
        job["profile"]["network"]["wired"] = wired
        (tmp_path / "job.json").write_text(json.dumps(job))
        hint = outcome.unreachable_hint(dataclasses.replace(deployment, folder=tmp_path))
        assert ("wired port" in hint) == there
