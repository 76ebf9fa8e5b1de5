# SPDX-License-Identifier: GPL-3.0-or-later
"""The files of the voyage log: their names, their order, and which of them may go.

A file is named by a number that only grows and by a UTC day: log-000012-2026-11-25.gz. The
number alone says which file is older. The day is for people to find a file by: a boat without a
clock chip, or with a wrong fix, writes a wrong one.

Earlier versions counted the files of each day: 2026-11-25-001.gz. Such a file is older than
every file with a number of its own.
"""

from __future__ import annotations

import os
import re

#: The log leaves so many bytes of the file system free.
SPARE = 64 * 2**20

_NAME = re.compile(r"log-(?P<number>\d{6,12})-(?P<day>\d{4}-\d{2}-\d{2})\.gz")
_EARLIER = re.compile(r"(?P<day>\d{4}-\d{2}-\d{2})-(?P<number>\d{3,12})\.gz")


def _age(name: str) -> tuple[int, str, int] | None:
    """What files are sorted by, the oldest first; None when `name` is not one of the log's."""
    if match := _NAME.fullmatch(name):
        return (1, "", int(match["number"]))
    if match := _EARLIER.fullmatch(name):
        return (0, match["day"], int(match["number"]))
    return None


def files(folder: str) -> list[str]:
    """The names of the log's files, the oldest first."""
    found = [(age, name) for name in os.listdir(folder) if (age := _age(name))]
    return [name for _, name in sorted(found)]


def day_of(name: str) -> str:
    """The day in the name of one of the log's files, as YYYY-MM-DD."""
    match = _NAME.fullmatch(name) or _EARLIER.fullmatch(name)
    return match["day"] if match else ""


def new_name(folder: str, day: str) -> str:
    """The name of the next file; a file whose end may be torn is never continued."""
    numbers = [int(match["number"]) for name in files(folder) if (match := _NAME.fullmatch(name))]
    return f"log-{max(numbers, default=0) + 1:06d}-{day}.gz"


def renamed(name: str, day: str) -> str:
    """The name of the same file with another day."""
    return name.replace(day_of(name), day)


def beyond(names: list[str], days: int) -> list[str]:
    """The files that `keep` does not cover, of `names` with the oldest first.

    Counts the days that stand in the names, the newest file first, and never asks the clock:
    however far it is off, the newest `days` days on which something was logged stay.
    """
    counted: set[str] = set()
    for index in range(len(names) - 1, -1, -1):
        counted.add(day_of(names[index]))
        if len(counted) > days:
            return names[: index + 1]
    return []
