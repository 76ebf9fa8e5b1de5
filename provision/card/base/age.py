# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell how old the packages of a base are, and from when on that is too old."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

_DAY_S = 86400

#: Days after which a base is old. Debian publishes a point release of its stable suite about every
#: two months (from memory): such a base lacks three of them. A choice of ours: a season.
OLD_DAYS = 180

#: Seconds since 1970 that no date of packages exceeds: the end of the year 9999.
_MAX_SECONDS = 253402300799


def read_date(facts: Mapping[str, object]) -> float | None:
    """Return the time of the packages in a base's facts, in seconds since 1970.

    `facts` is base.json, also as a boat sends it. Return None if they hold no such time.
    """
    built = facts.get("built")
    if isinstance(built, bool) or not isinstance(built, int | float):
        return None
    return float(built) if 0 < built <= _MAX_SECONDS else None


def count_days(date: float, now: float) -> int:
    """Return how many days old packages of `date` are, both in seconds since 1970."""
    return max(int((now - date) / _DAY_S), 0)


def is_old(date: float, now: float) -> bool:
    """Tell whether a new base should be built."""
    return count_days(date, now) > OLD_DAYS


def format_day(date: float) -> str:
    """Write the day, in UTC, of a time in seconds since 1970."""
    return f"{datetime.fromtimestamp(date, UTC):%Y-%m-%d}"


def describe_age(facts: Mapping[str, object], now: float) -> str:
    """Say in words how old a base is, such as: packages of 2026-11-26, 2 days old."""
    date = read_date(facts)
    if date is None:
        return "packages of an unknown date"
    days = count_days(date, now)
    return f"packages of {format_day(date)}, {days} day{'' if days == 1 else 's'} old"
