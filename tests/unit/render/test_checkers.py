# SPDX-License-Identifier: GPL-3.0-or-later
"""Each file passes the checker of the program that reads it, and a spoilt one does not."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.run import run

from .conftest import BOATS, aboard

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
    """A file, a line that spoils it, and the program that notices."""

    file: str
    spoilt: str
    command: tuple[str, ...]
    passed: Callable[[Done], bool] = succeeded


UNITS = ("nftables", "hostapd", "dnsmasq", "chrony", "boat-feed", "boat-stations")

#: Files that a boat has only where a tablet has a pass-phrase of its own, such as `full`.
OWN_PASS_PHRASES_ONLY = ("etc/systemd/system/boat-stations.service",)

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
        if checker.file in OWN_PASS_PHRASES_ONLY and not (root / checker.file).exists():
            continue
        done = aboard(root, *checker.command)
        assert checker.passed(done), (checker.file, done.stdout, done.stderr)


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
    rules = "/etc/udev/rules.d/70-boat.rules"
    done = aboard(root, "udevadm", "verify", rules)
    assert done.returncode == 0, done.stderr
    with (root / rules.lstrip("/")).open("a") as stream:
        stream.write('KERNEL="a match key takes no value"\n')
    assert aboard(root, "udevadm", "verify", rules).returncode != 0


#: What each unit may leave open at most, in tenths of what systemd-analyze counts to 10.
EXPOSED = {
    "boat-feed": 20,
    "boat-stations": 20,
    "dnsmasq": 25,
    "chrony": 25,
    "hostapd": 32,
    "nftables": 45,
}


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("boat", ["full", "busy"])
def test_units_are_shut_in(tree: Callable[..., Path], unit: str, boat: str) -> None:
    file = f"/etc/systemd/system/{unit}.service"
    if file.lstrip("/") in OWN_PASS_PHRASES_ONLY:
        boat = "full"
    command = ["systemd-analyze", "security", "--offline=yes", f"--threshold={EXPOSED[unit]}", file]
    done = aboard(tree(**BOATS[boat]), *command)
    assert done.returncode == 0, done.stdout.splitlines()[-1]
