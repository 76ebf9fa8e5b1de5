# SPDX-License-Identifier: GPL-3.0-or-later
"""A name that steers a terminal, in the command as it is run."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

#: Clears the screen; turns the reading direction; a C1 control; rich's markup.
EVIL = "\x1b[2Jone\u202etwo\x9b31m[bold]"
SHOWN = "\ufffd[2Jone\ufffdtwo\ufffd31m[bold]"


def clean(text: str) -> None:
    """Check that the text is there, without what steers a terminal."""
    assert SHOWN in text
    assert not {"\x1b", "\u202e", "\x9b"} & {*text}


def test_a_boat_cannot_write_on_a_terminal_through_the_command_itself(tmp_path: Path) -> None:
    """The error of a file whose name steers, from the command as it is run."""
    command = [sys.executable, "-m", "provision", "check", f"{tmp_path}/{EVIL}.yml"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    clean(done.stderr)
