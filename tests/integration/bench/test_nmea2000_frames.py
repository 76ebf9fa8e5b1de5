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
from tests.support import render_rig
from tests.support.nmea2000_frames import decoded

MOMENT = datetime(2031, 3, 4, 5, 6, 7, 250_000, tzinfo=UTC)


@pytest.fixture
def profile():
    links = {"backbone": {"can": "can0", "talks": {"heading": 10, "position": 1}}}
    return render_rig.profile(links=links)


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
