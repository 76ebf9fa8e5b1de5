# SPDX-License-Identifier: GPL-3.0-or-later
"""The status reports the boat's health, and the state of its units."""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

from provision.onboard import settings as package
from provision.onboard.settings.live.health import read_health
from provision.onboard.settings.live.system import UnitState, _unit_state
from tests.support.settings.boat import Boat


def put(boat: Boat, path: str, text: str) -> None:
    file = boat.paths.live(path)
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)


def test_health_of_a_board(boat: Boat) -> None:
    put(boat, "/proc/meminfo", "MemTotal: 1000 kB\nMemAvailable:     640 kB\n")
    put(boat, "/sys/fs/ext4/any/errors_count", "3\n")
    put(boat, "/sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    put(boat, "/sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    put(boat, "/sys/class/hwmon/hwmon1/in0_lcrit_alarm", "1\n")
    assert read_health(boat.paths, boat.system) == {
        "data": {"mounted": True, "writable": True, "free_bytes": 2**30},
        "overlay": {"free_bytes": 2**30},
        "memory_available_bytes": 640 * 1024,
        "ext4_errors": 3,
        "undervoltage": True,
    }
    put(boat, "/sys/class/hwmon/hwmon1/in0_lcrit_alarm", "0\n")
    assert read_health(boat.paths, boat.system)["undervoltage"] is False


def test_health_where_the_kernel_says_nothing(boat: Boat) -> None:
    boat.system.unmounted.add("data")
    assert read_health(boat.paths, boat.system) == {
        "data": {"mounted": False, "writable": False, "free_bytes": None},
        "overlay": {"free_bytes": 2**30},
        "memory_available_bytes": None,
        "ext4_errors": None,
        "undervoltage": None,
    }


def block(**shown: str) -> UnitState:
    return _unit_state("\n".join(f"{key}={value}" for key, value in shown.items()))


#: As `systemctl show` of systemd 252 prints units in these states, recorded.
ACTIVE = {"Type": "exec", "LoadState": "loaded", "ActiveState": "active", "SubState": "running"}


@pytest.mark.parametrize(
    ("shown", "failed", "settling"),
    [
        (ACTIVE, False, False),
        ({**ACTIVE, "ActiveState": "failed", "SubState": "failed"}, True, False),
        ({**ACTIVE, "ActiveState": "activating", "SubState": "auto-restart"}, True, False),
        ({**ACTIVE, "ActiveState": "activating", "SubState": "start"}, False, True),
        ({**ACTIVE, "ActiveState": "inactive", "ConditionResult": "yes"}, True, False),
        ({**ACTIVE, "ActiveState": "inactive", "ConditionResult": "no"}, False, False),
        ({**ACTIVE, "ActiveState": "inactive", "Type": "oneshot"}, False, False),
        ({"LoadState": "not-found", "ActiveState": "inactive"}, True, False),
    ],
)
def test_units(shown: dict[str, str], failed: bool, settling: bool) -> None:
    state = block(**shown)
    assert (state.failed, state.settling) == (failed, settling)


def test_who_wants_a_unit() -> None:
    state = block(**ACTIVE, WantedBy="multi-user.target a.target", RequiredBy="", NRestarts="2")
    assert state.wanted_by == ("multi-user.target", "a.target")
    assert state.restarts == 2
    assert state.unproven
    assert state.running
    assert state.known


def test_only_the_standard_library_is_imported() -> None:
    """The base has nothing else, and this package must not reach outside of itself."""
    for source in Path(package.__path__[0]).rglob("*.py"):
        for node in ast.walk(ast.parse(source.read_text())):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                own = name.startswith("provision.onboard.settings")
                assert own or name.split(".")[0] in sys.stdlib_module_names, f"{source}: {name}"
