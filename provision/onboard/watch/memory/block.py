# SPDX-License-Identifier: GPL-3.0-or-later
"""Write some minutes of an hour as JSON, and read them again from bytes that may be anything.

    {"boot": "1c4e...", "hour": 12, "from": 0, "there": "11...", "offset": 1795616691, "sure": true,
     "lost_power": false, "links": {"gnss": "hhhh..."}, "celsius": [41, 41, ...], ...}

`hour` counts from the start of the computer, `from` is the minute of the first sample. `offset`
added to seconds since that start gives seconds since 1970. A figure without any value is left out.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

from provision.onboard.watch.facts.sample import (
    FIGURES,
    MAX_FIGURE,
    MAX_LINKS,
    MAX_NAME_CHARS,
    NO_SAMPLE,
    STATES,
    UNKNOWN,
)
from provision.onboard.watch.memory.boots import Boot
from provision.onboard.watch.memory.hour import MINUTES, Hour

#: Hours that a computer may run without a start, and characters of a start's name.
MAX_HOUR, MAX_BOOT_CHARS = 24 * 366 * 20, 64

#: Seconds since 1970 that a time may have: the year 5138.
MAX_SECONDS = 10**11

_LETTERS = frozenset((STATES + UNKNOWN + NO_SAMPLE).encode())


@dataclass(frozen=True)
class Block:
    """Holds some minutes of an hour, from `start` on. `there` says which have a sample."""

    boot: Boot
    hour: int
    start: int
    there: bytes
    figures: Mapping[str, list[int | None]]
    links: Mapping[str, bytes]

    def put_into(self, hour: Hour, names: Collection[str]) -> None:
        """Put the minutes into their hour, of the links the ones with these names."""
        hour.there[self.start : self.start + len(self.there)] = self.there
        links = {name: self.links[name] for name in names if name in self.links}
        hour.put_columns(self.start, self.figures, links)


def write_block(boot: Boot, hour: Hour, start: int, end: int) -> bytes:
    """Return the minutes of an hour from `start` to before `end`, as one line."""
    parts = {name: column[start:end] for name, column in hour.figures.items()}
    figures = {
        name: part for name, part in parts.items() if any(value is not None for value in part)
    }
    links = {name: letters[start:end].decode() for name, letters in hour.links.items()}
    made = {
        "boot": boot.name,
        "hour": hour.number,
        "from": start,
        "there": hour.there[start:end].decode(),
        "offset": round(boot.offset),
        "sure": boot.sure,
        "lost_power": boot.lost_power,
        "links": links,
        **figures,
    }
    return json.dumps(made, separators=(",", ":")).encode() + b"\n"


def read_block(line: bytes) -> Block | None:
    """Return the block in a line. None for anything that `write_block` does not write."""
    try:
        return _parse(json.loads(line))
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None


def _parse(value: Mapping[str, Any]) -> Block | None:
    start, there, links = value["from"], value["there"].encode("ascii"), value["links"]
    length = len(there)
    if not isinstance(value["boot"], str):
        return None
    boot = Boot(
        value["boot"][:MAX_BOOT_CHARS],
        float(_whole(value["offset"], MAX_SECONDS)),
        sure=value["sure"] is True,
        lost_power=value["lost_power"] if isinstance(value["lost_power"], bool) else None,
    )
    fits = 0 <= _whole(start, MINUTES) < start + length <= MINUTES and set(there) <= set(b"1 ")
    if not fits or b"1" not in there or len(links) > MAX_LINKS or not boot.name:
        return None
    return Block(
        boot,
        _whole(value["hour"], MAX_HOUR),
        start,
        there,
        {name: _column(value[name], length) for name in FIGURES if name in value},
        {_name(name): _letters(letters, length) for name, letters in links.items()},
    )


def _whole(value: object, most: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not -most <= value <= most:
        raise ValueError(value)
    return value


def _column(values: list[object], length: int) -> list[int | None]:
    if not isinstance(values, list) or len(values) != length:
        raise ValueError(values)
    return [None if value is None else _whole(value, MAX_FIGURE) for value in values]


def _name(name: str) -> str:
    if not 0 < len(name) <= MAX_NAME_CHARS:
        raise ValueError(name)
    return name


def _letters(letters: str, length: int) -> bytes:
    found = letters.encode("ascii")
    if len(found) != length or not _LETTERS.issuperset(found):
        raise ValueError(letters)
    return found
