# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose what follows a survey: nothing, a new profile, or changes of one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from provision.cli.survey.into import IntoTask
from provision.cli.survey.new import NewTask
from provision.cli.survey.outcome import Outcome
from provision.errors import UserError

if TYPE_CHECKING:
    from provision.survey.draft.heard import Heard


class Task(Protocol):
    """What follows a survey. All that can be refused before it is refused before."""

    def finish(self, heard: Heard) -> Outcome:
        """Write the profile."""


@dataclass(frozen=True)
class Options:
    """Hold the options that say which profile is made, and how."""

    boats: Path
    new: str | None = None
    into: str | None = None
    board: str | None = None
    country: str | None = None
    yes: bool = False

    def task(self) -> Task | None:
        """Return what follows the survey. None for a survey that changes no file."""
        if self.new and self.into:
            raise UserError(
                "--new writes a new profile, and --into changes one", hint="leave one of both out"
            )
        if self.into:
            return IntoTask(self.into, self.boats, self.yes)
        if self.new:
            return NewTask(self.new, self.boats, self.board, self.country)
        for name in ("board", "country"):
            if getattr(self, name):
                raise UserError(
                    f"--{name} is about a new profile", hint="name its boat: --new BOAT"
                )
        return None
