# SPDX-License-Identifier: GPL-3.0-or-later
"""A whole folder of boats, where one that is wrong is no reason to leave the others alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.errors import Place, UserError, UserErrors
from provision.profile import load
from provision.profile.secrets import stolen, store, vault
from provision.push.known_boats import recall
from provision.push.plan import Target
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus


@dataclass(frozen=True)
class InvalidBoat:
    """A boat whose profile or secrets are wrong, so that its settings cannot be known."""

    file: Path
    error: UserError

    @property
    def name(self) -> str:
        """The boat's name as far as it is known: that of its file."""
        return self.file.stem

    @property
    def errors(self) -> list[UserError]:
        """All that is wrong."""
        return self.error.errors if isinstance(self.error, UserErrors) else [self.error]

    @property
    def reason(self) -> str:
        """What is wrong first, and where."""
        first = self.errors[0]
        place = f"{first.place}: " if first.place else ""
        more = f", and {len(self.errors) - 1} more" if len(self.errors) > 1 else ""
        return f"{place}{first.message}{more}"

    @property
    def matter(self) -> str:
        """What the matter is, in a word or two."""
        place, private = self.errors[0].place, store.file_of(self.file)
        if place is None or place.file != private:
            return "wrong"
        return "secrets wrong" if private.exists() else "no secrets"

    def result(self) -> PushResult:
        """As the end of a push: nothing was tried."""
        return PushResult(self.name, Outcome.REFUSED, "", self.reason, self.errors[0].hint)

    def standing(self) -> BoatStatus:
        """As one of a fleet: it was not asked."""
        before = recall(self.file)
        return BoatStatus(
            boat=self.name,
            wanted="",
            unfit=self.matter,
            reason=self.reason,
            hint=self.errors[0].hint,
            kept=before.kept if before else "",
            seen=before.seen if before else None,
        )


def gather(files: Sequence[Path], password: Path | None) -> tuple[list[Target], list[InvalidBoat]]:
    """The boats of these profiles with their secrets opened, and those that are wrong.

    UserError when the vault password of the folder cannot be had.
    """
    fit: dict[str, Target] = {}
    unfit: list[InvalidBoat] = []
    keys: dict[Path, bytes] = {}
    # A forgotten copy takes nothing from the boat whose file has its name.
    for file, boat in sorted(_read_each(files), key=lambda found: _is_copy(*found)):
        try:
            if isinstance(boat, UserError):
                raise boat
            if boat.name in fit:
                raise _copied(boat, fit[boat.name].boat)
            store.expect(file)
        except UserError as error:
            unfit.append(InvalidBoat(file, error))
            continue
        folder = file.parent
        keys[folder] = keys.get(folder) or vault.password(folder, password)
        try:
            target = Target(boat, store.read(file, keys[folder]))
            stolen.refuse_old_secrets(boat, target.secrets)
            target.render()
        except UserError as error:
            unfit.append(InvalidBoat(file, error))
        else:
            fit[boat.name] = target
    return sorted(fit.values(), key=lambda target: files.index(target.boat.file)), unfit


def _read_each(files: Sequence[Path]) -> Iterator[tuple[Path, load.Boat | UserError]]:
    for file in files:
        try:
            yield file, load.read(file)
        except UserError as error:
            yield file, error


def _is_copy(file: Path, boat: load.Boat | UserError) -> bool:
    """Whether the file is about a boat of another name than its own."""
    return isinstance(boat, load.Boat) and boat.name != file.stem


def _copied(boat: load.Boat, other: load.Boat) -> UserError:
    return UserError(
        f"{other.file} is about a boat {boat.name}, too",
        place=Place(boat.file),
        hint="take a copy out of the folder",
    )
