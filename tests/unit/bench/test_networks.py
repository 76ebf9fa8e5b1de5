# SPDX-License-Identifier: GPL-3.0-or-later
"""CAN links on the emulator: which controller is whose, and who plays on it."""

from __future__ import annotations

import base64
import re
from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from provision.bench.guest import inject
from provision.bench.hull.derive import derive
from provision.bench.qemu.build import can_networks
from provision.bench.qemu.machine import NetworkWire
from provision.bench.qemu.process import Emulator
from provision.boards import board
from tests.support import render_rig


@pytest.fixture
def emulator(tmp_path: Path) -> Emulator:
    kind = board("x86-64")
    wire = NetworkWire("10.0.2.0/24", "10.0.2.2", "10.0.2.3", ())
    return Emulator(kind, tmp_path, tmp_path / "disk", wire)


def test_the_boats_controllers_are_counted_first(emulator: Emulator) -> None:
    emulator.networks = ["backbone", "engine"]
    said = " ".join(emulator.command())
    buses = re.findall(r"kvaser_pci,canbus=bus-(\S+)", said)
    assert buses == ["backbone", "engine", "backbone", "engine"]
    assert said.index("-object can-bus,id=bus-engine") < said.index("kvaser_pci")


def test_players_have_the_controllers_behind_the_boats(tmp_path: Path) -> None:
    inject.smbios(board("x86-64"), tmp_path, ["backbone", "engine"])
    for link, interface in (("backbone", "can2"), ("engine", "can3")):
        name = f"systemd.extra-unit.bench-can-{link}.service"
        (_, text) = (tmp_path / f"credential-{name}").read_text().split("=", 1)
        unit = base64.b64decode(text).decode()
        assert f"/dev/virtio-ports/bench-can-{link} {interface}\n" in unit


def test_a_boat_without_a_network_gets_nothing(emulator: Emulator, tmp_path: Path) -> None:
    assert "can" not in " ".join(emulator.command())
    assert "bench.can" not in " ".join(inject.smbios(emulator.board, tmp_path))


def test_the_clock_chip_has_the_given_time(emulator: Emulator) -> None:
    assert "-rtc" not in emulator.command()
    emulator.date = datetime(2000, 1, 1, 3, tzinfo=timezone(timedelta(hours=2)))
    assert "-rtc base=2000-01-01T01:00:00" in " ".join(emulator.command())


@pytest.mark.parametrize(
    ("interfaces", "counted"),
    [
        ({"backbone": "can0"}, ["backbone"]),
        ({"engine": "can1", "backbone": "can0"}, ["backbone", "engine"]),
        ({"engine": "can1"}, []),
        ({"backbone": "can0", "engine": "vcan0"}, []),
        ({}, []),
    ],
)
def test_only_names_that_the_kernel_gives_can_be_had(
    interfaces: dict[str, str], counted: list[str]
) -> None:
    links = {name: {"can": can, "talks": ["heading"]} for name, can in interfaces.items()}
    gnss = {"gnss": {"adapter": {"serial": "A1"}, "talks": ["RMC"]}}
    assert can_networks(derive(render_rig.profile(links=gnss | links))) == counted
