# SPDX-License-Identifier: GPL-3.0-or-later
"""Poll a boat for its status, over a connection of its own.

The change may have cut the connection that started it, or moved the boat to another
address. `python -m provision.push.query.poll QUERY tried|settled SECONDS` polls every endpoint
where the boat may answer until the boat has reached that state, and prints its status as JSON. The
exit status is 1 when the boat did not reach that state in time.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Self

from provision.bounded import MAX_STATUS_BYTES, TooMuch, collect, read_json
from provision.errors import UserError
from provision.harmless import harmless
from provision.push.query.status_shape import not_understood, understood_status
from provision.ssh.endpoint import Endpoint, ssh

#: Seconds between two polls.
POLL_INTERVAL_S = 1.0

#: Seconds for one answer. A loaded board takes several to start Python.
ANSWER_TIMEOUT_S = 30.0

STATUS_COMMAND = ("boat-settings", "status", "--json")

Goal = Literal["tried", "settled"]


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


def command(query: Path) -> list[str]:
    """Build the command that polls. The state to wait for and the seconds follow it."""
    return [sys.executable, "-P", "-m", "provision.push.query.poll", str(query)]


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


def main() -> int:
    """Run `poll QUERY tried|settled SECONDS`."""
    try:
        query, goal, timeout_s = (
            StatusQuery.read(Path(sys.argv[1])),
            sys.argv[2],
            float(sys.argv[3]),
        )
        reached = GOAL_TESTS[goal]  # type: ignore[index]
    except (IndexError, KeyError, ValueError):
        print("usage: poll QUERY tried|settled SECONDS", file=sys.stderr)
        return 2
    try:
        answer = poll_until(query, goal, timeout_s)  # type: ignore[arg-type]
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    if answer.status is None:
        print(harmless(f"{query.boat} {answer.problem}"), file=sys.stderr)
        return 1
    print(
        json.dumps(
            {"host": answer.endpoint.host, "port": answer.endpoint.port, "status": answer.status}
        )
    )
    if reached(answer.status, query.sha256):
        return 0
    still = answer.status["at_work"] or (answer.status["trial"] or {}).get("phase", "elsewhere")
    print(f"{query.boat} is still at it after {timeout_s:.0f} s ({still})", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
