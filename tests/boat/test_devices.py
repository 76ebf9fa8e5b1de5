# SPDX-License-Identifier: GPL-3.0-or-later
"""Every link's name points at its own adapter, set up as the link needs it."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from provision.verify.heard import judge_missing_adapter, states_before
from provision.verify.job import Answers, Command, Conclude, Job, pairs, same

USB_DEVICE = re.compile(r"/(\d+-\d+(?:\.\d+)*)(?=/)")

#: Prints power/control of the USB device above the port that $0 names.
POWER = """
device=$(readlink -f "/sys/class/tty/$(basename "$(readlink -f "$0")")")
while [ -n "$device" ] && [ ! -e "$device/idVendor" ]; do device=${device%/*}; done
exec cat "$device/power/control"
"""


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    asked: dict[str, Command] = {
        "gettys": ["systemctl", "list-units", "--plain", "--no-legend", "serial-getty@*"],
    }
    for link, wired in job.profile["links"].items():
        if "can" in wired:
            asked[link] = ["ip", "-json", "-details", "link", "show", wired["can"]]
            continue
        device = f"/dev/boat/{link}"
        asked[f"{link} properties"] = ["udevadm", "info", "--query=property", "--name", device]
        asked[f"{link} speed"] = ["stty", "--file", device, "speed"]
        asked[f"{link} power"] = ["sh", "-c", POWER, device]
    return asked


@pytest.fixture(scope="module")
def properties(facts: Answers, profile: dict[str, Any]) -> dict[str, dict[str, str]]:
    links = [name for name, link in profile["links"].items() if "adapter" in link]
    return {link: pairs(facts[f"{link} properties"].output) for link in links}


@pytest.fixture
def plugged(link: str, properties: dict[str, dict[str, str]]) -> str:
    """Give the kernel's name of the link's port; test_adapter fails where there is none."""
    if not properties[link]:
        pytest.skip("the adapter is not there")
    return properties[link]["DEVNAME"].removeprefix("/dev/")


def test_adapter(
    link: str, properties: dict[str, dict[str, str]], job: Job, on_trial: bool, conclude: Conclude
) -> None:
    """/dev/boat/LINK is the adapter that the profile names."""
    found = properties[link]
    if found.get("SUBSYSTEM") != "tty":
        before = states_before(job.feed_before) if on_trial and job.feed_before else None
        conclude(judge_missing_adapter(link, before))
        return
    adapter = job.profile["links"][link]["adapter"]
    if adapter["serial"] is not None:
        same(found.get("ID_SERIAL_SHORT"), adapter["serial"], "the adapter's serial number")
    if adapter["interface"] is not None:
        interface = int(found["ID_USB_INTERFACE_NUM"], 16)
        same(interface, adapter["interface"], "the adapter's interface")
    if adapter["port"] is not None:
        port = USB_DEVICE.findall(found["DEVPATH"])[-1]
        same(port, adapter["port"], "the adapter's USB port")


@pytest.mark.usefixtures("plugged")
def test_speed(link: str, facts: Answers, profile: dict[str, Any]) -> None:
    """The port runs at the link's baud rate."""
    speed = facts[f"{link} speed"].ok().output.strip()
    assert speed == str(profile["links"][link]["baud"]), f"the port runs at {speed} baud"


@pytest.mark.usefixtures("plugged")
def test_stays_awake(link: str, facts: Answers) -> None:
    """The adapter is never suspended, since it would lose what comes in meanwhile."""
    same(facts[f"{link} power"].ok().output.strip(), "on", "the adapter's power control")


def test_no_login_prompt(plugged: str, facts: Answers) -> None:
    """No login prompt listens on an instrument's line."""
    running = [line.split()[0] for line in facts["gettys"].ok().lines]
    getty = f"serial-getty@{plugged}.service"
    assert getty not in running, f"{getty} runs there"


def test_can_interface(can_link: str, facts: Answers) -> None:
    """The interface is up, and runs at 250 kbit/s (ISO 11783-2 / NMEA 2000)."""
    (interface,) = json.loads(facts[can_link].ok().output)
    assert "UP" in interface["flags"], f"{interface['ifname']} is down"
    kind = interface["linkinfo"]
    # What stands in for a bus has no bit rate.
    if kind["info_kind"] != "vcan":
        rate = kind["info_data"]["bittiming"]["bitrate"]
        assert rate == 250_000, f"{interface['ifname']} runs at {rate} bit/s"
