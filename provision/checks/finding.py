# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from provision.errors import Place

Level = Literal["error", "warning"]


@dataclass(frozen=True)
class Finding:
    """Something about a boat that will not work (error) or may trouble its crew (warning)."""

    level: Level
    check: str
    """What `accepted:` calls it, such as usb-power or link-load.gnss."""
    message: str
    place: Place
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.place}: {self.level}: {self.message} [{self.check}]"
        return f"{text}\n  hint: {self.hint}" if self.hint else text

    def as_json(self) -> dict[str, object]:
        """The finding as plain data, for `--json`."""
        return {
            "level": self.level,
            "check": self.check,
            "message": self.message,
            "file": str(self.place.file),
            "line": self.place.line,
            "key": self.place.key,
            "hint": self.hint,
        }
