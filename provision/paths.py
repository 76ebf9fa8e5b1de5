# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the project's own files and the user's caches are."""

from __future__ import annotations

import errno
import os
import shlex
from pathlib import Path

from provision.errors import Place, UserError

PACKAGE = Path(__file__).parent

#: Where commands look for boats.
BOATS = Path("boats")


def argument(profile: Path) -> str:
    """How a command of ours names the boat with this file, to be typed as it stands."""
    return shlex.quote(profile.stem if profile.parent == BOATS else str(profile))


def shipped(name: str) -> Path:
    """A folder that ships with the code: roles, templates, boats, tests/boat.

    In a checkout they stand beside the package; an installed wheel carries them in
    `provision/shipped/`.
    """
    installed = PACKAGE / "shipped" / name
    return installed if installed.is_dir() else PACKAGE.parent / name


def cache() -> Path:
    """The folder for built bases, made when it is not there. $XDG_CACHE_HOME is honoured."""
    return _own("XDG_CACHE_HOME", "~/.cache")


def state() -> Path:
    """The folder for what is remembered about boats. $XDG_STATE_HOME is honoured."""
    return _own("XDG_STATE_HOME", "~/.local/state")


def _own(variable: str, usual: str) -> Path:
    folder = Path(os.environ.get(variable) or os.path.expanduser(usual)) / "provision"
    try:
        if folder.parts[0] == "~":
            raise OSError(errno.ENOENT, "there is no home folder")
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(
            f"cannot be made: {error.strerror}",
            place=Place(folder),
            hint=f"name a folder where you may write with ${variable}",
        ) from error
    return folder
