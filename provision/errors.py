# SPDX-License-Identifier: GPL-3.0-or-later
"""What the user can mend: one exception, with its place and a hint."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Place:
    """Where in the user's files something stands; lines and columns count from 1."""

    file: Path
    line: int | None = None
    column: int | None = None
    key: str = ""

    def __str__(self) -> str:
        text = str(self.file)
        if self.line is not None:
            text += f":{self.line}"
            if self.column is not None:
                text += f":{self.column}"
        return f"{text}: {self.key}" if self.key else text


class UserError(Exception):
    """Something the user can mend.

    `message` says what is wrong, `place` where, `hint` what to try. Only the command
    line prints it; nothing else catches it except to add a place.
    """

    def __init__(self, message: str, *, place: Place | None = None, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.hint = hint
        self.included_by: tuple[Path, ...] = ()
        """The boats' files that include the file at `place`, when it is not a boat's own."""

    def __str__(self) -> str:
        text = f"{self.place}: {self.message}" if self.place else self.message
        if self.included_by:
            text += f"\n  included by {', '.join(map(str, self.included_by))}"
        return f"{text}\n  hint: {self.hint}" if self.hint else text

    def as_json(self) -> dict[str, object]:
        """The error as plain data, for `--json`."""
        place = self.place
        return {
            "message": self.message,
            "file": str(place.file) if place else None,
            "line": place.line if place else None,
            "key": place.key if place else "",
            "hint": self.hint,
            **({"included_by": [*map(str, self.included_by)]} if self.included_by else {}),
        }


class UserErrors(UserError):
    """Several errors found in one reading, so that the user mends them in one go."""

    def __init__(self, errors: list[UserError]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors

    def __str__(self) -> str:
        return self.message
