# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a new folder of boats, with a vault password of its own."""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable, Mapping
from pathlib import Path

from provision import paths
from provision.errors import Location, UserError
from provision.profile.secrets import private_file, vault

#: The boats as they are, for the bench.
HULLS = "hulls"

_GITIGNORE = """# Secrets are encrypted and may be shared; these may not.
/.vault-password*
/..vault-password*
/operator
*.img
"""


def create_club(folder: Path) -> list[str]:
    """Make `folder` with the example club, and return the names of the files in it.

    Nothing there is overwritten. After a failure nothing half-made is left.
    """
    return _create(folder, _copy_club)


def create_folder(folder: Path, files: Mapping[str, str]) -> list[str]:
    """Make `folder` with these texts by file name, and return the names of the files in it.

    Nothing there is overwritten. After a failure nothing half-made is left.
    """

    def write(folder: Path) -> list[str]:
        for name, text in files.items():
            private_file.write(folder / name, text.encode(), mode=0o644)
        return [*files]

    return _create(folder, write)


def refuse_filled(folder: Path) -> None:
    """Raise UserError when `folder` holds anything, or cannot be looked into."""
    try:
        filled = folder.exists() and any(folder.iterdir())
    except OSError as error:
        raise _refused(folder, error) from error
    if filled:
        raise UserError(
            "this folder is not empty",
            location=Location(folder),
            hint="name a folder that is new",
        )


def _create(folder: Path, fill: Callable[[Path], list[str]]) -> list[str]:
    refuse_filled(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            return [*fill(folder), *_fill_without_boats(folder)]
        except BaseException:
            for made in folder.iterdir():
                shutil.rmtree(made) if made.is_dir() else made.unlink()
            raise
    except OSError as error:
        raise _refused(folder, error) from error


def prepare_folder(folder: Path) -> list[str]:
    """Make a folder ready for a first boat, if it is new or empty. Return the names of its files.

    A folder that holds anything stays as it is.
    """
    try:
        if folder.exists() and any(folder.iterdir()):
            return []
        folder.mkdir(parents=True, exist_ok=True)
        return _fill_without_boats(folder)
    except OSError as error:
        raise _refused(folder, error) from error


def _refused(folder: Path, error: OSError) -> UserError:
    return UserError(
        f"cannot be made: {error.strerror}",
        location=Location(folder),
        hint="name a folder that is new, where you may write",
    )


def _copy_club(folder: Path) -> list[str]:
    made = []
    for source in sorted(paths.shipped("boats").glob("*.yml")):
        if not source.name.endswith(".secrets.yml"):
            shutil.copyfile(source, folder / source.name)
            made.append(source.name)
    shutil.copytree(paths.shipped("boats") / HULLS, folder / HULLS)
    made.append(f"{HULLS}/")
    return made


def _fill_without_boats(folder: Path) -> list[str]:
    private_file.write(folder / vault.PASSWORD_FILE, (secrets.token_urlsafe(24) + "\n").encode())
    (folder / ".gitignore").write_text(_GITIGNORE)
    return [vault.PASSWORD_FILE, ".gitignore"]
