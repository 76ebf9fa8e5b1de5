# SPDX-License-Identifier: GPL-3.0-or-later
"""Compose messages of a binary protocol, as a GNSS receiver sends that is not set to NMEA 0183.

The frame has two fixed octets, a class, a number, a length, a body, and the checksum of RFC 1145
(8-bit Fletcher). From memory, as common practice of binary GNSS protocols.
"""

from __future__ import annotations

from datetime import datetime
from random import Random

#: What `compose` is asked for, where a formatter stands otherwise.
BINARY = "binary"

_START = b"\xb5\x62"


def compose_binary(moment: datetime) -> bytes:
    """Return one message. Its body is drawn from the moment."""
    random = Random(moment.timestamp())  # noqa: S311
    size = random.randrange(8, 93)
    body = bytes((1, random.randrange(1, 4), size, 0)) + random.randbytes(size)
    low = high = 0
    for byte in body:
        low = (low + byte) & 0xFF
        high = (high + low) & 0xFF
    return _START + body + bytes((low, high))
