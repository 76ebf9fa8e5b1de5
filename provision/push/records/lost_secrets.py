# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell secrets that are lost from those that were never made."""

from __future__ import annotations

from pathlib import Path

from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile.secrets import store
from provision.push.records.built import find_evidence


def require_secrets(profile: Path) -> Path:
    """Return the path of a boat's secrets.

    Raise UserError if they are not here: with the evidence if the boat was built with them.
    """
    if error := find_loss(profile):
        raise error
    return store.require(profile)


def find_loss(profile: Path) -> UserError | None:
    """Return an error if a boat was built with secrets that are not here, else None."""
    file = store.secrets_path(profile)
    found = [] if file.exists() else find_evidence(profile)
    if not found:
        return None
    return UserError(
        f"is not here, but {profile.stem} was built with it: {'; '.join(found)}",
        location=Location(file),
        hint=f"put it back: {_where(profile)}. With new secrets that boat answers no push, and "
        "tablets do not join it by the new pass-phrase, until it has a new card; "
        f"provision keys {argument(profile)} --replace-lost makes them all the same",
    )


def _where(profile: Path) -> str:
    """Say where the lost file may be."""
    near = _look_alikes(profile)
    seen = f"{' or '.join(near)} beside it may be it; else " if near else ""
    return f"{seen}look in backups, on other computers with this folder, in its earlier versions"


def _look_alikes(profile: Path) -> list[str]:
    """List files that may be the lost one: copies of it, and secrets of no boat of the folder."""
    name = store.secrets_path(profile).name
    found = []
    for file in sorted(profile.parent.iterdir()):
        boat = file.name.removesuffix(".secrets.yml")
        orphan = boat != file.name and not file.with_name(f"{boat}.yml").exists()
        if file.is_file() and (orphan or file.name.startswith(f"{profile.stem}.secrets")):
            found.append(file.name)
    return [one for one in found if one != name]
