# SPDX-License-Identifier: GPL-3.0-or-later
"""Poll a boat for its status, over a connection of its own.

The change may have cut the connection that started it, or moved the boat to another
address. `reach` polls every endpoint where the boat may answer.
"""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Self

from provision.bounded import MAX_STATUS_BYTES, TooMuch, collect, read_json
from provision.harmless import harmless
from provision.push.query.status_shape import not_understood, understood_status
from provision.ssh.endpoint import Endpoint, ssh

#: Seconds between two polls.
POLL_INTERVAL_S = 1.0

#: Seconds for one answer. A loaded board takes several to start Python.
ANSWER_TIMEOUT_S = 30.0

STATUS_COMMAND = ("boat-settings", "status", "--json")

Goal = Literal["tried", "settled"]


class NotReached(Exception):
    """Say why a boat did not reach a state in time."""


@dataclass(frozen=True)
class StatusQuery:
    """Hold which boat to ask for its status, and where it may answer.

    `options` are OpenSSH's, see `provision.ssh.endpoint`. `endpoints` are tried in turn.
    """

    boat: str
    user: str
    sha256: str
    options: tuple[str, ...]
    endpoints: tuple[Endpoint, ...]

    def text(self) -> str:
        """Write the query as JSON."""
        endpoints = [[endpoint.host, endpoint.port] for endpoint in self.endpoints]
        return json.dumps({**vars(self), "endpoints": endpoints}, indent=1)

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read what `text` wrote."""
        raw = json.loads(path.read_text(encoding="utf-8"))
        endpoints = tuple(Endpoint(*endpoint) for endpoint in raw.pop("endpoints"))
        return cls(options=tuple(raw.pop("options")), endpoints=endpoints, **raw)


@dataclass(frozen=True)
class StatusAnswer:
    """Hold the status that the boat sent, and the endpoint where it answered.

    Without `status`, `error` says why there is none. With `unreadable`, the boat answered in a
    shape that this program does not read.
    """

    endpoint: Endpoint
    status: dict[str, Any] | None
    error: str = ""
    unreadable: bool = False

    @property
    def problem(self) -> str:
        """Say why there is no status, in words that follow the boat's name."""
        return self.error if self.unreadable else f"does not answer: {self.error}"


def ask(query: StatusQuery, endpoint: Endpoint, connect_timeout: int = 5) -> StatusAnswer:
    """Ask one endpoint for the boat's status once, over a new connection."""
    limit = f"-oConnectTimeout={connect_timeout}"
    try:
        done = collect(
            [*ssh(query.user, query.options, endpoint, limit), *STATUS_COMMAND],
            limit=MAX_STATUS_BYTES,
            timeout=ANSWER_TIMEOUT_S,
        )
    except subprocess.TimeoutExpired:
        return StatusAnswer(endpoint, None, f"no answer within {ANSWER_TIMEOUT_S:.0f} s")
    except TooMuch as error:
        return StatusAnswer(endpoint, None, f"{not_understood(None)}: {error}", unreadable=True)
    try:
        status = read_json(done.text)
    except ValueError:
        if done.status == 0:
            return StatusAnswer(endpoint, None, not_understood(None), unreadable=True)
        return StatusAnswer(endpoint, None, done.errors or f"no answer (status {done.status})")
    if not understood_status(status):
        return StatusAnswer(endpoint, None, not_understood(status), unreadable=True)
    return StatusAnswer(endpoint, status)


def tried(status: dict[str, Any], sha256: str) -> bool:
    """Tell whether the trial of these settings is applied, or has ended."""
    trial = status["trial"]
    if trial is not None and trial["digest"] == sha256 and trial["phase"] == "applied":
        return True
    return settled(status, sha256)


def settled(status: dict[str, Any], sha256: str) -> bool:
    """Tell whether these settings are no longer on trial. Another operator's may be."""
    trial = status["trial"]
    return not status["at_work"] and (trial is None or trial["digest"] != sha256)


GOAL_TESTS: dict[Goal, Callable[[dict[str, Any], str], bool]] = {"tried": tried, "settled": settled}


def poll_until(query: StatusQuery, goal: Goal, timeout_s: float) -> StatusAnswer:
    """Poll until the boat has reached the `goal`, for at most `timeout_s` seconds."""
    deadline = time.monotonic() + timeout_s
    while True:
        for endpoint in query.endpoints:
            answer = ask(query, endpoint)
            if answer.status is not None and GOAL_TESTS[goal](answer.status, query.sha256):
                return answer
            if answer.status is not None or answer.unreadable:
                break
        if time.monotonic() >= deadline:
            return answer
        time.sleep(POLL_INTERVAL_S)


def reach(query: StatusQuery, goal: Goal, timeout_s: float) -> tuple[Endpoint, dict[str, Any]]:
    """Poll as `poll_until` does. Return where the boat answered, and its status.

    Raise NotReached when the boat did not reach the goal in time.
    """
    answer = poll_until(query, goal, timeout_s)
    if answer.status is None:
        raise NotReached(harmless(f"{query.boat} {answer.problem}"))
    if not GOAL_TESTS[goal](answer.status, query.sha256):
        still = answer.status["at_work"] or (answer.status["trial"] or {}).get("phase", "elsewhere")
        raise NotReached(f"{query.boat} is still at it after {timeout_s:.0f} s ({still})")
    return answer.endpoint, answer.status
