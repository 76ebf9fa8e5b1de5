# SPDX-License-Identifier: GPL-3.0-or-later
"""Setting up changes a newcomer's machine as little as it says.

A fresh Debian of this machine's suite, in a folder; an ordinary user in it sets the project up.
"""

from __future__ import annotations

import platform
from dataclasses import dataclass
from pathlib import Path

import pytest

from provision.card.base.apt_sources import find_mirrors
from provision.commands import run

REPOSITORY = Path(__file__).parents[2]

#: What a laptop has before: services of its own, and another user's subordinate ids.
BEFORE = "systemd,systemd-timesyncd,systemd-sysv,sudo,udev,python3,e2fsprogs,procps"

#: Run in the fresh root, by root; the user's own commands in between.
SCRIPT = """
set -eu
look() {
    systemctl list-unit-files --no-legend --state=enabled,enabled-runtime | sort > "/$1.units"
    dpkg-query -W -f '${Package}\\n' | sort > "/$1.packages"
    getent passwd | cut -d: -f1 | sort > "/$1.users"
    find /usr/lib/binfmt.d /etc/binfmt.d -name '*.conf' 2>/dev/null | sort > "/$1.formats"
}
useradd --create-home other
useradd --create-home sailor
echo 'other:100000:65536' | tee /etc/subuid > /etc/subgid
echo 'sailor ALL=(ALL) NOPASSWD: ALL' > /etc/sudoers.d/sailor
look before
cp -r /tools ~sailor/tools
chown -R sailor: ~sailor/tools
for twice in 1 2; do
    setpriv --reuid=sailor --regid=sailor --clear-groups --reset-env sh -ec '
        cd ~
        tools/packages
        tools/subordinate-ids
        tools/private-programs' > "/said.$twice" 2>&1 || { cat "/said.$twice"; exit 1; }
done
look after
sshd=~sailor/.programs/tree/usr/sbin/sshd
LD_LIBRARY_PATH=$(echo ~sailor/.programs/tree/usr/lib/*-linux-gnu) "$sshd" -V > /sshd.version 2>&1
cat /etc/subuid /etc/subgid > /ids
"""

FILES = (
    *(f"{when}.{what}" for when in ("before", "after")
      for what in ("units", "packages", "users", "formats")),
    "said.1", "said.2", "sshd.version", "ids",
)  # fmt: skip


@dataclass(frozen=True)
class Machine:
    """Holds what was found on the machine, by file: its lines."""

    found: dict[str, list[str]]

    def added(self, what: str) -> set[str]:
        return set(self.found[f"after.{what}"]) - set(self.found[f"before.{what}"])

    def gone(self, what: str) -> set[str]:
        return set(self.found[f"before.{what}"]) - set(self.found[f"after.{what}"])


@pytest.fixture(scope="module")
def machine(tmp_path_factory: pytest.TempPathFactory) -> Machine:
    work = tmp_path_factory.mktemp("machine")
    script = work / "script"
    script.write_text(SCRIPT)
    suite = platform.freedesktop_os_release()["VERSION_CODENAME"]
    run(
        "mmdebstrap",
        "--mode=unshare",
        "--variant=apt",
        f"--include={BEFORE}",
        f"--customize-hook=copy-in {REPOSITORY / 'tools'} {script} /",
        '--customize-hook=chroot "$1" sh /script',
        *(f"--customize-hook=download /{name} {work / name}" for name in FILES),
        suite,
        "/dev/null",
        *find_mirrors().lines(suite, ["main"]),
    )
    return Machine({name: (work / name).read_text().splitlines() for name in FILES})


def test_no_service_is_enabled_or_disabled(machine: Machine) -> None:
    assert machine.found["before.units"]
    assert (machine.added("units"), machine.gone("units")) == (set(), set())


def test_no_package_goes_and_no_service_comes(machine: Machine) -> None:
    assert machine.gone("packages") == set()
    assert "mmdebstrap" in machine.added("packages")
    servers = {"openssh-server", "chrony", "hostapd", "binfmt-support", "qemu-user-static"}
    assert machine.added("packages") & servers == set()


def test_no_foreign_architecture_is_registered(machine: Machine) -> None:
    assert machine.added("formats") == set()


def test_no_user_is_added(machine: Machine) -> None:
    assert machine.added("users") == set()


def test_subordinate_ids_are_nobody_elses(machine: Machine) -> None:
    assert machine.found["ids"] == ["other:100000:65536", "sailor:165536:65536"] * 2


def test_it_says_first_what_it_installs_and_nothing_the_second_time(machine: Machine) -> None:
    first = machine.found["said.1"]
    assert "mmdebstrap" in first[0] and "qemu-system-x86" in first[0]
    assert "tools/subordinate-ids: giving sailor the subordinate ids 165536-231071" in first
    assert machine.found["said.2"] == []


def test_what_the_tests_run_is_there_all_the_same(machine: Machine) -> None:
    assert any("OpenSSH" in line for line in machine.found["sshd.version"])
