# SPDX-License-Identifier: GPL-3.0-or-later
"""What tests/boat is told about a boat, and how it asks it many things in one command."""

from __future__ import annotations

import json
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol, Self

#: ASCII's record separator; no command asked for here prints one.
SEPARATOR = "\x1e"

Command = Sequence[str]


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
        assert self.status == 0, self.output
        return self


class Host(Protocol):
    """The part of a testinfra host that is used here."""

    def run(self, command: str) -> Any:
        """Run a command with the login shell."""


def ask(host: Host, commands: Mapping[str, Command]) -> dict[str, Answer]:
    """Run several commands aboard over one SSH command, and return their answers by name.

    An emulated or a slow board takes a third of a second for every SSH command.
    """
    script = "export LC_ALL=C.UTF-8 PATH=$PATH:/usr/sbin:/sbin\n" + "".join(
        f"{shlex.join(command)} </dev/null 2>&1; printf '\\036%d\\036' $?\n"
        for command in commands.values()
    )
    parts = host.run(script).stdout.split(SEPARATOR)
    return {
        name: Answer(parts[2 * index], int(parts[2 * index + 1]))
        for index, name in enumerate(commands)
    }


def pairs(text: str) -> dict[str, str]:
    """Lines of KEY=VALUE, as systemctl, udevadm and hostapd_cli print them."""
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
