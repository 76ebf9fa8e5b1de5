# SPDX-License-Identifier: GPL-3.0-or-later
"""Pack AIS messages into encapsulated sentences (ITU-R M.1371, IEC 61162-1).

Widths, units and 'not available' values are from memory, checked against a reference library in
the tests.
"""

from __future__ import annotations

from collections.abc import Iterable

#: Characters of payload in one sentence: 82 less what is around it.
MAX_PAYLOAD_CHARS = 60

#: A field of a message: its value, and its width in bits.
Bits = tuple[int, int]

#: Values that mean 'not available'.
NO_LONGITUDE, NO_LATITUDE = 181 * 600_000, 91 * 600_000
NO_SPEED, NO_COURSE, NO_HEADING, NO_TURN = 1023, 3600, 511, -128


def text(data: bytes, chars: int) -> Bits:
    """Pack a text into characters of six bits. Padding ends it, and a character that AIS does
    not have becomes a question mark.
    """
    packed = 0
    padded = data.split(b"\0")[0].split(b"\xff")[0].split(b"@")[0].rstrip().upper()
    for char in padded[:chars].ljust(chars, b"@"):
        packed = packed << 6 | (char if 32 <= char < 96 else ord("?")) & 0x3F
    return packed, 6 * chars


def armour(fields: Iterable[Bits]) -> tuple[str, int]:
    """Write fields as characters of six bits each. Return them and the fill bits of the last.

    >>> armour([(1, 6), (0b11, 2)])
    ('1h', 4)
    """
    value = bits = 0
    for field, width in fields:
        value = value << width | field & (1 << width) - 1
        bits += width
    fill = -bits % 6
    value <<= fill
    codes = [value >> shift & 0x3F for shift in range(bits + fill - 6, -6, -6)]
    return "".join(chr(code + (48 if code < 40 else 56)) for code in codes), fill


def sentences(formatter: str, channel: str, sequence: int, fields: Iterable[Bits]) -> list[str]:
    """Make the sentences of one message, without talker and checksum.

    `sequence` (0 to 9) tells the parts of messages apart.
    """
    payload, fill = armour(fields)
    starts = range(0, len(payload), MAX_PAYLOAD_CHARS)
    total = len(starts)
    number = "" if total == 1 else str(sequence)
    return [
        f"{formatter},{total},{part},{number},{channel},"
        f"{payload[start : start + MAX_PAYLOAD_CHARS]},{fill if part == total else 0}"
        for part, start in enumerate(starts, start=1)
    ]
