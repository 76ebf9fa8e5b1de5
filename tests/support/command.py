# SPDX-License-Identifier: GPL-3.0-or-later
"""The `provision` command, called in this process or on a terminal of its own."""

from __future__ import annotations

import functools
import json
import os
import pty
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer.main

from provision.cli import main
from provision.profile.scaffold import create_club


@dataclass(frozen=True)
class Said:
    """Holds how a command ended, and what it wrote."""

    status: int
    out: str
    err: str

    @property
    def result(self) -> Any:
        """Return what it wrote as JSON."""
        return json.loads(self.out)


Call = Callable[..., Said]

#: Reads all commands' signatures, which takes as long as many a command: a process does it once.
_read_commands = functools.cache(typer.main.get_command)


@pytest.fixture
def call(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path_factory: pytest.TempPathFactory,
) -> Call:
    """Calls the command with these words; what is remembered of boats is this test's alone."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
    monkeypatch.setattr(typer.main, "get_command", _read_commands)

    def ended(*words: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["provision", *map(str, words)])
        with pytest.raises(SystemExit) as exit:
            main()
        said = capsys.readouterr()
        code = exit.value.code
        assert code is None or isinstance(code, int)
        return Said(code or 0, said.out, said.err)

    return ended


@pytest.fixture
def boats(tmp_path: Path) -> Path:
    """Give a folder of boats as `init` makes it."""
    folder = tmp_path / "the club's boats"
    create_club(folder)
    return folder


def on_a_terminal(*words: object, types: tuple[str, ...] = ()) -> tuple[int, str]:
    """Run the command on a terminal of its own, and type a line at each of its questions."""
    child, terminal = pty.fork()
    if child == 0:
        command = [sys.executable, "-m", "provision", *map(str, words)]
        os.execv(sys.executable, command)  # noqa: S606 - with a terminal to ask on
    shown, lines = b"", list(types)
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:
            break
        if not piece:
            break
        shown += piece
        if lines and shown.rstrip(b" ").endswith(b":"):
            os.write(terminal, lines.pop(0).encode() + b"\n")
    _, status = os.waitpid(child, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), shown.decode()
