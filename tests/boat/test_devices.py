# SPDX-License-Identifier: GPL-3.0-or-later
"""Every link's name points at its own adapter, set up as the link needs it."""

from __future__ import annotations

import re
from typing import Any

import pytest

from provision.push.suite import Answer, pairs

USB_DEVICE = re.compile(r"/\d+-\d+(\.\d+)*(?=/)")


@pytest.fixture(scope="module")
def facts(aboard: Any, profile: dict[str, Any]) -> dict[str, Answer]:
    commands = {"gettys": ["systemctl", "list-units", "--plain", "--no-legend", "serial-getty@*"]}
    for link in profile["links"]:
        device = f"/dev/boat/{link}"
        commands[f"{link} properties"] = ["udevadm", "info", "--query=property", "--name", device]
        commands[f"{link} speed"] = ["stty", "--file", device, "speed"]
    return aboard(commands)


@pytest.fixture(scope="module")
def properties(facts: dict[str, Answer], profile: dict[str, Any]) -> dict[str, dict[str, str]]:
    return {link: pairs(facts[f"{link} properties"].output) for link in profile["links"]}


@pytest.fixture(scope="module")
def power(aboard: Any, properties: dict[str, dict[str, str]]) -> dict[str, Answer]:
    """Each adapter's power/control, from the USB device above the port."""
    commands = {}
    for link, found in properties.items():
        usb = list(USB_DEVICE.finditer(found.get("DEVPATH", "")))
        if usb:
            device = found["DEVPATH"][: usb[-1].end()]
            commands[link] = ["cat", f"/sys{device}/power/control"]
    return aboard(commands) if commands else {}


def test_adapter(link: str, properties: dict[str, dict[str, str]], profile: dict[str, Any]) -> None:
    """/dev/boat/LINK is the adapter that the profile names."""
    found = properties[link]
    assert found.get("SUBSYSTEM") == "tty", f"/dev/boat/{link} is not there"
    adapter = profile["links"][link]["adapter"]
    if adapter["serial"] is not None:
        assert found["ID_SERIAL_SHORT"] == adapter["serial"]
    if adapter["interface"] is not None:
        assert int(found["ID_USB_INTERFACE_NUM"], 16) == adapter["interface"]
    if adapter["port"] is not None:
        usb = list(USB_DEVICE.finditer(found["DEVPATH"]))
        assert usb[-1].group().strip("/") == adapter["port"]


def test_speed(
    link: str,
    facts: dict[str, Answer],
    properties: dict[str, dict[str, str]],
    profile: dict[str, Any],
) -> None:
    """The port runs at the link's baud rate."""
    if not properties[link]:
        pytest.skip("test_adapter says that the adapter is not there")
    assert facts[f"{link} speed"].ok().output.strip() == str(profile["links"][link]["baud"])


def test_stays_awake(link: str, power: dict[str, Answer]) -> None:
    """The adapter is never suspended, since it would lose what comes in meanwhile."""
    if link not in power:
        pytest.skip("test_adapter says that the adapter is not there")
    assert power[link].ok().output.strip() == "on"


def test_no_login_prompt(link: str, facts: dict[str, Answer], properties: Any) -> None:
    """No login prompt listens on an instrument's line."""
    name = properties[link].get("DEVNAME", "").removeprefix("/dev/")
    running = [line.split()[0] for line in facts["gettys"].ok().lines]
    assert f"serial-getty@{name}.service" not in running
