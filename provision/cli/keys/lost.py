# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell lost secrets from those that were never made, before `keys` makes new ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.secrets.keygen import OPERATOR

_PUBLIC = f"{OPERATOR}.pub"


def find_lost(files: Sequence[Path], *, refuse: bool) -> list[Path]:
    """List the boats that were built with secrets that are not here.

    UserError instead when to `refuse` them, and when the operator's pair is lost.
    """

    from provision.profile.yaml.tree import raise_all

    lost = {file: error for file in files if (error := _secrets_lost(file))}
    if refuse:
        pairs = map(_pair_lost, dict.fromkeys(file.parent for file in files))
        raise_all([*lost.values(), *(error for error in pairs if error)])
    return list(lost)


def operator_missing(folders: Iterable[Path]) -> dict[Path, str]:
    """Name each private key of an operator that is not here, with what follows."""
    missing = {}
    for folder in folders:
        private_half, public_half = folder / OPERATOR, folder / _PUBLIC
        if public_half.exists() and not private_half.exists():
            missing[private_half] = (
                f"{private_half} is not here, the private half of {_PUBLIC}: from this computer "
                "the boats let in only a key of your own that access.keys names"
                "\n  hint: put it back from the computer or the backup where it is; if it is lost "
                f"for good, move {public_half} away, and `keys --replace-lost` makes a new pair, "
                "which boats know after a push by somebody they let in, or by a new card"
            )
    return missing


def _secrets_lost(profile: Path) -> UserError | None:
    """Tell that a boat was built with secrets that are not here; None when it was not."""
    from provision.profile.secrets import store
    from provision.push.records.built import find_evidence

    file = store.secrets_path(profile)
    found = [] if file.exists() else find_evidence(profile)
    if not found:
        return None
    return UserError(
        f"is not here, but {profile.stem} was built with it: {'; '.join(found)}",
        location=Location(file),
        hint=f"put it back: {_where(profile)}. With new secrets that boat answers no push, and "
        "tablets do not join it by the new pass-phrase, until it has a new card; --replace-lost "
        "makes them all the same",
    )


def _where(profile: Path) -> str:
    """Say where the lost file may be."""
    near = _look_alikes(profile)
    seen = f"{' or '.join(near)} beside it may be it; else " if near else ""
    return f"{seen}look in backups, on other computers with this folder, in its earlier versions"


def _look_alikes(profile: Path) -> list[str]:
    """List files that may be the lost one: copies of it, and secrets of no boat of the folder."""
    from provision.profile.secrets import store

    name = store.secrets_path(profile).name
    found = []
    for file in sorted(profile.parent.iterdir()):
        boat = file.name.removesuffix(".secrets.yml")
        orphan = boat != file.name and not file.with_name(f"{boat}.yml").exists()
        if file.is_file() and (orphan or file.name.startswith(f"{profile.stem}.secrets")):
            found.append(file.name)
    return [one for one in found if one != name]


def _pair_lost(folder: Path) -> UserError | None:
    """Tell that both halves of the operator's pair are gone, though boats let it in."""
    from provision.profile import load
    from provision.push.records.built import find_evidence

    if (folder / _PUBLIC).exists() or (folder / OPERATOR).exists():
        return None
    built = [
        file.stem for file in load.list_profiles(folder) if _lets_in(file) and find_evidence(file)
    ]
    if not built:
        return None
    return UserError(
        f"is not here, nor is {_PUBLIC}, but boats were built with it: {', '.join(built)}",
        location=Location(folder / OPERATOR),
        hint="put both back, from backups or other computers with this folder: those boats let "
        "in a new one only after a push by somebody whom they let in, or by a new card; "
        "--replace-lost makes it all the same",
    )


def _lets_in(profile: Path) -> bool:
    """Tell whether the boat's profile lets in the operator of the folder."""
    from provision.profile import load

    try:
        return _PUBLIC in load.read(profile).profile.access.keys
    except UserError:
        return False
