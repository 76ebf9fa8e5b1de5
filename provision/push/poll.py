# SPDX-License-Identifier: GPL-3.0-or-later
"""Hear from the boat itself how it stands, over a connection of its own.

The change may have cut the connection that started it, or moved the boat to another
address. `python -m provision.push.poll ASKING` keeps asking, at each place where the boat may
answer, until it says what it was asked for, and prints what it said as JSON; its exit status
is 1 when the boat did not say so in time.
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
from provision.push.status_shape import not_understood, understood_status
from provision.ssh.endpoint import Endpoint, ssh

#: Seconds between two questions.
PAUSE = 1.0

#: Seconds for one answer; a loaded board takes several to start Python.
ANSWER = 30.0

STATUS = ("boat-settings", "status", "--json")

For = Literal["tried", "settled"]


@dataclass(frozen=True)
class Asking:
    """Whom to ask, and where.

    `options` are OpenSSH's, see `provision.ssh.endpoint`; `places` are tried in turn.
    """

    boat: str
    user: str
    sha256: str
    options: tuple[str, ...]
    places: tuple[Endpoint, ...]

    def text(self) -> str:
        """As JSON."""
        places = [[place.host, place.port] for place in self.places]
        return json.dumps({**vars(self), "places": places}, indent=1)

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read what `text` wrote."""
        raw = json.loads(path.read_text(encoding="utf-8"))
        places = tuple(Endpoint(*place) for place in raw.pop("places"))
        return cls(options=tuple(raw.pop("options")), places=places, **raw)


@dataclass(frozen=True)
class Word:
    """What the boat said, and where it answered; or, without `status`, why it could not.

    With `odd`, the boat answers in a shape that this program does not read.
    """

    place: Endpoint
    status: dict[str, Any] | None
    error: str = ""
    odd: bool = False

    @property
    def trouble(self) -> str:
        """Why there is no status, as it goes on behind the boat's name."""
        return self.error if self.odd else f"does not answer: {self.error}"


def command(asking: Path) -> list[str]:
    """The command that asks; what to wait for and how long goes behind it."""
    return [sys.executable, "-P", "-m", "provision.push.poll", str(asking)]


def ask(asking: Asking, place: Endpoint, connect_timeout: int = 5) -> Word:
    """Ask once, over a new connection."""
    limit = f"-oConnectTimeout={connect_timeout}"
    try:
        done = collect(
            [*ssh(asking.user, asking.options, place, limit), *STATUS],
            limit=MAX_STATUS_BYTES,
            timeout=ANSWER,
        )
    except subprocess.TimeoutExpired:
        return Word(place, None, f"no answer within {ANSWER:.0f} s")
    except TooMuch as error:
        return Word(place, None, f"{not_understood(None)}: {error}", odd=True)
    try:
        status = read_json(done.text)
    except ValueError:
        if done.status == 0:
            return Word(place, None, not_understood(None), odd=True)
        return Word(place, None, done.errors or f"no answer (status {done.status})")
    if not understood_status(status):
        return Word(place, None, not_understood(status), odd=True)
    return Word(place, status)


def tried(status: dict[str, Any], sha256: str) -> bool:
    """Whether the trial that was started has come to a point: applied, or none of it there."""
    trial = status["trial"]
    if trial is not None and trial["digest"] == sha256 and trial["phase"] == "applied":
        return True
    return settled(status, sha256)


def settled(status: dict[str, Any], sha256: str) -> bool:
    """Whether these settings are not on trial any more; somebody else's may be."""
    trial = status["trial"]
    return not status["at_work"] and (trial is None or trial["digest"] != sha256)


REACHED: dict[For, Callable[[dict[str, Any], str], bool]] = {"tried": tried, "settled": settled}


def hear(asking: Asking, until: For, patience: float) -> Word:
    """Ask until the boat has reached what is waited for, at most `patience` seconds long."""
    deadline = time.monotonic() + patience
    while True:
        for place in asking.places:
            word = ask(asking, place)
            if word.status is not None and REACHED[until](word.status, asking.sha256):
                return word
            if word.status is not None or word.odd:
                break
        if time.monotonic() >= deadline:
            return word
        time.sleep(PAUSE)


def main() -> int:
    """`word ASKING tried|settled SECONDS`."""
    try:
        asking, until, patience = Asking.read(Path(sys.argv[1])), sys.argv[2], float(sys.argv[3])
        reached = REACHED[until]  # type: ignore[index]
    except (IndexError, KeyError, ValueError):
        print("usage: word ASKING tried|settled SECONDS", file=sys.stderr)
        return 2
    try:
        word = hear(asking, until, patience)  # type: ignore[arg-type]
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    if word.status is None:
        print(harmless(f"{asking.boat} {word.trouble}"), file=sys.stderr)
        return 1
    print(json.dumps({"host": word.place.host, "port": word.place.port, "status": word.status}))
    if reached(word.status, asking.sha256):
        return 0
    still = word.status["at_work"] or (word.status["trial"] or {}).get("phase", "elsewhere")
    print(f"{asking.boat} is still at it after {patience:.0f} s ({still})", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
