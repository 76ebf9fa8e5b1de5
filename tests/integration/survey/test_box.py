# SPDX-License-Identifier: GPL-3.0-or-later
"""The command on a laptop into which a boat's adapters are plugged."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from random import Random

import pytest

from provision.profile import load
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


@pytest.mark.parametrize("seed", [21, 22])
def test_a_hull_drawn_at_random_becomes_a_checked_profile(tmp_path: Path, seed: int) -> None:
    """From an empty folder, without editing a file."""
    hull, boats = draw("tern", Random(seed)), str(tmp_path / "boats")
    command = (sys.executable, "-m", "provision")
    new = ("survey", "--new", "tern", "--boats", boats, "--board", "x86-64", "--country", "NL")
    with plugged_in(hull, tmp_path) as box:
        done = box.run(*command, *new, "--json", cwd=Path.cwd())
        assert done.returncode == 0, done.stderr
        again = box.run(*command, "survey", "--into", "tern", "--boats", boats, cwd=Path.cwd())
    # What came once in one survey comes twice in another: at most a rate's guess is new.
    assert again.returncode == 0, again.stderr
    checked = box.run(*command, "check", "tern", "--boats", boats, cwd=Path.cwd())
    assert "error" not in checked.stdout, checked.stdout
    links = load.read(tmp_path / "boats/tern.yml").profile.serial_links
    named = {link.adapter.serial or link.adapter.port: link for link in links.values()}
    for name, adapter in hull.adapters.items():
        (instrument,) = adapter.instruments
        link = named.pop(adapter.serial or adapter.port, None)
        assert (link is not None) == instrument.powered, (name, kind_of(hull, name))
        if link:
            assert (link.baud, {*link.talks}) == (instrument.baud, {*instrument.talks})
            for formatter, rate in instrument.talks.items():
                assert link.talks[formatter] == pytest.approx(rate, rel=0.4)
    assert named == {}
