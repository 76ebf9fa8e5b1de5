# SPDX-License-Identifier: GPL-3.0-or-later
"""How a command can end other than well, each with its exit status."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Exit statuses of `boat-settings`.

    WELL: done, or nothing to do.
    REFUSED: refused or failed; the boat is on its kept settings and nothing is on trial.
    UNABLE: could not run at all: wrong usage, not root, no settings to work from.
    ON_TRIAL: failed, and a trial is still on; its timer will return the boat.
    BUSY: refused, because somebody else's trial is on or another run is at work.
    REBOOTING: a soft return failed at the deadline; the boat is restarting.
    KEPT: `return` found the settings on trial already kept, and finished keeping them.
    """

    WELL = 0
    REFUSED = 1
    UNABLE = 2
    ON_TRIAL = 3
    BUSY = 4
    REBOOTING = 5
    KEPT = 6


class SettingsError(Exception):
    """Why a command did not do what it was asked.

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
        """The error as plain data."""
        return {
            "error": {"kind": self.kind, "message": self.message, "hint": self.hint},
            **self.details,
        }
