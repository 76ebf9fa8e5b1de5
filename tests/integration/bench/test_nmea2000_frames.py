# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames of NMEA 2000 come whole over a link's socket."""

from __future__ import annotations

import socket
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from provision.bench.hull.derive import derive
from provision.bench.simulation.instruments import Instruments
from provision.bench.simulation.nmea2000 import CAN_FRAME
from provision.profile.schema.boat import Profile

nmea2000 = pytest.importorskip("nmea2000", reason="the reference library is not installed")

MOMENT = datetime(2031, 3, 4, 5, 6, 7, 250_000, tzinfo=UTC)


def decoded(frames):
    """What the library reads in the frames, in its own units, by group."""
    decoder, found = nmea2000.NMEA2000Decoder(), {}
    for frame in frames:
        identifier, length, data = CAN_FRAME.unpack(frame)
        assert identifier & 0x80000000
        said = " ".join(f"{byte:02X}" for byte in data[:length])
        message = decoder.decode(f" can0  {identifier & 0x1FFFFFFF:08X}   [{length}]  {said}")
        if message:
            found[message.PGN] = {field.id: field.value for field in message.fields}
    return found


@pytest.fixture
def profile():
    return Profile.model_validate(
        {
            "boat": "kittiwake",
            "board": "x86-64",
            "network": {
                "address": "10.47.1.1/24",
                "access_point": {"ssid": "Kittiwake", "country": "GB"},
            },
            "links": {"backbone": {"can": "can0", "talks": {"heading": 10, "position": 1}}},
            "access": {"keys": ["ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI" + "A" * 43]},
        }
    )


def test_frames_come_whole_over_the_links_socket(profile, tmp_path: Path):
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "backbone"))
        listening.listen(1)
        listening.settimeout(5)
        with Instruments(
            derive(profile), {"backbone": tmp_path / "backbone"}, date=MOMENT
        ) as instruments:
            connection, _ = listening.accept()
            connection.settimeout(5)
            heard = b""
            end = time.monotonic() + 2.5
            while time.monotonic() < end:
                heard += connection.recv(4096)
            assert instruments.now > MOMENT
            assert instruments.sent("backbone")["heading"] >= 10
    assert len(heard) % CAN_FRAME.size == 0
    frames = [heard[at : at + CAN_FRAME.size] for at in range(0, len(heard), CAN_FRAME.size)]
    assert {127250, 129025, 129026} <= decoded(frames).keys()
    groups = Counter(CAN_FRAME.unpack(frame)[0] >> 8 & 0x3FFFF for frame in frames)
    # Ten headings a second, and one position, whatever many frames that takes.
    assert 18 <= groups[127250] <= 27
    assert 2 <= groups[129025] <= 3
