# SPDX-License-Identifier: GPL-3.0-or-later
"""Play a voyage log back: each link's sentences, at their time, on their own wire.

Within a file, the monotonic clock gives the time between sentences, as no fix has stepped it. True
times come from the system clock at the end of a file, when a fix had set it.
"""

from __future__ import annotations

import asyncio
import math
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time
from pathlib import Path

from provision.bench.replay.replay_wires import ReplayWire, is_open
from provision.errors import Location, UserError
from provision.onboard.feed.voyage_log import reader
from provision.progress import step

#: Maximum pause in seconds between two files, as the boat was off in between.
MAX_PAUSE_S = 5.0

#: Seconds between two checks that a feed has opened the terminals.
LOOK_INTERVAL_S = 0.1

#: Seconds that a listener gets to read the last sentence.
LINGER_S = 0.5


@dataclass(frozen=True)
class Recording:
    """Describe one file of a voyage log, as found by a first reading."""

    file: Path
    begin: float
    """Monotonic seconds of the first sentence."""
    end: float
    """Monotonic seconds of the last sentence."""
    offset: float
    """Seconds to add to a monotonic time for the true POSIX time."""
    origins: Mapping[str, int]
    """Number of sentences of each link and input."""
    damaged: int = 0
    """Number of damaged bytes in the file, which are left out."""

    def moment(self, monotonic: float) -> datetime:
        """Return the time at which a sentence was heard."""
        return datetime.fromtimestamp(monotonic + self.offset, UTC)


@dataclass(frozen=True)
class DueSentence:
    """Hold a sentence and when to play it."""

    at: float
    """Seconds after the first sentence played."""
    moment: datetime
    """Time at which the sentence was heard."""
    origin: str
    raw: bytes


@dataclass
class PlayedCounts:
    """Count the sentences of a replay by link."""

    sent: Counter[str] = field(default_factory=Counter)
    lost: Counter[str] = field(default_factory=Counter)
    """No listener took these sentences."""
    left_out: Counter[str] = field(default_factory=Counter)
    """No wire belonged to these sentences."""


def read_recording(file: Path) -> Recording:
    """Read a file once. Raise UserError if it is no voyage log."""
    origins: Counter[str] = Counter()
    begin, end, offset = math.inf, 0.0, 0.0
    damage: list[int] = []
    try:
        for entry in reader.read(str(file), damage.append):
            begin, end = min(begin, entry.monotonic), max(end, entry.monotonic)
            offset = entry.wall - entry.monotonic
            origins[entry.origin] += 1
    except OSError as error:
        reason = error.strerror or str(error)
        raise UserError(
            f"cannot be read: {reason}",
            location=Location(file),
            hint="check the path and its permissions",
        ) from error
    if not origins:
        raise UserError(
            "this is no voyage log, or an empty one",
            location=Location(file),
            hint="a boat whose profile says `log:` keeps them as /data/log/log-NUMBER-DAY.gz",
        )
    return Recording(file, begin, end, offset, origins, sum(damage))


def parse_start(text: str, recordings: Sequence[Recording]) -> datetime:
    """Return the time that `--from` names.

    Raise UserError if it is none, or after the last sentence.

    A time of day is on the day of the first sentence. Both are UTC if they name no zone.
    """
    first = recordings[0].moment(recordings[0].begin)
    last = recordings[-1].moment(recordings[-1].end)
    moment = _parse_moment(text, first.date())
    if moment > last:
        raise UserError(
            f"--from {text} is behind the last sentence",
            hint=f"the log goes from {first:%Y-%m-%dT%H:%M:%S} to {last:%Y-%m-%dT%H:%M:%S} UTC",
        )
    return moment


def _parse_moment(text: str, day: date) -> datetime:
    try:
        found = datetime.combine(day, time.fromisoformat(text))
    except ValueError:
        try:
            found = datetime.fromisoformat(text)
        except ValueError as error:
            hint = "such as 14:05, or 2026-11-25T14:05, in UTC"
            raise UserError(f"--from {text} is no time", hint=hint) from error
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def iterate_due(
    recordings: Sequence[Recording], start: datetime | None = None
) -> Iterator[DueSentence]:
    """Yield the sentences from `start` on, file by file, without the silence between files."""
    at, last = 0.0, None
    for recording in recordings:
        newest = None
        for entry in reader.read(str(recording.file)):
            moment = recording.moment(entry.monotonic)
            if start is not None and moment < start:
                continue
            if newest is not None:
                at += max(0.0, (moment - newest).total_seconds())
            elif last is not None:
                at += min(max(0.0, (moment - last).total_seconds()), MAX_PAUSE_S)
            newest = moment if newest is None else max(newest, moment)
            yield DueSentence(at, moment, entry.origin, entry.raw)
        last = newest or last


async def play(
    sentences: Iterator[DueSentence],
    wires: Mapping[str, ReplayWire],
    pace: float,
    played: PlayedCounts,
) -> None:
    """Play each sentence on the wire of its link, `pace` times as fast as it was heard.

    Count in `played` on the way. Raise UserError if the other end of a wire closes.
    """
    loop = asyncio.get_running_loop()
    begin = loop.time()
    for due in sentences:
        wire = wires.get(due.origin)
        if wire is None:
            played.left_out[due.origin] += 1
            continue
        await asyncio.sleep(begin + due.at / pace - loop.time())
        taken = wire.carry(due.raw)
        (played.sent if taken else played.lost)[due.origin] += 1


def replay(
    recordings: Sequence[Recording],
    start: datetime | None,
    handles: Mapping[str, int],
    pace: float,
) -> PlayedCounts:
    """Play `recordings` from `start` on, on the wires with these descriptors, by link.

    Wait until a program has opened all of them, if they are terminals.
    """
    return asyncio.run(_replay(recordings, start, handles, pace))


async def _replay(
    recordings: Sequence[Recording],
    start: datetime | None,
    handles: Mapping[str, int],
    pace: float,
) -> PlayedCounts:
    ends = [handle for handle in handles.values() if os.isatty(handle)]
    if not all(map(is_open, ends)):
        with step("Waiting for a feed"):
            while not all(map(is_open, ends)):
                await asyncio.sleep(LOOK_INTERVAL_S)
    played = PlayedCounts()
    first, last = recordings[0], recordings[-1]
    begin = max(start or first.moment(first.begin), first.moment(first.begin))
    title = f"Playing {begin:%Y-%m-%d %H:%M:%S} to {last.moment(last.end):%Y-%m-%d %H:%M:%S} UTC"
    wires = {link: ReplayWire(link, handle) for link, handle in handles.items()}
    try:
        with step(title):
            await play(iterate_due(recordings, start), wires, pace, played)
            await asyncio.sleep(LINGER_S)
    finally:
        for wire in wires.values():
            wire.close()
    return played
