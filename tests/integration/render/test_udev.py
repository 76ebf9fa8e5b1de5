# SPDX-License-Identifier: GPL-3.0-or-later
"""udev itself reads the rules and says which adapter gets which name.

It runs over a made-up /sys with one chip of each family, in namespaces of its own.
"""

from __future__ import annotations

import re
from typing import Any

import pytest

from provision.render import render, write
from tests.support.over import aboard
from tests.support.render_rig import SECRETS, boat

from . import fake_usb

#: The device nodes that udevadm opens, and nothing else of this machine's.
ASK = """
set -e
mount -t tmpfs boat /mnt
for node in null urandom; do : > /mnt/$node; mount --bind /dev/$node /mnt/$node; done
mount --rbind /mnt /dev
mount -t tmpfs boat /sys
"$1" "$2" /sys > /run/ports
export SYSTEMD_DEVICE_VERIFY_SYSFS=0 SYSTEMD_LOG_LEVEL=debug
while read -r port path; do
    echo "##### $port"
    udevadm test --action=add "/sys/$path" 2>&1
done < /run/ports
"""

LINKS: dict[str, Any] = {
    "gnss": {"serial": "KW-GNSS-01"},
    "hub": {"port": "1-2.3"},
    "quad-first": {"serial": "KW-QUAD-02", "interface": 0},
    "quad-third": {"serial": "KW-QUAD-02", "interface": 2},
    "mult-first": {"port": "1-4", "interface": 0},
    "mult-second": {"serial": "KW-MULT-03", "interface": 1},
    "modem": {"serial": "KW-ACMS-04"},
}


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give what udev said of each port."""
    links = {name: {"adapter": adapter, "talks": ["RMC"]} for name, adapter in LINKS.items()}
    folder = tmp_path_factory.mktemp("udev")
    write(render(boat(folder, links=links), SECRETS), folder)
    done = aboard(folder / "tree", "sh", "-c", ASK, "sh", "python3", fake_usb.__file__)
    assert done.returncode == 0, done.stderr
    parts = re.split(r"^##### (.*)$", done.stdout, flags=re.MULTILINE)[1:]
    return dict(zip(parts[::2], parts[1::2], strict=True))


def test_each_link_names_its_own_adapter_and_no_other(answers: dict[str, str]) -> None:
    named = {
        port: set(re.findall(r"/dev/boat/([a-z0-9-]+)", devlinks[1]))
        for port, said in answers.items()
        if (devlinks := re.search(r"^ *DEVLINKS=(.*)$", said, re.MULTILINE))
    }
    assert {port: names for port, names in named.items() if names} == {
        "single/0/0": {"gnss"},
        "behind-hub/0/0": {"hub"},
        "interface-each/0/0": {"quad-first"},
        "interface-each/2/0": {"quad-third"},
        "ports-of-one-interface/0/0": {"mult-first"},
        "ports-of-one-interface/0/1": {"mult-second"},
        "modem-class/0/0": {"modem"},
    }


def test_adapters_neither_hold_bytes_back_nor_sleep(answers: dict[str, str]) -> None:
    assert set_to("latency_timer", "1", answers) == {
        port
        for port in answers
        if not port.endswith("/usb") and fake_usb.driver_of(port) == "ftdi_sio"
    }
    awake = {f"{name}/usb" for name in fake_usb.CHIPS}
    assert set_to("power/control", "on", answers) == awake


def set_to(attribute: str, value: str, answers: dict[str, str]) -> set[str]:
    """Devices whose attribute the rules write; newer udev says so in other words."""
    written = re.compile(rf"{attribute}(' writing '{value}'|\}}=\"{value}\")")
    return {port for port, said in answers.items() if written.search(said)}


def test_udev_finds_no_fault_with_the_rules(answers: dict[str, str]) -> None:
    for said in answers.values():
        faults = [line for line in said.splitlines() if "70-boat.rules" in line]
        assert not [line for line in faults if re.search(r"nvalid|nknown|[Ff]ailed|gnoring", line)]
        assert any("Reading rules file: /etc/udev/rules.d/70-boat.rules" in x for x in faults)
