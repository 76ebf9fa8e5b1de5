# SPDX-License-Identifier: GPL-3.0-or-later
"""Each file passes the checker of the program that reads it, and a spoilt one does not."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.commands import run
from provision.profile.schema.types import MIN_RSA_BITS
from tests.support.over import aboard
from tests.support.render_rig import BOATS

Done = subprocess.CompletedProcess[str]


def succeeded(done: Done) -> bool:
    return done.returncode == 0


def silent(done: Done) -> bool:
    return done.returncode == 0 and not done.stdout + done.stderr


def got_to_the_radio(done: Done) -> bool:
    """hostapd reads all of its file first; here it then finds no radio to drive."""
    said = done.stdout + done.stderr
    return "driver" in said and not re.search(r"Line \d+|[Ii]nvalid|errors? found", said)


def read_the_link(done: Done) -> bool:
    """udev reads all such files before it finds none for the interface."""
    said = done.stdout + done.stderr
    return '"/etc/systemd/network/10-radio.link"' in said and "10-radio.link:" not in said


@dataclass(frozen=True)
class Checker:
    """Holds a file, a line that spoils it, and the program that notices."""

    file: str
    spoilt: str
    command: tuple[str, ...]
    passed: Callable[[Done], bool] = succeeded


#: The units that the base brings.
BASE_UNITS = Path(__file__).parents[3] / "provision/card/base/rootfs/usr/lib/systemd/system"


def with_base(root: Path) -> Path:
    """Return a boat's files with our own files of the base among them."""
    shutil.copytree(BASE_UNITS.parents[3] / "usr", root / "usr", dirs_exist_ok=True)
    return root


UNITS = (
    *("nftables", "hostapd", "dnsmasq", "chrony"),
    *("boat-feed", "boat-watch", "boat-stations", "boat-page"),
    *("boat-charts", "boat-charts-mount@", "boat-charts-stick@"),
)

#: Files that a boat has only where a tablet has a pass-phrase of its own, such as `full`.
OWN_PASS_PHRASES_ONLY = ("etc/systemd/system/boat-stations.service",)

#: Files that a boat has only with a page, such as `full` and `busy`.
PAGE_ONLY = tuple(f"etc/systemd/system/boat-page.{kind}" for kind in ("service", "socket"))

#: Files that a boat has only with charts, such as `full` and `busy`.
CHARTS_ONLY = (
    *(f"etc/systemd/system/boat-charts.{kind}" for kind in ("service", "socket")),
    *(f"etc/systemd/system/boat-charts-{what}@.service" for what in ("mount", "stick")),
)

CHECKERS = [
    Checker("etc/nftables.conf", "table inet {", ("nft", "-c", "-f", "/etc/nftables.conf")),
    Checker("etc/dnsmasq.conf", "dhcp-range=x", ("dnsmasq", "--test", "-C", "/etc/dnsmasq.conf")),
    Checker("etc/chrony/chrony.conf", "x", ("chronyd", "-p", "-f", "/etc/chrony/chrony.conf")),
    Checker("etc/ssh/sshd_config", "X yes", ("sshd", "-t")),
    Checker(
        "etc/hostapd/boat.conf",
        "ssid2=4",
        ("timeout", "5", "hostapd", "/etc/hostapd/boat.conf"),
        got_to_the_radio,
    ),
    Checker(
        "etc/systemd/network/10-radio.link",
        "[Link]\nNamePolicy=sometimes",
        ("udevadm", "test-builtin", "net_setup_link", "/sys/class/net/lo"),
        read_the_link,
    ),
    Checker(
        "etc/systemd/system/systemd-random-seed.service.d/boat.conf",
        "[Service]\nRestart=sometimes",
        ("systemd-analyze", "verify", "--man=no", "systemd-random-seed.service"),
        silent,
    ),
    Checker(
        "etc/systemd/system/boat-page.socket",
        "[Socket]\nFreeBind=sometimes",
        ("systemd-analyze", "verify", "--man=no", "/etc/systemd/system/boat-page.socket"),
        silent,
    ),
    Checker(
        "etc/systemd/system/boat-charts.socket",
        "[Socket]\nFreeBind=sometimes",
        ("systemd-analyze", "verify", "--man=no", "/etc/systemd/system/boat-charts.socket"),
        silent,
    ),
    *(
        Checker(
            f"etc/systemd/system/{unit}.service",
            "[Service]\nRestart=sometimes",
            ("systemd-analyze", "verify", "--man=no", f"/etc/systemd/system/{unit}.service"),
            silent,
        )
        for unit in UNITS
    ),
]


