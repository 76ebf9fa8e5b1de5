# SPDX-License-Identifier: GPL-3.0-or-later
"""Name the files of the voyage log, order them, and choose which of them may go.

A file is named by a number that only grows and by a UTC day: log-000012-2026-11-25.gz. The
number alone says which file is older. The day is for people to find a file by: a boat without a
clock chip, or with a wrong fix, writes a wrong day.

Earlier versions counted the files of each day: 2026-11-25-001.gz. A file with an earlier name is
older than every file with a number of its own.
"""

from __future__ import annotations

import os
import re

#: Bytes of the file system that the log leaves free.
MIN_FREE_BYTES = 64 * 2**20

#: Compressed bytes at which a piece of the log is written before its time.
MAX_MEMBER_BYTES = 256 * 1024

_NAME = re.compile(r"log-(?P<number>\d{6,12})-(?P<day>\d{4}-\d{2}-\d{2})\.gz")
_EARLIER = re.compile(r"(?P<day>\d{4}-\d{2}-\d{2})-(?P<number>\d{3,12})\.gz")


def _age(name: str) -> tuple[int, str, int] | None:
    """Return the key that sorts files, oldest first. None when `name` is no file of the log."""
    if match := _NAME.fullmatch(name):
        return (1, "", int(match["number"]))
    if match := _EARLIER.fullmatch(name):
        return (0, match["day"], int(match["number"]))
    return None


def files(folder: str) -> list[str]:
    """Return the names of the log's files, the oldest first."""
    found = [(age, name) for name in os.listdir(folder) if (age := _age(name))]
    return [name for _, name in sorted(found)]


def day_of(name: str) -> str:
    """Return the day in the name of a file of the log, as YYYY-MM-DD."""
    match = _NAME.fullmatch(name) or _EARLIER.fullmatch(name)
    return match["day"] if match else ""


def new_name(folder: str, day: str) -> str:
    """Return the name of the next file. A file whose end may be torn is never continued."""
    numbers = [int(match["number"]) for name in files(folder) if (match := _NAME.fullmatch(name))]
    return f"log-{max(numbers, default=0) + 1:06d}-{day}.gz"


def renamed(name: str, day: str) -> str:
    """Return the name of the same file with another day."""
    return name.replace(day_of(name), day)


def beyond(names: list[str], days: int) -> list[str]:
    """Return the files of `names` that are beyond `days`. `names` has the oldest first.

    Counts the days in the names, from the newest file on, and never asks the clock. However far
    the clock is off, the newest `days` days on which something was logged stay.
    """
    counted: set[str] = set()
    for index in range(len(names) - 1, -1, -1):
        counted.add(day_of(names[index]))
        if len(counted) > days:
            return names[: index + 1]
    return []
