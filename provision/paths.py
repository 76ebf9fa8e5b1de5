# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the project's own files and the user's caches are."""

from __future__ import annotations

import os
from pathlib import Path

PACKAGE = Path(__file__).parent


def shipped(name: str) -> Path:
    """A folder that ships with the code: roles, templates, boats, tests/boat.

    In a checkout they stand beside the package; an installed wheel carries them in
    `provision/shipped/`.
    """
    installed = PACKAGE / "shipped" / name
    return installed if installed.is_dir() else PACKAGE.parent / name


def cache() -> Path:
    """The folder for built bases, made when it is not there. $XDG_CACHE_HOME is honoured."""
    root = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    folder = Path(root) / "provision"
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def state() -> Path:
    """The folder for what is remembered about boats. $XDG_STATE_HOME is honoured."""
    root = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    folder = Path(root) / "provision"
    folder.mkdir(parents=True, exist_ok=True)
    return folder
