# SPDX-License-Identifier: GPL-3.0-or-later
"""One list has all ports where a boat's own programs listen."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.profile import load
from provision.profile.listening import listening_ports
from provision.render.ports import collect_ports

INPUTS = """
page: true
inputs:
  bridge: {listen: 12000}
  sensor: {udp: 12001}
  radar: {multicast: [TGTD]}
  server: {tcp: "10.47.1.60:10110"}
"""


@pytest.fixture
def profile(tmp_path: Path) -> load.Profile:
    file = tmp_path / "kittiwake.yml"
    club = Path("boats/club.yml").read_text()
    (tmp_path / "club.yml").write_text(club)
    file.write_text(Path("boats/kittiwake.yml").read_text() + INPUTS)
    (tmp_path / "operator.pub").write_text("ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI" + "A" * 43)
    return load.read(file).profile


def test_each_port_has_its_key(profile: load.Profile) -> None:
    found = {one.key: (one.protocol, one.port) for one in listening_ports(profile)}
    assert found == {
        "page": ("tcp", 80),
        "feed.tcp": ("tcp", 10110),
        "inputs.bridge.listen": ("tcp", 12000),
        "inputs.sensor.udp": ("udp", 12001),
        "inputs.radar.multicast": ("udp", GROUPS["TGTD"][1]),
    }


def test_templates_get_them_by_protocol(profile: load.Profile) -> None:
    ports = collect_ports(profile)
    assert (ports.tcp, ports.udp) == ([80, 10110, 12000], [12001])
    assert ports.groups == [GROUPS["TGTD"]]
    assert ports.reserved == sorted({12000, 12001, GROUPS["TGTD"][1]})
