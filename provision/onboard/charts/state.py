# SPDX-License-Identifier: GPL-3.0-or-later
"""Write how a copy from a stick is getting on to a file in RAM, which the boat's page reads.

format      1. It rises when a key is removed or changes its meaning
phase       looking, copying, done, refused (nothing is copied), broken (the stick was pulled out or
            cannot be read), failing (the card takes no writes), stopped, or empty (no folder
            `charts`)
reason      why it was refused: a word of `REASONS`, or ""
at          seconds since the computer started, when this was written
files, of_files, bytes, of_bytes    copied so far, and to be copied
same        files that the boat had already
left_out    how many files are not copied, and `examples`: name and reason of the first of them
used, cap   bytes that all charts take, and may take
needed      bytes that the card lacks for this stick
"""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import asdict, dataclass, field

FORMAT = 1

#: Why nothing of a stick is copied.
REASONS = ("too-many-files", "too-slow", "no-room", "no-card", "not-readable")

#: Seconds between two writes while files are copied.
WRITE_S = 1.0

#: Files that are named among those left out.
MAX_EXAMPLES = 5


@dataclass
class State:
    """Holds what is known of a copy."""

    phase: str = "looking"
    reason: str = ""
    files: int = 0
    of_files: int = 0
    bytes: int = 0
    of_bytes: int = 0
    same: int = 0
    left_out: int = 0
    examples: list[tuple[str, str]] = field(default_factory=list)
    used: int = 0
    cap: int = 0
    needed: int = 0

    def leave_out(self, name: str, reason: str) -> None:
        """Count a file that is not copied. The first ones are named."""
        self.left_out += 1
        if len(self.examples) < MAX_EXAMPLES:
            self.examples.append((name.encode(errors="backslashreplace").decode()[:80], reason))


class StateFile:
    """Replaces the state's file in one step, at most once in `WRITE_S` while a copy runs."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._written = -WRITE_S

    def write(self, state: State, *, now: bool = True) -> None:
        """Write the state. With `now` unset it may be left for later. A full RAM is no fault."""
        seconds = time.clock_gettime(time.CLOCK_BOOTTIME)
        if not now and seconds - self._written < WRITE_S:
            return
        self._written = seconds
        text = json.dumps({"format": FORMAT, "at": round(seconds, 1), **asdict(state)})
        temporary = f"{self._path}.new"
        with suppress(OSError):
            with suppress(FileNotFoundError):
                os.unlink(temporary)
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
            with os.fdopen(os.open(temporary, flags, 0o644), "w", encoding="utf-8") as file:
                file.write(text)
            os.replace(temporary, self._path)
