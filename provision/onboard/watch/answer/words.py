# SPDX-License-Identifier: GPL-3.0-or-later
"""Write durations and sizes in words."""

from __future__ import annotations


def minutes_of(count: int) -> str:
    """Write minutes for people.

    >>> minutes_of(1), minutes_of(150), minutes_of(6000)
    ('1 minute', '2.5 hours', '4.2 days')
    """
    for unit, size in (("day", 1440), ("hour", 60), ("minute", 1)):
        if count >= 2 * size or size == 1:
            number = f"{count / size:.1f}".removesuffix(".0")
            return f"{number} {unit}{'' if number == '1' else 's'}"
    return ""


def size_of(kib: int) -> str:
    """Write KiB in the usual unit.

    >>> size_of(500), size_of(20480)
    ('500 KiB', '20 MiB')
    """
    if kib < 2 * 1024:
        return f"{kib} KiB"
    return f"{kib / 1024:.0f} MiB" if kib < 10 * 2**20 else f"{kib / 2**20:.0f} GiB"
