# SPDX-License-Identifier: GPL-3.0-or-later
"""Refuse what a FAT file system cannot hold: names, two names that differ in case, large files.

The rules are those of long names in the FAT32 file system specification (version 1.03, from
memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from provision.errors import UserError

MAX_FILE_BYTES = 2**32 - 1
MAX_NAME_UNITS = 255

_REFUSED = re.compile(r'[\x00-\x1f\x7f"*:<>?\\|]')


def check_names(names: Iterable[str]) -> None:
    """Raise UserError for a path that FAT cannot hold, or that it takes for another one."""
    seen: dict[str, str] = {}
    for name in names:
        for part in name.split("/"):
            if _REFUSED.search(part) or part.endswith((".", " ")) or _units(part) > MAX_NAME_UNITS:
                raise UserError(
                    f"{part!r} cannot be the name of a file on a stick",
                    hint="give it a shorter name of letters, digits, points and hyphens",
                )
        if (other := seen.setdefault(name.casefold(), name)) != name:
            raise UserError(
                f"{name} and {other} are one file on a stick", hint="give one another name"
            )


def check_size(name: str, size: int) -> None:
    """Raise UserError for a file that is too large for FAT. `size` is in bytes."""
    if size > MAX_FILE_BYTES:
        raise UserError(
            f"{name} has {size} bytes, and a file on a stick {MAX_FILE_BYTES} at most",
            hint="leave the backups out: --without-backups",
        )


def _units(name: str) -> int:
    """Return the length of a name in UTF-16."""
    return len(name.encode("utf-16-le", "surrogatepass")) // 2
