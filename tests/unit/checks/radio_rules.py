# SPDX-License-Identifier: GPL-3.0-or-later
"""Give tests a table of radio rules, as the kernel would have it."""

from __future__ import annotations

import struct


def rules(*spans: tuple[int, int, int]) -> bytes:
    """Return a regulatory database with one country, GB; spans are start and end in MHz, flags."""
    country, collection = 8, 16
    data = b"RGDB" + struct.pack(">I2sH2sH", 20, b"GB", collection // 4, b"\0\0", 0)
    assert len(data) == country + 8
    first = (collection + 4 + 2 * len(spans) + 3) // 4
    data += struct.pack(">BBBx", 3, len(spans), 0)
    data += b"".join(struct.pack(">H", first + 4 * number) for number in range(len(spans)))
    data = data.ljust(first * 4, b"\0")
    for start, end, flags in spans:
        data += struct.pack(">BBHIII", 16, flags, 2000, start * 1000, end * 1000, 40000)
    return data


#: 2.4 GHz up to channel 13; 5 GHz indoors, then with radar detection, then no access points.
EUROPE = rules((2400, 2484, 0), (5150, 5250, 2), (5250, 5350, 4 | 2), (5725, 5850, 8))
