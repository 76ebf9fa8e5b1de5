# SPDX-License-Identifier: GPL-3.0-or-later
"""How a push ended, for one boat."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from provision.ssh.endpoint import Endpoint


class Outcome(StrEnum):
    """Where the boat stands now."""

    KEPT = "kept"
    """It runs the new settings and will after every power cycle."""
    UNCHANGED = "unchanged"
    """It had these settings already; nothing was written."""
    STAGED = "staged"
    """The settings lie on its card, and go on trial when it is next switched on."""
    WOULD_CHANGE = "would change"
    """A dry run: nothing was written."""
    RETURNED = "returned"
    """The change failed, and the boat is back on the settings that it had kept."""
    REFUSED = "refused"
    """Nothing was tried, since the boat or its state is not as it must be."""
    HELD = "held back"
    """Nothing was tried, since the roll-out ended before it came to this boat."""
    UNREACHABLE = "unreachable"
    """Nothing was tried, since the boat did not answer."""
    FAILED = "failed"
    """The push failed and the boat did not say where it stands; its return timer runs. Or it has
    had these settings all along, and cannot be proven."""


#: The outcomes that were asked for.
WELL = (Outcome.KEPT, Outcome.UNCHANGED, Outcome.STAGED, Outcome.WOULD_CHANGE)


@dataclass(frozen=True)
class PushResult:
    """One boat's result.

    `seconds` is the time the push took, `changed` lists file paths, `diff` is a unified diff
    of them after a dry run, without secrets. `place` is where the boat answered last.
    """

    boat: str
    outcome: Outcome
    sha256: str
    reason: str = ""
    hint: str = ""
    stage: str = ""
    seconds: float = 0.0
    changed: tuple[str, ...] = field(default=())
    diff: str = ""
    place: Endpoint | None = None

    @property
    def well(self) -> bool:
        """Whether the boat is on the wanted settings, or would be, or was asked to be later."""
        return self.outcome in WELL

    @property
    def failed(self) -> bool:
        """Whether this counts as a failure of a roll-out; boats that are off do not."""
        return not self.well and self.outcome not in (Outcome.UNREACHABLE, Outcome.HELD)

    def as_json(self) -> dict[str, object]:
        """The result as plain data, for `--json`."""
        return {
            "boat": self.boat,
            "outcome": str(self.outcome),
            "well": self.well,
            "sha256": self.sha256,
            "reason": self.reason,
            "hint": self.hint,
            "stage": self.stage,
            "seconds": round(self.seconds, 1),
            "changed": list(self.changed),
            "diff": self.diff,
            "place": str(self.place) if self.place else None,
        }
