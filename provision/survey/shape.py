# SPDX-License-Identifier: GPL-3.0-or-later
"""Read from the shape of bytes, received at a wrong baud rate, which baud rate is the right one.

A receiver that is k times too fast samples each bit k times: within a byte, no level lasts less
than k of its bits. A receiver that is too slow skips bits, so that its levels last single bits.
"""

from __future__ import annotations

from functools import lru_cache
from math import log

#: Baud rates in the order in which they are tried while nothing is known: that of IEC 61162-1,
#: that of IEC 61162-2, then the others.
BAUD_RATES = (4800, 38400, 9600, 115200, 19200, 57600, 2400, 1200)

#: A byte holds a level for nine bits at most: its start bit and eight data bits.
MAX_LEVEL_BITS = 9

#: The share of levels that may be shorter than the talker's bits: noise, wrong bytes.
SHORT_SHARE = 0.05

_TEXT = bytes(range(0x20, 0x7F)) + b"\r\n"


@lru_cache(maxsize=256)
def _levels(byte: int) -> tuple[int, ...]:
    """Return the lengths, in bits, of the levels of one byte whose both edges were seen.

    >>> _levels(0b11110000), _levels(0), _levels(0b01010101)
    ((5,), (), (1, 1, 1, 1, 1, 1, 1, 1))
    """
    lengths, level, length = [], 0, 1
    for bit in range(8):
        value = byte >> bit & 1
        if value == level:
            length += 1
        else:
            lengths.append(length)
            level, length = value, 1
    return tuple(lengths)


def bit_length(data: bytes) -> int | None:
    """Return how many of the receiver's bits one bit of the talker lasts. None without bytes.

    1 also means that the talker is faster than the receiver. More than `MAX_LEVEL_BITS` means that
    no byte holds a whole level.
    """
    if not data:
        return None
    lengths = sorted(length for byte in data for length in _levels(byte))
    # Without edges inside, most bytes hold one level alone.
    if len(lengths) * 10 < len(data):
        return MAX_LEVEL_BITS + 1
    return lengths[int(len(lengths) * SHORT_SHARE)]


def rank(candidates: tuple[int, ...], baud: int, bits: int | None) -> list[int]:
    """Sort candidates, the likeliest first, by the `bit_length` of bytes received at `baud`."""
    ordered = [rate for rate in BAUD_RATES if rate in candidates]
    if bits is None:
        return ordered
    if bits == 1:
        return sorted(ordered, key=lambda rate: rate < baud)
    return sorted(ordered, key=lambda rate: abs(log(rate * bits / baud)))


def text_share(data: bytes) -> float:
    """Return the share of bytes that a sentence may hold, 0.0 to 1.0. 0.0 without bytes."""
    return 1 - len(data.translate(None, _TEXT)) / len(data) if data else 0.0


def _upright(byte: int) -> int:
    return ~(byte >> 1) & 0x7F if byte & 1 else 0x7F


_UPRIGHT = bytes(map(_upright, range(256)))


def upright(data: bytes) -> bytes:
    r"""Return the characters of a line with inverted polarity, in which `data` was received.

    A receiver takes the inverted stop bit of the character before for a start bit, because the
    high bit of text, inverted, stands before it. The inverted start bit then is the lowest bit
    of what it reads, and the inverted high bit is its stop bit. A byte that does not fit this
    becomes DEL, which no sentence holds.

    >>> upright(bytes((~character << 1 | 1) & 0xFF for character in b"$GPRMC"))
    b'$GPRMC'
    """
    return data.translate(_UPRIGHT)
