# SPDX-License-Identifier: GPL-3.0-or-later
"""Name a link by the instrument that is likely behind it."""

from __future__ import annotations

from collections.abc import Collection

from provision.survey.likely import BINARY, MANY_INSTRUMENTS, PLOTTER

#: Names by instrument. A sailor's word, short enough for a table.
NAMES = {
    "GNSS receiver": "gnss",
    BINARY: "gnss",
    "compass": "compass",
    "echo sounder": "depth",
    "wind instrument": "wind",
    "log": "log",
    "water thermometer": "water",
    "clock": "clock",
    "AIS receiver": "ais",
    "AIS transponder": "ais",
    "radio with DSC": "radio",
    "radar": "radar",
    "autopilot": "autopilot",
    "engine": "engine",
    "weather station": "weather",
    "transducers": "transducers",
    "weather text receiver": "texts",
    PLOTTER: "plotter",
    MANY_INSTRUMENTS: "instruments",
}
#: Of an instrument that no standard explains, and of a port that said nothing.
OTHER, UNKNOWN = "instrument", "unknown"

#: So many instruments on one wire have a name each. More of them are called instruments.
MAX_NAMED = 2


def link_name(looks_like: str, taken: Collection[str] = ()) -> str:
    """Return a name for a link that is not `taken`.

    >>> link_name("echo sounder and log"), link_name("GNSS receiver", {"gnss"}), link_name("")
    ('depth-log', 'gnss-2', 'unknown')
    """
    parts = [NAMES.get(part, OTHER) for part in looks_like.split(" and ") if part]
    short = list(dict.fromkeys(parts)) or [UNKNOWN]
    name = "-".join(short) if len(short) <= MAX_NAMED else NAMES[MANY_INSTRUMENTS]
    return unique_name(name, taken)


def unique_name(name: str, taken: Collection[str]) -> str:
    """Return a name, with a number behind if it is `taken`."""
    number, unique = 1, name
    while unique in taken:
        number += 1
        unique = f"{name}-{number}"
    return unique
