# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the kernel's own table of radio rules: regulatory.db of wireless-regdb.

The format is from memory of the kernel's reader, net/wireless/reg.c. It is big-endian: magic,
version 20, then a list of countries that ends with a zero pointer. Pointers count in units of four
bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

TABLE_FILES = (Path("/lib/firmware/regulatory.db"), Path("/lib/firmware/regulatory.db-debian"))

_HEADER = struct.Struct(">4sI")
_COUNTRY = struct.Struct(">2sH")
_COLLECTION = struct.Struct(">BBB")
_RULE = struct.Struct(">BBHIII")
_VERSION = 20
_UNIT = 4


@dataclass(frozen=True)
class Rule:
    """Describe what is allowed in a part of the spectrum. Frequencies and width are in kHz."""

    start: int
    end: int
    width: int
    no_ofdm: bool
    indoor: bool
    radar: bool
    """Radar detection (DFS) is required."""
    no_initiate: bool
    """No access point may start here."""


Table = Mapping[str, Sequence[Rule]]


def parse(data: bytes) -> dict[str, list[Rule]]:
    """Return the rules of each country. Raise ValueError if `data` is not such a table."""
    try:
        magic, version = _HEADER.unpack_from(data)
        if magic != b"RGDB" or version != _VERSION:
            raise ValueError("not a regulatory database of version 20")
        table: dict[str, list[Rule]] = {}
        offset = _HEADER.size
        while True:
            country, pointer = _COUNTRY.unpack_from(data, offset)
            if not pointer:
                return table
            table[country.decode("ascii")] = _rules(data, pointer * _UNIT)
            offset += _COUNTRY.size
    except struct.error as error:
        raise ValueError("a regulatory database that breaks off") from error


def _rules(data: bytes, offset: int) -> list[Rule]:
    length, count, _region = _COLLECTION.unpack_from(data, offset)
    pointers = struct.unpack_from(f">{count}H", data, offset + length + length % 2)
    return [_rule(data, pointer * _UNIT) for pointer in pointers]


def _rule(data: bytes, offset: int) -> Rule:
    _length, flags, _power, start, end, width = _RULE.unpack_from(data, offset)
    return Rule(
        start,
        end,
        width,
        no_ofdm=bool(flags & 1),
        indoor=bool(flags & 2),
        radar=bool(flags & 4),
        no_initiate=bool(flags & 8),
    )


@cache
def read_installed() -> Table | None:
    """Return the table of this machine, or None if it has none."""
    for file in TABLE_FILES:
        try:
            return parse(file.read_bytes())
        except (OSError, ValueError):
            continue
    return None


def find_rule(rules: Sequence[Rule], centre: int) -> Rule | None:
    """Return the rule for a 20 MHz channel around `centre` (MHz), or None."""
    low, high = (centre - 10) * 1000, (centre + 10) * 1000
    inside = (rule for rule in rules if rule.start <= low and high <= rule.end)
    return next(inside, None)
