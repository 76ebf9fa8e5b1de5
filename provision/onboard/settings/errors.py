# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the ways in which a command can fail, each with its exit status."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Lists the exit statuses of `boat-settings`.

    OK: done, or nothing to do.
    REFUSED: refused or failed. The boat is on its kept settings and nothing is on trial.
    UNABLE: could not run at all: wrong usage, not root, no settings to work from.
    ON_TRIAL: failed, and a trial is still on. Its timer will roll the boat back.
    BUSY: refused: the trial of another owner is on, or another run is at work.
    REBOOTING: a soft rollback failed at the deadline. The boat is restarting.
    KEPT: `return` found the settings on trial already kept, and finished keeping them.
    """

    OK = 0
    REFUSED = 1
    UNABLE = 2
    ON_TRIAL = 3
    BUSY = 4
    REBOOTING = 5
    KEPT = 6


class SettingsError(Exception):
    """Says why a command failed.

    `kind` is one word for programs, `message` and `hint` are for people, `status` is the
    exit status, and `details` goes into the JSON.
    """

    def __init__(
        self,
        kind: str,
        message: str,
        *,
        hint: str = "",
        status: Exit = Exit.REFUSED,
        details: dict[str, object] | None = None,
    ) -> None:
        super().__init__(message)
        self.kind = kind
        self.message = message
        self.hint = hint
        self.status = status
        self.details = details or {}

    def as_json(self) -> dict[str, object]:
        """Return the error as plain data."""
        return {
            "error": {"kind": self.kind, "message": self.message, "hint": self.hint},
            **self.details,
        }
