# SPDX-License-Identifier: GPL-3.0-or-later
"""Report what the user can fix: one exception, with its location and a hint."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Location:
    """Names a spot in the user's files. Lines and columns count from 1."""

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
    """Reports something that the user can fix.

    `message` says what is wrong, `location` where, `hint` what to try. Only the command
    line prints it; nothing else catches it except to add a location.
    """

    def __init__(self, message: str, *, location: Location | None = None, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.location = location
        self.hint = hint
        self.included_by: tuple[Path, ...] = ()
        """The boats' files that include the file at `location`, when it is not a boat's own."""

    def __str__(self) -> str:
        text = f"{self.location}: {self.message}" if self.location else self.message
        if self.included_by:
            text += f"\n  included by {', '.join(map(str, self.included_by))}"
        return f"{text}\n  hint: {self.hint}" if self.hint else text

    def as_json(self) -> dict[str, object]:
        """The error as plain data, for `--json`."""
        location = self.location
        return {
            "message": self.message,
            "file": str(location.file) if location else None,
            "line": location.line if location else None,
            "key": location.key if location else "",
            "hint": self.hint,
            **({"included_by": [*map(str, self.included_by)]} if self.included_by else {}),
        }


class UserErrors(UserError):
    """Reports the errors of one reading together, so that the user fixes them in one go."""

    def __init__(self, errors: list[UserError]) -> None:
        super().__init__("\n".join(str(error) for error in errors))
        self.errors = errors

    def __str__(self) -> str:
        return self.message
