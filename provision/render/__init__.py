# SPDX-License-Identifier: GPL-3.0-or-later
"""Turn a profile and its secrets into every file that the boat carries."""

from provision.render.archive import BASE_FORMAT, File, Settings, Symlink
from provision.render.open_boat import OpenBoat
from provision.render.render import render, write

__all__ = ["BASE_FORMAT", "File", "OpenBoat", "Settings", "Symlink", "render", "write"]
