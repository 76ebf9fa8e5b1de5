# SPDX-License-Identifier: GPL-3.0-or-later
"""Write a day of a voyage log as a GPX track, or as plain sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime

import gpxpy.gpx

from provision.errors import UserError
from provision.voyages.days import Entry
from provision.voyages.position import Fix, read_fix

#: Seconds between two fixes from which on the track has a gap.
GAP_S = 120.0


def sentences(entries: Iterable[Entry]) -> bytes:
    """Write sentences as they were heard, one a line."""
    return b"".join(entry.raw for entry in entries)


def choose_source(entries: Iterable[Entry]) -> str:
    """Return the origin with the most fixes. UserError without any."""
    counts = Counter(entry.origin for entry in entries if read_fix(entry.raw))
    if not counts:
        raise UserError(
            "the log has no fix of that day",
            hint="fixes are read from RMC sentences; --sentences writes all that was heard",
        )
    return min(counts, key=lambda origin: (-counts[origin], origin))


def track(entries: Iterable[Entry], source: str, name: str, every: float) -> str:
    """Write the fixes of one source as GPX 1.1, one in `every` seconds, in UTC."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "provision"
    drawn = gpxpy.gpx.GPXTrack(name=name)
    gpx.tracks.append(drawn)
    last = float("-inf")
    for entry in entries:
        fix = read_fix(entry.raw) if entry.origin == source else None
        if fix is None or 0 <= entry.time - last < every:
            continue
        if not drawn.segments or not 0 <= entry.time - last <= GAP_S:
            drawn.segments.append(gpxpy.gpx.GPXTrackSegment())
        drawn.segments[-1].points.append(_point(entry.time, fix))
        last = entry.time
    return gpx.to_xml(version="1.1")


def _point(time: float, fix: Fix) -> gpxpy.gpx.GPXTrackPoint:
    return gpxpy.gpx.GPXTrackPoint(
        latitude=round(fix.north, 7),
        longitude=round(fix.east, 7),
        time=datetime.fromtimestamp(round(time, 1), UTC),
    )
