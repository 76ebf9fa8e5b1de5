# SPDX-License-Identifier: GPL-3.0-or-later
"""Load a folder of boats, and collect invalid boats instead of failing on the first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.errors import Location, UserError, UserErrors
from provision.profile import load
from provision.profile.secrets import stolen, store, vault
from provision.push.records.known_boats import recall
from provision.push.records.lost_secrets import find_loss, require_secrets
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.render import OpenBoat


@dataclass(frozen=True)
class InvalidBoat:
    """Hold a boat whose profile or secrets are invalid, so that its settings cannot be rendered."""

    file: Path
    error: UserError

    @property
    def name(self) -> str:
        """The boat's name as far as it is known: that of its file."""
        return self.file.stem

    @property
    def errors(self) -> list[UserError]:
        """List all errors."""
        return self.error.errors if isinstance(self.error, UserErrors) else [self.error]

    @property
    def reason(self) -> str:
        """Say what is wrong first, and where."""
        first = self.errors[0]
        location = f"{first.location}: " if first.location else ""
        more = f", and {len(self.errors) - 1} more" if len(self.errors) > 1 else ""
        return f"{location}{first.message}{more}"

    @property
    def problem(self) -> str:
        """Name the problem in a word or two."""
        location, private = self.errors[0].location, store.secrets_path(self.file)
        if location is None or location.file != private:
            return "wrong"
        if private.exists():
            return "secrets wrong"
        return "secrets lost" if find_loss(self.file) else "no secrets"

    def result(self) -> PushResult:
        """Return the result of a push that was not tried."""
        return PushResult(self.name, Outcome.REFUSED, "", self.reason, self.errors[0].hint)

    def status(self) -> BoatStatus:
        """Return the status of a boat that was not asked."""
        known = recall(self.file)
        return BoatStatus(
            boat=self.name,
            wanted="",
            invalid=self.problem,
            reason=self.reason,
            hint=self.errors[0].hint,
            kept=known.kept if known else "",
            seen=known.seen if known else None,
        )


def load_boats(
    files: Sequence[Path], password: Path | None
) -> tuple[list[OpenBoat], list[InvalidBoat]]:
    """Load the boats of these profiles and open their secrets. Return valid and invalid boats.

    Raise UserError without the folder's vault password.
    """
    valid: dict[str, OpenBoat] = {}
    invalid: list[InvalidBoat] = []
    keys: dict[Path, bytes] = {}
    # Copies come last: the boat whose file has its name wins over a forgotten copy.
    for file, boat in sorted(_read_each(files), key=lambda found: _is_copy(*found)):
        try:
            if isinstance(boat, UserError):
                raise boat
            if boat.name in valid:
                raise _copied(boat, valid[boat.name].boat)
            require_secrets(file)
        except UserError as error:
            invalid.append(InvalidBoat(file, error))
            continue
        folder = file.parent
        keys[folder] = keys.get(folder) or vault.read_password(folder, password)
        try:
            open_boat = OpenBoat(boat, store.read(file, keys[folder]))
            stolen.refuse_old_secrets(boat, open_boat.secrets)
            open_boat.render()
        except UserError as error:
            invalid.append(InvalidBoat(file, error))
        else:
            valid[boat.name] = open_boat
    return sorted(valid.values(), key=lambda open_boat: files.index(open_boat.boat.file)), invalid


def _read_each(files: Sequence[Path]) -> Iterator[tuple[Path, load.Boat | UserError]]:
    for file in files:
        try:
            yield file, load.read(file)
        except UserError as error:
            yield file, error


def _is_copy(file: Path, boat: load.Boat | UserError) -> bool:
    """Tell whether the file names another boat than its own name does."""
    return isinstance(boat, load.Boat) and boat.name != file.stem


def _copied(boat: load.Boat, other: load.Boat) -> UserError:
    return UserError(
        f"{other.file} is about a boat {boat.name}, too",
        location=Location(boat.file),
        hint="take a copy out of the folder",
    )
