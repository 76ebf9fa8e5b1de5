# SPDX-License-Identifier: GPL-3.0-or-later
"""Define the outcomes of a push, and its result for one boat."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from provision.ssh.endpoint import Endpoint


class Outcome(StrEnum):
    """Name how a push ended for one boat. The values stand in `--json`."""

    KEPT = "kept"
    """The boat runs the new settings, and will after every power cycle."""
    UNCHANGED = "unchanged"
    """The boat had these settings already. Nothing was written."""
    STAGED = "staged"
    """The settings are on the boat's card, and go on trial when it next starts."""
    WOULD_CHANGE = "would-change"
    """A dry run: nothing was written."""
    ROLLED_BACK = "rolled-back"
    """The change failed, and the boat rolled back to the settings that it had kept."""
    REFUSED = "refused"
    """Nothing was tried: the boat, its profile or its state does not allow a push."""
    HELD = "held-back"
    """Nothing was tried: the roll-out ended before it came to this boat."""
    UNREACHABLE = "unreachable"
    """Nothing was tried: the boat did not answer."""
    FAILED = "failed"
    """The push failed, and the boat did not answer with its status: its rollback timer runs. Or
    the boat had these settings already, and its proof failed."""

    @property
    def label(self) -> str:
        """Write the outcome in words for people."""
        return self.value.replace("-", " ")


#: The outcomes of a push that succeeded.
SUCCESSES = (Outcome.KEPT, Outcome.UNCHANGED, Outcome.STAGED, Outcome.WOULD_CHANGE)


@dataclass(frozen=True)
class PushResult:
    """Hold the result of a push for one boat.

    `seconds` is the time the push took. `changed` lists file paths. `diff` is a unified diff
    of them after a dry run, without secrets. `endpoint` is where the boat answered last.
    """

    boat: str
    outcome: Outcome
    sha256: str
    reason: str = ""
    hint: str = ""
    step: str = ""
    seconds: float = 0.0
    changed: tuple[str, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())
    """What the proof could not show, or found fixed: no failure."""
    diff: str = ""
    endpoint: Endpoint | None = None

    @property
    def succeeded(self) -> bool:
        """Tell whether the boat has the wanted settings, would have, or will at its next start."""
        return self.outcome in SUCCESSES

    @property
    def failed(self) -> bool:
        """Tell whether this counts as a failure of a roll-out. A boat that is off does not."""
        return not self.succeeded and self.outcome not in (Outcome.UNREACHABLE, Outcome.HELD)

    def as_json(self) -> dict[str, object]:
        """Return plain data, for `--json`."""
        return {
            "boat": self.boat,
            "outcome": str(self.outcome),
            "ok": self.succeeded,
            "sha256": self.sha256,
            "reason": self.reason,
            "hint": self.hint,
            "step": self.step,
            "seconds": round(self.seconds, 1),
            "changed": list(self.changed),
            "notes": list(self.notes),
            "diff": self.diff,
            "endpoint": str(self.endpoint) if self.endpoint else None,
        }
