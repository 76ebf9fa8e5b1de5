# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring a survey into the profile of a boat: `survey --into`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from provision.cli.opening import read_neighbours
from provision.cli.survey.outcome import Outcome, format_found, is_ok
from provision.cli.terminal.confirm import confirm
from provision.errors import Location, UserError, UserErrors
from provision.harmless import harmless

if TYPE_CHECKING:
    from provision.profile.load import Boat
    from provision.survey.draft.heard import Heard
    from provision.survey.draft.into import Change
    from provision.survey.draft.matching import Moved


class IntoTask:
    """Correct and add links in the profile of a boat."""

    def __init__(self, name: str, boats: Path, yes: bool) -> None:
        """Read the profile. Raise UserError when it is invalid: a survey corrects links alone."""
        from provision.profile import load

        self.yes = yes
        self.file = load.find(name, boats)
        load.read(self.file)

    def finish(self, heard: Heard) -> Outcome:
        """Show the changes, ask, and write them."""
        from provision.profile import load
        from provision.profile.secrets.rewrite import rewrite
        from provision.profile.yaml.tree import read_text
        from provision.survey.draft.into import bring_into

        # Again: the survey took its time, and the file may have been changed.
        before, text = self.file.read_bytes(), read_text(self.file)
        boat = load.read(self.file)
        neighbours = read_neighbours({self.file.parent})
        try:
            change = bring_into(boat, text, heard, self._ask, neighbours)
        except UserErrors as errors:
            raise _would_not_check(self.file, errors) from errors
        if not change.changes:
            return Outcome([f"{self.file}: nothing to change", *change.left], self._json(change))
        self._confirm(boat, change)
        rewrite(self.file, change.text, before)
        lines = [f"{self.file}: {len(change.changes)} changed", *change.left]
        lines += format_found(change.findings, boat.name)
        return Outcome(lines, self._json(change), ok=is_ok(change.findings))

    def _json(self, change: Change) -> dict[str, Any]:
        return {
            "file": str(self.file),
            "changes": [*change.changes],
            "left": [*change.left],
            "diff": change.diff(str(self.file)),
            "findings": [finding.as_json() for finding in change.findings],
        }

    def _ask(self, moved: Moved) -> bool:
        adapter = moved.report.adapter
        here = f"serial {adapter.serial}" if adapter.serial else f"port {adapter.port}"
        question = (
            f"{moved.link}: its adapter, {moved.config.adapter}, is not plugged in. "
            f"{adapter.device} ({here}) says the same: {', '.join(moved.report.sentences)}. "
            "Is this its instrument?"
        )
        return moved.is_alone if self.yes else confirm(question)

    def _confirm(self, boat: Boat, change: Change) -> None:
        for line in (*change.diff(str(self.file)), *change.changes):
            print(harmless(line), file=sys.stderr)
        if not self.yes and not confirm(f"Change {self.file}?"):
            raise UserError(f"nothing was changed about {boat.name}", hint="say y, or give --yes")


def _would_not_check(file: Path, errors: UserErrors) -> UserErrors:
    head = UserError(
        "with what was heard it would not check, and stays as it is",
        location=Location(file),
        hint="correct by hand what is said below, and survey again",
    )
    return UserErrors([head, *errors.errors])
