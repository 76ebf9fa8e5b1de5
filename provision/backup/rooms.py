# SPDX-License-Identifier: GPL-3.0-or-later
"""Name what a backup copies: the files of the data partition that this computer cannot make again.

A name that no room takes is not copied: a boat may have been changed by a stranger, and no name
from it leads out of the room's own folder.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from provision.onboard.charts.keep.put import FILE_MODE
from provision.onboard.charts.stick.listing import MAX_DEPTH
from provision.onboard.charts.stick.names import fault_of, is_hidden
from provision.onboard.feed.voyage_log.reader import MAX_FILE_BYTES
from provision.render.charts import CHARTS_FOLDER
from provision.render.feed import LOG_FOLDER


@dataclass(frozen=True)
class Room:
    """Hold one folder aboard, the names that belong into it, and the largest file there."""

    name: str
    folder: str
    pattern: re.Pattern[str] | None
    """None: files in folders below each other, by names as boat-charts takes them."""
    max_bytes: int
    mirrored: bool = False
    """A file that is gone aboard goes from the backup, too."""
    group: int | None = None
    """The group aboard whose program goes on with these files on a new card. None: not put back."""
    mode: int = 0o660
    """Permission bits of what is put back."""

    @property
    def deep(self) -> bool:
        """Tell if files are in folders below the room's own."""
        return self.pattern is None

    def takes(self, path: str) -> bool:
        """Tell if a file or folder at a path below the room's folder belongs into it."""
        if self.pattern is not None:
            return self.pattern.fullmatch(path) is not None
        names = path.split("/")
        good = all(not fault_of(name) and not is_hidden(name) for name in names)
        return good and len(names) <= MAX_DEPTH + 1


ROOMS = (
    Room(
        "log",
        LOG_FOLDER,
        re.compile(r"log-\d{6,12}-\d{4}-\d{2}-\d{2}\.gz|\d{4}-\d{2}-\d{2}-\d{3,12}\.gz"),
        MAX_FILE_BYTES,
        group=20,  # dialout (Debian's base-passwd)
    ),
    # Mirrored: what the boat has thrown away may hold a secret that was revoked.
    Room(
        "settings",
        "/data/settings",
        re.compile(r"[0-9a-f]{64}\.(tar|copy)|kept|previous|staged\.json|last-return\.json"),
        2**23,
        mirrored=True,
    ),
    Room(
        "history",
        "/data/history",
        re.compile(r"[a-z0-9][a-z0-9.-]{0,80}"),
        2**23,
        group=33,  # www-data (the same)
    ),
    # Mirrored: each edition may have names of its own, and the backup is to end somewhere.
    Room(
        "charts",
        CHARTS_FOLDER,
        None,
        2**34,
        mirrored=True,
        group=46,  # plugdev (the same)
        mode=FILE_MODE,
    ),
)
