# SPDX-License-Identifier: GPL-3.0-or-later
"""Parse durations on the command line: 90, 90 s, 5m, 5 min, 2 h."""

from __future__ import annotations

from collections.abc import Callable

import typer

#: Seconds. Besides the profile's units `m`, which there is no doubt about in a duration.
_UNITS = {"s": 1, "min": 60, "m": 60, "h": 3600, "days": 86400, "day": 86400, "d": 86400}


def between(min_s: float, max_s: float, words: str) -> Callable[[str], float]:
    """Make a parser of durations in seconds. `words` say which are allowed."""

    def duration(text: str) -> float:
        from provision.profile.schema.types import InvalidValue, Quantity

        units = Quantity(_UNITS, "a duration", "90 s, 5 min or 2 h")
        written = str(text).strip()
        if written.startswith("-"):
            raise typer.BadParameter(f"{written} is out of range: {words}")
        try:
            seconds = units.read(written if written[-1:].isalpha() else f"{written} s")
        except InvalidValue as error:
            raise typer.BadParameter(f"{written!r} is not a duration: {error.hint}") from None
        if not min_s <= seconds <= max_s:
            raise typer.BadParameter(f"{text} is out of range: {words}")
        return seconds

    return duration
