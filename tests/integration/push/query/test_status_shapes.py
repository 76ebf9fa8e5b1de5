# SPDX-License-Identifier: GPL-3.0-or-later
"""A status with any key missing, or of any other type, is not understood, and is no trace."""

from __future__ import annotations

import copy
import io
import json
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from provision.push.console import fleet_table
from provision.push.deployment import Deployment
from provision.push.options import PushOptions
from provision.push.push import push
from provision.push.query import poll
from provision.push.query.poll import StatusQuery
from provision.push.query.status_shape import (
    STAGED,
    STATUS,
    TRIAL,
    Shape,
    understood,
    understood_status,
)
from provision.push.result import Outcome
from provision.push.status import assess, fleet_status
from provision.ssh.endpoint import Endpoint, SshTarget
from tests.support.push.loopback import RigBoat

GOOD: dict[str, Any] = {
    "boat": "kittiwake",
    "board": "x86-64",
    "version": "7.1",
    "profile": "2" * 64,
    "base": {"format": 1},
    "boot": {"choice": "kept", "reason": "as built"},
    "live": "1" * 64,
    "kept": "1" * 64,
    "kept_whole": True,
    "previous": None,
    "trial": {
        "owner": "somebody@here",
        "digest": "1" * 64,
        "phase": "applied",
        "seconds": 240,
        "seconds_left": 12.5,
        "changed": [],
    },
    "at_work": None,
    "staged": {"digest": "1" * 64, "owner": "somebody@here", "seconds": 240},
    "degraded": False,
    "drift": [{"path": "/etc/hostname", "what": "changed"}],
    "last_return": {"reason": "its timer ran out"},
    "health": {
        "data": {"mounted": True, "writable": True, "free_bytes": 10**9},
        "overlay": {"free_bytes": 10**8},
        "memory_available_bytes": 10**8,
        "ext4_errors": 0,
        "undervoltage": None,
    },
}

#: A value of each type, and those that break what is made of them.
VALUES: tuple[Any, ...] = (None, True, 7, 10**400, 1.5, "x", [], [7], [[]], {}, {"x": 7})


def _paths(shape: Shape, *above: str) -> Iterator[tuple[str, ...]]:
    """Yield the way to each key of a shape."""
    if isinstance(shape, dict):
        for key, inner in shape.items():
            yield (*above, key)
            yield from _paths(inner, *above, key)


PATHS = [
    *_paths(STATUS),
    *_paths(TRIAL, "trial"),
    *_paths(STAGED, "staged"),
    ("last_return", "reason"),
]


def _changed(path: tuple[str, ...], change: Callable[[dict[str, Any], str], None]) -> Any:
    status = copy.deepcopy(GOOD)
    inner = status
    for key in path[:-1]:
        inner = inner[key]
    change(inner, path[-1])
    return status


def _without(path: tuple[str, ...]) -> Any:
    return _changed(path, lambda inner, key: inner.pop(key))


def _with(path: tuple[str, ...], value: Any) -> Any:
    return _changed(path, lambda inner, key: inner.__setitem__(key, value))


def test_the_good_one_is_understood() -> None:
    assert understood_status(GOOD)
    assert len(PATHS) > 25


@pytest.mark.parametrize("path", PATHS, ids=".".join)
def test_each_key_has_to_be_there(path: tuple[str, ...]) -> None:
    # A return that was noted by an earlier version may say nothing.
    assert understood_status(_without(path)) is (path == ("last_return", "reason"))


def _read(status: dict[str, Any], folder: Path) -> None:
    """Return all that this program makes of a status that it takes for one."""
    for digest in ("1" * 64, "2" * 64):
        poll.tried(status, digest)
        poll.settled(status, digest)
    endpoint = Endpoint("10.47.1.1")
    deployment = Deployment(
        SshTarget("kittiwake", (endpoint,), "ssh-ed25519 AAAA"),
        "x86-64",
        1,
        "1" * 64,
        folder,
    )
    boat_status = assess(deployment, status, {"files": {}, "format": 1}, {}, endpoint)
    Console(file=io.StringIO()).print(fleet_table([boat_status], 0.0))
    json.dumps(boat_status.as_json(), default=str)


@pytest.mark.parametrize("path", PATHS, ids=".".join)
@pytest.mark.parametrize("value", VALUES, ids=lambda value: repr(value)[:10])
def test_each_key_of_each_type_is_refused_or_read(
    tmp_path: Path, path: tuple[str, ...], value: Any
) -> None:
    (tmp_path / "manifest.json").write_text('{"files": {}, "format": 1}')
    status = _with(path, value)
    if understood_status(status):
        _read(status, tmp_path)
    else:
        # The value has another type than the good one, or is beyond measure.
        good = GOOD
        for key in path:
            good = good[key]
        assert type(value) is not type(good) or value in ({}, {"x": 7}, [7], [[]], 10**400)


@pytest.mark.parametrize("status", [None, 7, "x", [], {}, [GOOD]])
def test_what_is_no_status_is_none(status: Any) -> None:
    assert not understood_status(status)
    assert not understood(status, {"files": {}})
    assert not understood(GOOD, status)


@pytest.fixture(scope="module")
def boats(rig: Callable[..., RigBoat]) -> list[RigBoat]:
    return [rig("strange"), rig("plain")]


SAID = {
    "no health": lambda status: status.pop("health"),
    "no kept": lambda status: status.pop("kept"),
    "drift is a number": lambda status: status.__setitem__("drift", 3),
    "trial without phase": lambda status: status.__setitem__("trial", {"digest": "1" * 64}),
    "at work is a list": lambda status: status.__setitem__("at_work", []),
    "writable is a word": lambda status: status["health"].__setitem__("data", {"writable": "no"}),
}


@pytest.mark.parametrize("said", list(SAID))
def test_a_push_refuses_an_odd_boat_in_words_and_keeps_the_other(
    boats: list[RigBoat], said: str
) -> None:
    strange, _ = boats
    program = strange.folder / "bin/boat-settings"
    own = program.read_text()
    status = json.loads(
        subprocess.run([program, "status", "--json"], capture_output=True, check=True).stdout
    )
    SAID[said](status)
    status["version"] = "7.1"
    (strange.folder / "said.json").write_text(json.dumps(status))
    program.write_text(f"#!/bin/sh\nexec cat {strange.folder}/said.json\n")
    at = {boat.open_boat.name: boat.endpoint for boat in boats}
    open_boats = [boat.open_boat for boat in boats]
    try:
        refused, other = push(open_boats, PushOptions(at=at, prove=False))
        odd, _ = fleet_status(open_boats, at)
    finally:
        program.write_text(own)
    words = "answers, but is not understood (version 7.1)"
    assert refused.outcome is Outcome.REFUSED
    assert words in refused.reason
    assert odd.health_issues == (words,)
    assert other.outcome is Outcome.UNCHANGED


def test_the_last_word_is_not_indexed_unread(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ssh = tmp_path / "ssh"
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    query = StatusQuery("kittiwake", "root", "1" * 64, (), (Endpoint("10.47.1.1"),))
    monkeypatch.setattr(poll, "POLL_INTERVAL_S", 0.01)
    for path in PATHS:
        (tmp_path / "said").write_text(json.dumps(_without(path)))
        ssh.write_text(f"#!/bin/sh\nexec cat {tmp_path}/said\n")
        ssh.chmod(0o755)
        heard = poll.poll_until(query, "settled", 0)
        if path != ("last_return", "reason"):
            version = "unknown" if path == ("version",) else "7.1"
            assert heard.problem == f"answers, but is not understood (version {version})"
