# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the job of the suite in tests/boat, and ask a boat all its questions in one command."""

from __future__ import annotations

import json
import shlex
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol, Self

from provision.bounded import MAX_ANSWERS_BYTES, TooMuch, collect, read_json
from provision.harmless import harmless
from provision.verify.heard import patience, states_before

#: ASCII's record separator. No command of the suite prints one.
SEPARATOR = "\x1e"

Command = Sequence[str]

#: Characters of an answer that a reason quotes.
MAX_SHOWN_CHARS = 400

#: Seconds that one command gets. The longest, the feed's client, may wait for 37 s by itself
#: (tests/boat/test_feed.py), and a busy boat takes many seconds to start it.
COMMAND_TIMEOUT_S = 90

#: Seconds for which a script is sent again when the connection broke while the boat answered.
RETRY_FOR_S = 60.0

#: Seconds between two tries.
RETRY_INTERVAL_S = 2.0

#: The head of the script: it prints a separator once the boat was reached, and makes a folder in
#: RAM for the commands' output, which it removes at the end.
SCRIPT_HEAD = """
printf '\\036'
export LC_ALL=C.UTF-8 PATH="$PATH:/usr/sbin:/sbin"
folder=$(mktemp -d) && cd "$folder" || exit 1
trap 'rm -r "$folder"' EXIT
"""


@dataclass(frozen=True)
class Job:
    """Hold one boat to prove. `profile` and `manifest` are plain data without secrets."""

    boat: str
    user: str
    sha256: str
    architecture: str
    profile: dict[str, Any]
    manifest: dict[str, Any]
    ssh_config: str
    feed_before: dict[str, Any] | None = None
    """What the boat's feed reported of itself before the change, where that is known."""

    def text(self) -> str:
        """Write the job as JSON."""
        return json.dumps(asdict(self), indent=1, sort_keys=True)

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read what `text` wrote."""
        return cls(**json.loads(path.read_text(encoding="utf-8")))


#: The property of a pytest report that holds a note.
NOTE = "note"

#: Ends a test of the suite by a verdict about an instrument, and a further note.
Conclude = Callable[..., None]


def read_before(file: Path) -> dict[str, Any] | None:
    """Read the state of the feed that preflight stored. None when it stored none that fits."""
    try:
        found = read_json(file.read_text(encoding="utf-8"))
        for name in states_before(found):
            patience(found, name)
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None
    assert isinstance(found, dict)
    return found


@dataclass(frozen=True)
class Answer:
    """Hold what a command aboard printed on both streams, and its exit status."""

    output: str
    status: int

    @property
    def lines(self) -> list[str]:
        """List the lines that are not empty."""
        return [line for line in self.output.splitlines() if line.strip()]

    def ok(self) -> Self:
        """Return this answer. Raise AssertionError with the output when the command failed."""
        output = harmless(self.output.strip(), MAX_SHOWN_CHARS)
        assert self.status == 0, output or f"it ended with status {self.status}"
        return self


def same(found: object, wanted: object, what: str) -> None:
    """Raise AssertionError with what was found unless both are equal."""
    assert found == wanted, f"{what} is {_plain(found)}, not {_plain(wanted)}"


def _plain(value: object) -> str:
    if value is None:
        return "missing"
    text = value.decode(errors="backslashreplace") if isinstance(value, bytes) else str(value)
    return harmless(text, MAX_SHOWN_CHARS)


class Unanswered(Exception):
    """Say why a boat that answers could not run the script, such as for lack of memory."""


class Host(Protocol):
    """Describe the part of a testinfra host that is used here."""

    def run(self, command: str) -> Any:
        """Run a command with the login shell. Raise RuntimeError with its output when the boat
        cannot be reached, or the connection breaks."""


class BoundedHost:
    """Wrap a testinfra host over SSH, and take at most `MAX_ANSWERS_BYTES` from the boat."""

    def __init__(self, host: Any) -> None:
        self._backend = host.backend
        self._backend.run_local = self._run_local

    def run(self, command: str) -> Any:
        """Run a command aboard. Raise Unanswered for a boat that sends more."""
        return self._backend.run(command)

    def _run_local(self, command: str, *args: str) -> Any:
        argv = shlex.split(self._backend.quote(command, *args))
        try:
            done = collect(argv, limit=MAX_ANSWERS_BYTES)
        except TooMuch as error:
            raise Unanswered(str(error)) from None
        return self._backend.result(done.status, command.encode(), done.stdout, done.stderr)


Answers = dict[str, Answer]


def ask(host: Host, subjects: Mapping[str, Mapping[str, Command]]) -> dict[str, Answers]:
    """Run all commands aboard in one SSH command, and return answers by subject and name.

    Subjects run in parallel, the commands of one subject in turn: an emulated or a slow board
    takes a third of a second for every SSH command, and much of a proof is waiting. No command
    changes the boat, so a broken connection is answered by running all of them again.
    Raise Unanswered when the boat was reached and could not run them.
    """
    lanes = "".join(
        "{\n"
        + "".join(
            f"timeout {COMMAND_TIMEOUT_S} {shlex.join(command)} </dev/null 2>&1\n"
            "printf '\\036%d\\036' $?\n"
            for command in commands.values()
        )
        + f"}} >{number} &\n"
        for number, commands in enumerate(subjects.values())
    )
    files = " ".join(map(str, range(len(subjects))))
    printed = _run_script(host, f"{SCRIPT_HEAD}\n{lanes}wait\ncat {files}\n")
    _, *answers = str(printed.stdout).split(SEPARATOR)
    if len(answers) != 2 * sum(map(len, subjects.values())) + 1:
        raise Unanswered(str(printed.stderr).strip() or "it left some of the questions out")
    parts = iter(answers)
    return {
        subject: {name: Answer(next(parts), int(next(parts))) for name in commands}
        for subject, commands in subjects.items()
    }


def _run_script(host: Host, script: str) -> Any:
    """Run a script, again while the connection breaks, and return all that it printed."""
    deadline = None
    while True:
        try:
            return host.run(script)
        except RuntimeError as error:
            if SEPARATOR in error.args[0].stdout and deadline is None:
                deadline = time.monotonic() + RETRY_FOR_S
            if deadline is None or time.monotonic() > deadline:
                raise
        time.sleep(RETRY_INTERVAL_S)


def pairs(text: str) -> dict[str, str]:
    """Parse lines of KEY=VALUE, as systemctl, udevadm and hostapd_cli print them."""
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
