# SPDX-License-Identifier: GPL-3.0-or-later
"""Find what a path of a request names below the folder of charts, and nothing outside of it."""

from __future__ import annotations

from urllib.parse import unquote_to_bytes

from provision.onboard.charts.stick.listing import MAX_DEPTH
from provision.onboard.charts.stick.names import fault_of, is_hidden


def split(path: str) -> list[str] | None:
    """Return the names in the path of a request, which begins with a slash. None for a wrong path.

    A path that ends with a slash, of a folder, has an empty last name.

    >>> split("/coast/NO%205.kap"), split("/coast/"), split("/../data"), split("/.new/file")
    (['coast', 'NO 5.kap'], ['coast', ''], None, None)
    """
    try:
        names = [unquote_to_bytes(part).decode() for part in path.split("/")[1:]]
    except UnicodeDecodeError:
        return None
    *folders, last = names
    wanted = [*folders, last] if last else folders
    if len(wanted) > MAX_DEPTH + 1 or any(fault_of(name) or is_hidden(name) for name in wanted):
        return None
    return names