@pytest.mark.parametrize("boat", BOATS)
def test_every_checker_accepts_every_boats_files(tree: Callable[..., Path], boat: str) -> None:
    root = tree(**BOATS[boat])
    for checker in CHECKERS:
        optional = checker.file in (*OWN_PASS_PHRASES_ONLY, *PAGE_ONLY, *CHARTS_ONLY)
        if optional and not (root / checker.file).exists():
            continue
        done = aboard(root, *checker.command)
        assert checker.passed(done), (checker.file, done.stdout, done.stderr)


def test_sshd_refuses_the_keys_that_check_refuses(tree: Callable[..., Path]) -> None:
    """The file is read by sshd itself, whose own default is 1024 bits."""
    said = aboard(tree(), "sshd", "-T").stdout
    assert f"requiredrsasize {MIN_RSA_BITS}" in said.splitlines()


@pytest.mark.parametrize(("board", "lines"), [("x86-64", 1), ("bcm2711-rpi-4-b", 0)])
def test_frames_are_protected_where_the_board_can(
    tree: Callable[..., Path], board: str, lines: int
) -> None:
    text = (tree(board=board) / "etc/hostapd/boat.conf").read_text()
    assert text.splitlines().count("ieee80211w=1") == lines


@pytest.mark.parametrize("checker", CHECKERS, ids=lambda checker: checker.file)
def test_a_spoilt_file_is_noticed(tree: Callable[..., Path], checker: Checker) -> None:
    root = tree(**BOATS["full"])
    with (root / checker.file).open("a") as stream:
        stream.write(f"\n{checker.spoilt}\n")
    assert not checker.passed(aboard(root, *checker.command))


def test_every_unit_file_is_checked(tree: Callable[..., Path]) -> None:
    folder = tree(**BOATS["full"]) / "etc/systemd/system"
    files = {path.stem for path in folder.glob("*") if not path.is_symlink() and path.is_file()}
    assert files == set(UNITS)


def _udev_verifies() -> bool:
    return "verify" in run("udevadm", "--help").stdout


@pytest.mark.skipif(not _udev_verifies(), reason="this machine's udevadm is older than `verify`")
@pytest.mark.parametrize("boat", BOATS)
def test_udev_verifies_the_rules(tree: Callable[..., Path], boat: str) -> None:
    root = tree(**BOATS[boat])
    for file in sorted((root / "etc/udev/rules.d").iterdir()):
        rules = f"/etc/udev/rules.d/{file.name}"
        done = aboard(root, "udevadm", "verify", rules)
        assert done.returncode == 0, done.stderr
        with file.open("a") as stream:
            stream.write('KERNEL="a match key takes no value"\n')
        assert aboard(root, "udevadm", "verify", rules).returncode != 0


#: What each unit may leave open at most, in tenths of what systemd-analyze counts to 10.
EXPOSED = {
    "boat-feed": 20,
    "boat-stations": 20,
    "boat-page": 20,
    "boat-charts": 20,
    "boat-charts-mount@": 60,
    "boat-charts-stick@": 15,
    "boat-watch": 20,
    "dnsmasq": 25,
    "chrony": 25,
    "hostapd": 30,
    "nftables": 20,
    "boat-clock": 15,
    "boat-grow": 20,
    "boat-staged": 30,
}


def test_no_unit_of_ours_is_left_out() -> None:
    services = {path.stem for path in BASE_UNITS.glob("*.service")} | set(UNITS)
    assert set(EXPOSED) == services
    # What mounts a stick for others to see can have no mount namespace of its own.
    assert {unit for unit, most in EXPOSED.items() if most > 30} == {"boat-charts-mount@"}


@pytest.mark.parametrize("unit", EXPOSED)
@pytest.mark.parametrize("boat", ["full", "busy"])
def test_units_are_shut_in(tree: Callable[..., Path], unit: str, boat: str) -> None:
    if f"etc/systemd/system/{unit}.service" in OWN_PASS_PHRASES_ONLY:
        boat = "full"
    root = with_base(tree(**BOATS[boat]))
    folder = "/etc/systemd/system" if unit in UNITS else "/usr/lib/systemd/system"
    command = ["systemd-analyze", "security", "--offline=yes", f"--threshold={EXPOSED[unit]}"]
    done = aboard(root, *command, f"{folder}/{unit}.service")
    assert done.returncode == 0, done.stdout.splitlines()[-1]


@pytest.mark.parametrize("unit", sorted(path.name for path in BASE_UNITS.glob("boat-*.*")))
def test_the_bases_own_units_are_sound(tree: Callable[..., Path], unit: str) -> None:
    root = with_base(tree())
    file = root / f"usr/lib/systemd/system/{unit}"
    command = ("systemd-analyze", "verify", "--man=no", f"/usr/lib/systemd/system/{unit}")
    assert silent(aboard(root, *command))
    with file.open("a") as stream:
        stream.write("\n[Unit]\nRefuseManualStart=sometimes\n")
    assert not silent(aboard(root, *command))
