# SPDX-License-Identifier: GPL-3.0-or-later
"""What tests/boat is told about a boat, and how it asks it everything in one command."""

from __future__ import annotations

import json
import shlex
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol, Self

from provision.bounded import MAX_ANSWERS_BYTES, TooMuch, collect
from provision.harmless import harmless

#: ASCII's record separator; no command asked for here prints one.
SEPARATOR = "\x1e"

Command = Sequence[str]

#: Characters of an answer that a reason quotes.
MAX_SHOWN_CHARS = 400

#: Seconds that one command gets.
LONGEST = 40

#: Seconds for which a boat is asked again that was lost while it answered, and between tries.
PATIENCE, PAUSE = 60.0, 2.0

#: What stands before the commands: word that the boat was reached, and where their output goes,
#: which is in RAM, and gone at the end.
BEFORE = """
printf '\\036'
export LC_ALL=C.UTF-8 PATH="$PATH:/usr/sbin:/sbin"
place=$(mktemp -d) && cd "$place" || exit 1
trap 'rm -r "$place"' EXIT
"""


@dataclass(frozen=True)
class Job:
    """One boat to prove. `profile` and `manifest` are plain data, with no secret in them."""

    boat: str
    user: str
    sha256: str
    architecture: str
    profile: dict[str, Any]
    manifest: dict[str, Any]
    ssh_config: str

    def text(self) -> str:
        """The job as JSON."""
        return json.dumps(asdict(self), indent=1, sort_keys=True)

    @classmethod
    def read(cls, path: Path) -> Self:
        """Read what `text` wrote."""
        return cls(**json.loads(path.read_text(encoding="utf-8")))


@dataclass(frozen=True)
class Answer:
    """What a command aboard printed, on both streams, and its exit status."""

    output: str
    status: int

    @property
    def lines(self) -> list[str]:
        """The lines that are not empty."""
        return [line for line in self.output.splitlines() if line.strip()]

    def ok(self) -> Self:
        """This answer, when the command succeeded; AssertionError with its output else."""
        said = harmless(self.output.strip(), MAX_SHOWN_CHARS)
        assert self.status == 0, said or f"it ended with status {self.status}"
        return self


def same(found: object, wanted: object, what: str) -> None:
    """Nothing when both are equal; else AssertionError that says in words what was found."""
    assert found == wanted, f"{what} is {_plain(found)}, not {_plain(wanted)}"


def _plain(value: object) -> str:
    if value is None:
        return "missing"
    text = value.decode(errors="backslashreplace") if isinstance(value, bytes) else str(value)
    return harmless(text, MAX_SHOWN_CHARS)


class Unanswered(Exception):
    """A boat that answers cannot be asked anything, such as for want of memory; and why."""


class Host(Protocol):
    """The part of a testinfra host that is used here."""

    def run(self, command: str) -> Any:
        """Run a command with the login shell; RuntimeError with what was said when the boat
        cannot be reached, or is lost."""


class BoundedHost:
    """A testinfra host over SSH that takes at most `MAX_ANSWERS_BYTES` of what the boat sends."""

    def __init__(self, host: Any) -> None:
        self._backend = host.backend
        self._backend.run_local = self._run_local

    def run(self, command: str) -> Any:
        """Run a command aboard; Unanswered for a boat that sends more."""
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
    """Run all commands aboard over one SSH command; the answers by subject and name.

    Subjects go side by side, the commands of one after each other: an emulated or a slow
    board takes a third of a second for every SSH command, and much of a proof is waiting.
    Nothing of it changes the boat; so when the line is lost it is all asked once more.
    Unanswered when the boat was reached, and could not run it.
    """
    lanes = "".join(
        "{\n"
        + "".join(
            f"timeout {LONGEST} {shlex.join(command)} </dev/null 2>&1; printf '\\036%d\\036' $?\n"
            for command in commands.values()
        )
        + f"}} >{number} &\n"
        for number, commands in enumerate(subjects.values())
    )
    files = " ".join(map(str, range(len(subjects))))
    said = _said(host, f"{BEFORE}\n{lanes}wait\ncat {files}\n")
    _, *answers = str(said.stdout).split(SEPARATOR)
    if len(answers) != 2 * sum(map(len, subjects.values())) + 1:
        raise Unanswered(str(said.stderr).strip() or "it left some of the questions out")
    parts = iter(answers)
    return {
        subject: {name: Answer(next(parts), int(next(parts))) for name in commands}
        for subject, commands in subjects.items()
    }


def _said(host: Host, script: str) -> Any:
    """What a script printed on both streams, from its beginning to its end."""
    deadline = None
    while True:
        try:
            return host.run(script)
        except RuntimeError as error:
            if SEPARATOR in error.args[0].stdout and deadline is None:
                deadline = time.monotonic() + PATIENCE
            if deadline is None or time.monotonic() > deadline:
                raise
        time.sleep(PAUSE)


def pairs(text: str) -> dict[str, str]:
    """Lines of KEY=VALUE, as systemctl, udevadm and hostapd_cli print them."""
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
