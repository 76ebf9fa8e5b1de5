# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell lost secrets from those that were never made, before `keys` makes new ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile.access_keys import OPERATOR

_PUBLIC = f"{OPERATOR}.pub"


def find_lost(files: Sequence[Path], *, refuse: bool) -> list[Path]:
    """List the boats that were built with secrets that are not here.

    UserError instead when to `refuse` them, and when the operator's pair is lost.
    """

    from provision.profile.yaml.tree import raise_all
    from provision.push.records.lost_secrets import find_loss

    lost = {file: error for file in files if (error := find_loss(file))}
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
