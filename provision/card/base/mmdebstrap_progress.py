# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell how far mmdebstrap is, from what it, apt and dpkg print with `--verbose`.

It installs in two rounds: what the packages' manager needs itself, then all others.
"""

from __future__ import annotations

import re

#: Lines of mmdebstrap that begin a part of its work, and the part in words.
_PARTS = (
    ("I: running apt-get update", "reading the lists of packages"),
    ("I: extracting archives", "extracting the first packages"),
    ("update-initramfs: Generating", "making the initramfs"),
    ("I: running --customize-hook", "setting the system up"),
    ("I: cleaning package lists", "cleaning up"),
    ("I: creating tarball", "packing the system"),
)

#: Lines of apt and dpkg, one for each package.
_FETCHED, _UNPACKED, _SET_UP = "Get:", "Unpacking ", "Setting up "

#: apt's line before it installs a round of packages.
_ROUND = re.compile(r"\d+ upgraded, (\d+) newly installed")


class Progress:
    """Counts packages from one line after another."""

    def __init__(self) -> None:
        self._begin(0)

    def _begin(self, packages: int) -> None:
        self._packages = packages
        self._counts = {_FETCHED: 0, _UNPACKED: 0, _SET_UP: 0}

    def read(self, line: str) -> str | None:
        """Read a line, and return how far the build is then. None if it says nothing of that."""
        if match := _ROUND.match(line):
            self._begin(int(match[1]))
            return None
        for start, part in _PARTS:
            if line.startswith(start):
                return part
        for start, count in self._counts.items():
            # Before the first round apt fetches lists.
            if line.startswith(start) and self._packages:
                # apt may fetch one again.
                self._counts[start] = min(count + 1, self._packages)
                return self._describe(start)
        return None

    def _describe(self, start: str) -> str:
        fetched, unpacked, set_up = self._counts.values()
        if start == _FETCHED:
            return f"fetched {fetched} of {self._packages} packages"
        return f"unpacked {unpacked}, set up {set_up} of {self._packages} packages"
