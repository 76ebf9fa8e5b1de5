# SPDX-License-Identifier: GPL-3.0-or-later
"""Find what a voyage log has of each day, in this computer's local time.

Within a file the monotonic clock orders the sentences, since no fix steps it. The time of day comes
from the last sentence of the file, by which a fix had set the system clock.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import NamedTuple

from provision.errors import Location, UserError
from provision.onboard.feed.voyage_log import reader


class Entry(NamedTuple):
    """Hold a sentence, the origin that said it, and when, in seconds since 1970."""

    time: float
    origin: str
    raw: bytes


@dataclass
class Day:
    """Hold what there is of one day. `begin` and `end` are in seconds since 1970."""

    day: date
    begin: float
    end: float
    sentences: Counter[str] = field(default_factory=Counter)
    """By origin."""
    files: list[Path] = field(default_factory=list)


@dataclass
class Logbook:
    """Hold the files of one boat's log, oldest first. `damaged` counts bytes that are left out."""

    files: Sequence[Path]
    zone: tzinfo | None = None
    """None for this computer's local time."""
    damaged: int = 0

    def local(self, time: float) -> datetime:
        """Return a time of the log as local time."""
        return datetime.fromtimestamp(time, UTC).astimezone(self.zone)

    def entries(self, file: Path) -> Iterator[Entry]:
        """Yield the sentences of one file in their order."""
        last = None
        for last in self._lines(file, count=True):  # noqa: B007 - the last of them is wanted
            pass
        if last is None:
            return
        offset = last.wall - last.monotonic
        for line in self._lines(file):
            yield Entry(line.monotonic + offset, line.origin, line.raw)

    def _lines(self, file: Path, *, count: bool = False) -> Iterator[reader.Logged]:
        def damage(size: int) -> None:
            self.damaged += size if count else 0

        try:
            yield from reader.read(str(file), damage)
        except OSError as error:
            raise UserError(
                f"cannot be read: {error.strerror}",
                location=Location(file),
                hint="copy it again: provision backup",
            ) from error

    def days(self) -> list[Day]:
        """Find all days, oldest first."""
        found: dict[date, Day] = {}
        for file in self.files:
            for entry in self.entries(file):
                name = self.local(entry.time).date()
                day = found.setdefault(name, Day(name, entry.time, entry.time))
                day.begin, day.end = min(day.begin, entry.time), max(day.end, entry.time)
                day.sentences[entry.origin] += 1
                if file not in day.files:
                    day.files.append(file)
        return sorted(found.values(), key=lambda day: day.day)

    def of(self, day: Day) -> Iterator[Entry]:
        """Yield the sentences of one day in the order of the files."""
        for file in day.files:
            for entry in self.entries(file):
                if self.local(entry.time).date() == day.day:
                    yield entry
