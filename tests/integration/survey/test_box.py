# SPDX-License-Identifier: GPL-3.0-or-later
"""The command on a laptop into which a boat's adapters are plugged."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from random import Random

import pytest

from tests.support.random_hull import draw, kind_of
from tests.support.usb_box import plugged_in


@pytest.mark.parametrize("seed", [11, 12])
def test_a_hull_drawn_at_random_is_found(tmp_path: Path, seed: int) -> None:
    hull = draw("kittiwake", Random(seed))
    with plugged_in(hull, tmp_path) as box:
        done = box.run(sys.executable, "-m", "provision", "survey", "--json", cwd=Path.cwd())
    ports = {port["port"]: port for port in json.loads(done.stdout)["ports"]}
    assert len(ports) == len(hull.adapters), done.stderr
    for name, adapter in hull.adapters.items():
        (instrument,) = adapter.instruments
        found = ports[adapter.port]
        assert found["serial"] == adapter.serial
        assert found["driver"] == "ftdi_sio"
        if instrument.powered:
            assert found["baud"] == instrument.baud, (name, kind_of(hull, name), found)
            heard = {address[2:] for address in found["sentences"]}
            assert heard == set(instrument.talks), (name, found)
        else:
            assert found["baud"] is None
            assert not found["noise"]
