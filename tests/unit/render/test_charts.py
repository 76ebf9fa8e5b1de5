# SPDX-License-Identifier: GPL-3.0-or-later
"""A boat with charts carries what reads sticks and offers them, and a boat without does not."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from provision.onboard.charts import config as charts_config
from provision.onboard.charts.stick.mount import OPTIONS, POINTS
from provision.onboard.feed.voyage_log.files import MIN_FREE_BYTES
from provision.onboard.watch.memory.files import CAP_BYTES
from tests.support.profiles import change, errors_of, kittiwake
from tests.support.render_rig import BOATS, Render, text

__all__ = ["kittiwake"]

UNITS = "/etc/systemd/system"
STICK = f"{UNITS}/boat-charts-stick@.service"
MOUNT = f"{UNITS}/boat-charts-mount@.service"
RULES = "/etc/udev/rules.d/71-boat-charts.rules"


def test_a_boat_without_charts_carries_none_of_it(rendered: Render) -> None:
    settings = rendered(page=True)
    assert [path for path in settings.files if "charts" in path and "/page/" not in path] == []
    assert "boat-charts" not in text(settings, "/etc/boat/manifest.json")
    assert "8080" not in text(settings, "/etc/nftables.conf")


def test_a_boat_without_charts_keeps_its_digest(rendered: Render) -> None:
    plain, with_charts = rendered(), rendered(charts={})
    assert plain.manifest["profile"] != with_charts.manifest["profile"]
    assert plain.archive == rendered(charts=None).archive


def test_the_program_reads_its_configuration(tree: Callable[..., Path]) -> None:
    root = tree(**BOATS["busy"])
    read = charts_config.load(str(root / "etc/boat/charts.json"))
    assert (read.folder, read.cap) == ("/data/charts", 4 * 10**9)
    assert read.reserve == MIN_FREE_BYTES + CAP_BYTES + int(1.5 * 10**9)
    assert read.hosts == tuple(
        f"{name}:8080" for name in ("10.47.1.1", "kittiwake", "kittiwake.boat", "kittiwake.local")
    )


def test_charts_are_reached_on_the_boats_own_address_alone(rendered: Render) -> None:
    settings = rendered(charts={}, network={"wired": "shore"})
    assert "\nListenStream=10.47.1.1:8080\n" in text(settings, f"{UNITS}/boat-charts.socket")
    rules = text(settings, "/etc/nftables.conf")
    assert "8080" in rules.partition("chain aboard")[2].partition("}\n")[0]
    assert "8080" not in rules.partition("chain shore")[2].partition("chain forward")[0]


def test_udev_starts_a_copy_for_file_systems_of_usb_disks_alone(rendered: Render) -> None:
    """Every kind that the rule names has options to be mounted by, and the other way round."""
    rules = text(rendered(charts={}), RULES)
    (line,) = [line for line in rules.splitlines() if "SYSTEMD_WANTS" in line]
    kinds = re.search(r'ENV\{ID_FS_TYPE\}=="([^"]*)"', line)
    assert kinds is not None and set(kinds[1].split("|")) == set(OPTIONS)
    before = rules.partition(line)[0]
    for other in ('SUBSYSTEM!="block"', 'ENV{ID_BUS}!="usb"', 'ENV{ID_FS_USAGE}!="filesystem"'):
        assert f'{other}, GOTO="boat_charts_end"' in before


def test_a_keyboard_in_disguise_gets_no_driver(rendered: Render) -> None:
    (line,) = [
        line for line in text(rendered(charts={}), RULES).splitlines() if "authorized" in line
    ]
    assert 'ENV{DEVTYPE}=="usb_interface", ATTR{bInterfaceClass}=="03"' in line
    assert 'ATTR{authorized}="0"' in line


def test_the_copy_has_no_rights_and_comes_last(rendered: Render) -> None:
    lines = text(rendered(charts={}), STICK).splitlines()
    for wanted in (
        *("DynamicUser=yes", "PrivateNetwork=yes", "PrivateDevices=yes", "CapabilityBoundingSet="),
        *("IOSchedulingClass=idle", "CPUQuota=50%", "MemoryMax=96M", "BindsTo=dev-%i.device"),
        "ReadWritePaths=-/data/charts /run/boat-charts",
    ):
        assert wanted in lines
    # What root does for moments is another unit's.
    starts = [line for line in lines if line.startswith("Exec")]
    assert starts == ["ExecStart=/usr/bin/boat-charts --copy %I"]
    assert "Requires=boat-charts-mount@%i.service" in lines
    assert not str(POINTS).startswith("/run/boat-charts/")


def test_what_mounts_a_stick_has_no_mount_namespace(rendered: Render) -> None:
    """With one, the stick would be mounted for itself alone (systemd.exec(5))."""
    lines = text(rendered(charts={}), MOUNT).splitlines()
    asking = (
        "Private",
        "Protect",
        "ReadOnly",
        "ReadWrite",
        "Inaccessible",
        "Dynamic",
        "TemporaryF",
    )
    assert [line for line in lines if line.startswith(asking)] == []
    assert "StopWhenUnneeded=yes" in lines


def test_the_program_aboard_is_whole(tree: Callable[..., Path]) -> None:
    """It starts from the archive alone, with nothing of this checkout in reach."""
    root = tree(charts={})
    code = (
        "from provision.onboard.charts import config, state;"
        "from provision.onboard.charts.keep import copy;"
        "from provision.onboard.charts.serve import server;"
        "from provision.onboard.charts.__main__ import main; main(['--help'])"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code],
        env={"PYTHONPATH": str(root / "usr/lib/boat"), "PYTHONDONTWRITEBYTECODE": "1"},
        cwd="/",
        capture_output=True,
        text=True,
        check=True,
    )
    assert "boat-charts" in done.stdout
    started = (root / "usr/bin/boat-charts").read_text()
    assert started.startswith("#!/bin/sh\n") and "provision.onboard.charts" in started


def test_a_changed_cap_restarts_nothing_but_charts(rendered: Render) -> None:
    reload = json.loads(text(rendered(charts={}), "/etc/boat/manifest.json"))["reload"]
    acted = [one["unit"] for one in reload if "/etc/boat/charts.json" in one["paths"]]
    assert acted == ["boat-charts.service"]


def test_nothing_else_has_the_charts_port(kittiwake: Path) -> None:
    change(kittiwake, ("links:\n", "charts: {}\ninputs: {guests: {listen: 8080}}\nlinks:\n"))
    messages = [error.message for error in errors_of(kittiwake)]
    assert "TCP port 8080 is taken by charts already" in messages


def test_a_cap_has_a_sense(kittiwake: Path) -> None:
    change(kittiwake, ("links:\n", "charts: {cap: 9 MB}\nlinks:\n"))
    (error,) = errors_of(kittiwake)
    assert "9 MB are too few for charts" in error.message
