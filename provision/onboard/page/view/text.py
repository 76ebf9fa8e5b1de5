# SPDX-License-Identifier: GPL-3.0-or-later
"""Write names and durations for people."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

#: Characters of a name that are shown.
MAX_NAME_CHARS = 64

#: Categories of Unicode that never reach a screen: control, format (with all marks that turn
#: text around), surrogate, private use and unassigned.
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Cn")


def clean(text: object, most: int = MAX_NAME_CHARS) -> str:
    """Return a text without characters that hide or turn around what stands beside them."""
    shown = "".join(c for c in str(text)[: 4 * most] if unicodedata.category(c) not in _HIDDEN)
    return shown if len(shown) <= most else f"{shown[: most - 1]}…"


def duration(seconds: float) -> str:
    """Write a time as a whole number of its largest unit: 5 s, 2 min, 3 h, 4 days."""
    for unit, size in (("day", 86400), ("h", 3600), ("min", 60)):
        if seconds >= size:
            count = int(seconds // size)
            return f"{count} {unit}{'s' if unit == 'day' and count > 1 else ''}"
    return f"{max(int(seconds), 0)} s"


def listed(names: Sequence[str]) -> str:
    """Join names as in a sentence.

    >>> listed(["gnss", "wind", "log"])
    'gnss, wind and log'
    """
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
