# SPDX-License-Identifier: GPL-3.0-or-later
"""Read frames of NMEA 2000 by a reference library."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest

from provision.bench.simulation.nmea2000 import CAN_FRAME

nmea2000 = pytest.importorskip("nmea2000", reason="the reference library is not installed")


def decoded(frames: Iterable[bytes]) -> dict[int, dict[str, Any]]:
    """Return what the library reads in the frames, in its own units, by group."""
    decoder, found = nmea2000.NMEA2000Decoder(), {}
    for frame in frames:
        identifier, length, data = CAN_FRAME.unpack(frame)
        assert identifier & 0x80000000
        octets = " ".join(f"{byte:02X}" for byte in data[:length])
        message = decoder.decode(f" can0  {identifier & 0x1FFFFFFF:08X}   [{length}]  {octets}")
        if message:
            found[message.PGN] = {field.id: field.value for field in message.fields}
    return found
