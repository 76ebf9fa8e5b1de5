# SPDX-License-Identifier: GPL-3.0-or-later
"""Find the project's own files and the user's caches."""

from __future__ import annotations

import errno
import os
import shlex
import stat
from pathlib import Path

from provision.errors import Location, UserError

PACKAGE = Path(__file__).parent

#: Where commands look for boats. A kit names its own folder (provision/kit/starter.py).
BOATS = Path(os.environ.get("PROVISION_BOATS") or "boats")


def argument(profile: Path) -> str:
    """Return how a command names the boat with this file, to be typed as it stands."""
    return shlex.quote(profile.stem if profile.parent == BOATS else str(profile))


def folder_option(boats: Path) -> str:
    """The option that names the folder of the boats, with a blank before; nothing for the usual."""
    return "" if boats == BOATS else f" --boats {shlex.quote(str(boats))}"


def shipped(name: str) -> Path:
    """A folder that ships with the code: roles, templates, boats, tests/boat.

    In a checkout they stand beside the package; an installed wheel carries them in
    `provision/shipped/`.
    """
    installed = PACKAGE / "shipped" / name
    return installed if installed.is_dir() else PACKAGE.parent / name


def kit() -> str:
    """Return the folder of the kit that this program runs from, or "" if it does not."""
    return os.environ.get("PROVISION_KIT", "")


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
        # What lies there is believed: whatever the umask, it is nobody else's to write.
        _make_private(folder)
        status = folder.stat()
    except OSError as error:
        raise UserError(
            f"cannot be made: {error.strerror}",
            location=Location(folder),
            hint=f"name a folder where you may write with ${variable}",
        ) from error
    if status.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise UserError(
            f"other users can write into it (mode {stat.S_IMODE(status.st_mode):04o})",
            location=Location(folder),
            hint=f"remove it, or if you trust what is in it: chmod -R go-w {folder}",
        )
    if os.geteuid() and status.st_uid not in (0, os.geteuid()):
        raise UserError(
            "belongs to another user",
            location=Location(folder),
            hint=f"name a folder of your own with ${variable}",
        )
    return folder


def _make_private(folder: Path) -> None:
    """Make a folder, and its parents that are not there, each with mode 0700."""
    if not folder.is_dir():
        if folder.parent != folder:
            _make_private(folder.parent)
        folder.mkdir(mode=0o700, exist_ok=True)
