# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the verdict, times and lists of names as people read them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from provision.report.page import Mark, Section

_MONTHS = (
    "January February March April May June July August September October November December"
).split()


def need_somebody(sections: Sequence[Section], bad: int, item: str = "boat") -> str:
    """Write the verdict of a report in which `bad` of the sections need somebody."""
    if len(sections) == 1:
        return f"{sections[0].name} needs somebody"
    if bad == len(sections):
        return all_of(sections, "", "need somebody", item)
    return f"{bad} of {len(sections)} {item}s need{'s' if bad == 1 else ''} somebody"


def all_of(sections: Sequence[Section], one: str, several: str, item: str = "boat") -> str:
    """Write a verdict that is good for all sections, such as `All 3 boats are fit`."""
    if len(sections) == 1:
        return f"{sections[0].name} {one}"
    many = {0: "No", 2: "Both"}.get(len(sections), f"All {len(sections)}")
    return f"{many} {item}s {several}"


def count_bad(sections: Sequence[Section]) -> int:
    """Count the sections whose mark is trouble."""
    return sum(section.mark is Mark.TROUBLE for section in sections)


def day_and_time(seconds: float) -> str:
    """Write a time, in seconds since 1970, as `27 November 2026, 19:40 UTC`."""
    return f"{_day(seconds)}, {_clock(seconds)} UTC"


def from_to(start: float, end: float) -> str:
    """Write the time between two times of the day, with the day and how long it was."""
    until = "" if _clock(start) == _clock(end) else f" to {_clock(end)}"
    return f"{_day(start)}, {_clock(start)}{until} UTC, took {lasting(end - start)}"


def lasting(seconds: float) -> str:
    """Write how long something took."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    return f"{seconds // 60:.0f} min {seconds % 60:.0f} s"


def join(names: Sequence[str], most: int = 12) -> str:
    """Write names as a list, and count those beyond `most`."""
    shown = [*names[:most], *([f"{len(names) - most} more"] if len(names) > most else [])]
    return " and ".join(filter(None, (", ".join(shown[:-1]), shown[-1] if shown else "")))


def _day(seconds: float) -> str:
    day = datetime.fromtimestamp(seconds, UTC)
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def _clock(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%H:%M}"
