# SPDX-License-Identifier: GPL-3.0-or-later
"""Hold and format what a check found."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from provision.errors import Location

Level = Literal["error", "warning"]


@dataclass(frozen=True)
class Finding:
    """Describe what will not work about a boat (error) or may trouble its crew (warning)."""

    level: Level
    check: str
    """The key of this warning in `accepted:`, such as usb-power or link-load.gnss."""
    message: str
    location: Location
    hint: str = ""
    boat: str = ""
    """The boat's name, if other boats include the file of the location."""

    @property
    def kind(self) -> str:
        """Return what the finding has in common with others, such as link-load."""
        return self.check.partition(".")[0]

    @property
    def text(self) -> str:
        """Return location and message, without the hint."""
        boat = f"{self.boat}: " if self.boat else ""
        return f"{self.location}: {self.level}: {boat}{self.message} [{self.check}]"

    def __str__(self) -> str:
        return f"{self.text}\n  hint: {self.hint}" if self.hint else self.text

    def as_json(self) -> dict[str, object]:
        """Return the finding as plain data, for `--json`."""
        return {
            "level": self.level,
            "check": self.check,
            "message": self.message,
            "file": str(self.location.file),
            "line": self.location.line,
            "key": self.location.key,
            "hint": self.hint,
            "boat": self.boat,
        }


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Sort errors before warnings, keep those of one kind together, and else the order."""
    kinds = list(dict.fromkeys(finding.kind for finding in findings))
    return sorted(findings, key=lambda one: (one.level != "error", kinds.index(one.kind)))


def format_lines(findings: Sequence[Finding]) -> Iterator[str]:
    """Yield lines for people. A hint that several of one kind share comes once, last."""
    for (_, _, hint), group in groupby(findings, lambda one: (one.level, one.kind, one.hint)):
        for finding in group:
            yield finding.text
        if hint:
            yield f"  hint: {hint}"


def summarize(findings: Sequence[Finding], boats: Sequence[str], unread: int = 0) -> str:
    """Count the findings, the boats, and the files that could not be read."""
    if not boats:
        return f"{unread} not checked, see above"
    of = boats[0] if len(boats) == 1 else f"{len(boats)} boats"
    counts = [
        f"{number} {level}{'s' if number > 1 else ''}"
        for level in ("error", "warning")
        if (number := sum(finding.level == level for finding in findings))
    ]
    more = f"; {unread} more not checked, see above" if unread else ""
    return f"{' and '.join(counts) or 'no mistake'} found in {of}{more}"
