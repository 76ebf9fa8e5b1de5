# SPDX-License-Identifier: GPL-3.0-or-later
"""List what a kit holds of boats: profiles, secrets, records, backups and bases.

All of it is as private as the boats' folder without its password: secrets stay encrypted. Of a
backup the settings are left out, since they hold pass-phrase and host key in the clear.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from provision.backup.rooms import ROOMS
from provision.backup.store import FOLDER, INDEX
from provision.boards import Board
from provision.card.base.base import DIGESTS_FILE, SEALED_FILES, Base
from provision.card.base.cache import find_base
from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile import load
from provision.profile.load import Boat
from provision.profile.secrets import private_file, stolen, vault, vault_format
from provision.push.records import written_cards
from provision.push.records.lost_secrets import require_secrets
from provision.ready.rebuild import is_sound

Source = Path | bytes

#: The files of a base that cards are made from.
BASE_FILES = (*SEALED_FILES, DIGESTS_FILE)

#: Rooms of a backup without secrets.
ROOMS_WITHOUT_SECRETS = tuple(room.name for room in ROOMS if room.group is not None)


def list_boats(boats: Sequence[Boat]) -> dict[str, Source]:
    """Map the files of boats' profiles by their path in the folder of the boats.

    Raise UserError if the boats are not of one folder, or if secrets are missing or in the clear.
    """
    folders = {Path(os.path.realpath(boat.file)).parent for boat in boats}
    if len(folders) != 1:
        raise UserError("the boats are not of one folder", hint="make a kit for each folder")
    (folder,) = folders
    found: dict[str, Source] = {}
    for boat in boats:
        files = [Path(os.path.realpath(boat.file)), *load.list_included(boat.file)]
        found |= {file.relative_to(folder).as_posix(): file for file in files}
        found |= {file.name: file for file in _list_keys(boat)}
        secrets = require_secrets(boat.file)
        _refuse_open(secrets)
        for file in (secrets, stolen.record_path(boat.file), written_cards.record_path(boat.file)):
            if file.is_file():
                found[file.name] = file
    return found


def _list_keys(boat: Boat) -> list[Path]:
    """List the public keys beside a profile, which it may name."""
    return [file for file in sorted(boat.file.parent.glob("*.pub")) if file.is_file()]


def _refuse_open(secrets: Path) -> None:
    if not vault_format.is_vault(private_file.read(secrets, encrypted=True)):
        raise UserError(
            "is not encrypted",
            location=Location(secrets),
            hint=f"ansible-vault encrypt {secrets}",
        )


def list_backups(boats: Iterable[Boat]) -> dict[str, Source]:
    """Map the files of the boats' backups, without settings, by their path in the folder."""
    found: dict[str, Source] = {}
    for boat in boats:
        folder = boat.file.parent / FOLDER / boat.name
        if not (folder / INDEX).is_file():
            continue
        index = json.loads((folder / INDEX).read_text(encoding="utf-8"))
        index["files"] = {
            key: one
            for key, one in index["files"].items()
            if key.partition("/")[0] in ROOMS_WITHOUT_SECRETS and (folder / key).is_file()
        }
        name = f"{FOLDER}/{boat.name}"
        found |= {f"{name}/{key}": folder / key for key in index["files"]}
        found[f"{name}/{INDEX}"] = json.dumps(index, indent=1).encode() + b"\n"
    return found


def list_bases(needed: Iterable[tuple[Board, Boat]]) -> dict[str, Source]:
    """Map the files of the bases that boats' cards are made from.

    Raise UserError if one is not built on this computer, or is damaged.
    """
    found: dict[str, Source] = {}
    for board, boat in needed:
        base = find_base(board)
        make = f"provision card {argument(boat.file)} -o {boat.name}.img"
        if base is None:
            raise UserError(
                f"the base of {boat.name} is not built on this computer",
                hint=f"with a network: {make}",
            )
        if base.folder.name in {name.partition("/")[0] for name in found}:
            continue
        if not _is_sound(base):
            raise UserError(
                "the cached base is damaged",
                location=Location(base.folder),
                hint=f"remove it, and build it again: {make}",
            )
        found |= {f"{base.folder.name}/{name}": base.folder / name for name in BASE_FILES}
    return found


def _is_sound(base: Base) -> bool:
    try:
        return is_sound(base)
    except UserError:
        return False


def read_vault_password(boats: Sequence[Boat], file: Path | None) -> bytes:
    """Return the vault password that opens the boats' secrets. Raise UserError if it does not."""
    key = vault.read_password(boats[0].file.parent, file)
    for boat in boats:
        vault.decrypt(require_secrets(boat.file), key)
    return key + b"\n"


def read_operator(boat: Boat) -> bytes:
    """Return the operator's private key beside a profile. Raise UserError if it is not there."""
    return private_file.read(boat.file.parent / "operator")
