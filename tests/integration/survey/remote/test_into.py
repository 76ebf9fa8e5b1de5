# SPDX-License-Identifier: GPL-3.0-or-later
"""What a survey hears over SSH corrects the boat's own profile, with the boat's own sockets."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from random import Random

import pytest

from provision.profile import load
from tests.support.hull import Talker, wire
from tests.support.hull_ports import Port, ports
from tests.support.push.netns_fleet import NetnsFleet, netns_fleet, profile

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can wire namespaces")

BOAT = "avocet"


def plug(fleet: NetnsFleet, port: Port, usb: str, serial: str = "") -> None:
    """Let the boat's kernel say of a port what it would say of an adapter's."""
    name = Path(port.device).name
    made = fleet.root(BOAT) / "srv/fake"
    interface = made / f"devices/{usb}/{usb}:1.0"
    interface.mkdir(parents=True)
    (interface / "bInterfaceNumber").write_text("00\n")
    (made / "tty" / name).mkdir(parents=True)
    (made / "tty" / name / "device").symlink_to(f"/srv/fake/devices/{usb}/{usb}:1.0")
    for key, value in (("idVendor", "1d6b"), ("idProduct", "0104"), ("serial", serial)):
        (interface.parent / key).write_text(f"{value}\n")


def show_plugged(fleet: NetnsFleet) -> None:
    child = fleet.root(BOAT).parent.name
    enter = ["nsenter", f"--target={child}", "--mount", "--root", "--wd=/", "--"]
    mount = ["mount", "--bind", "/srv/fake/tty", "/sys/class/tty"]
    subprocess.run([*enter, *mount], check=True)


def test_a_replaced_adapter_and_a_new_one(tmp_path: Path) -> None:
    """The GNSS receiver is now at a chip without a serial number, and at another baud rate."""
    wires = [
        wire(Random(1), Talker(9600, ("RMC",), 0.5)),
        wire(Random(2), Talker(4800, ("MWV",), 0.5)),
    ]
    with netns_fleet(tmp_path, {BOAT: profile(BOAT, 1)}) as fleet, ports(*wires) as made:
        fleet.switch_on([BOAT])
        plug(fleet, made[0], "1-1.4")
        plug(fleet, made[1], "1-1.2", "NEW-2")
        show_plugged(fleet)
        devices = [f"--device={port.device}" for port in made]
        done = fleet.provision("survey", BOAT, *devices, "--into", BOAT, "--yes", "--json")
        assert done.status == 0, done.errors
        boats = tmp_path / "boats"
        links = load.read(boats / f"{BOAT}.yml").profile.serial_links
        checked = fleet.provision("check", BOAT)
    assert {name: (str(link.adapter), link.baud) for name, link in links.items()} == {
        "gnss": ("port 1-1.4", 9600),
        "wind": ("serial NEW-2", 4800),
    }
    changes = json.loads(done.output)["profile"]["changes"]
    assert [one.partition(":")[0] for one in changes] == ["gnss", "gnss", "wind"]
    assert "error" not in checked.output
