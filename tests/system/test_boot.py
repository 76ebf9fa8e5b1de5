# SPDX-License-Identifier: GPL-3.0-or-later
"""Starting: what is mounted, and which settings are chosen."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.support.boats import Virtual
from tests.system.faults.fault import until

#: Seconds from a kernel's failure to its restart, most of them its own 10; a busy machine takes
#: longer.
RESTART = 120

START = "cat /proc/sys/kernel/random/boot_id"


@dataclass(frozen=True)
class Restarted:
    """Hold a boat whose kernel failed once, and what was seen before that."""

    boat: Virtual
    start: str
    motd_of_the_base: str


def test_the_kept_settings_are_chosen(kittiwake: Virtual) -> None:
    """A fresh card boots what it was built with, and is not degraded."""
    said = kittiwake.chosen()
    assert said["choice"] == "kept"
    assert said["degraded"] is False
    assert said["sha256"] == kittiwake.club.open_boat("kittiwake").render().sha256


def test_the_feed_is_not_compiled_at_each_start(kittiwake: Virtual) -> None:
    """The base's compiled files are used, and only for the bytes that they were made from."""
    app = "/usr/lib/boat/provision/onboard/feed/daemon.py"
    look = (
        "PYTHONPATH=/usr/lib/boat python3 -B -P -v -c 'import provision.onboard.feed.daemon' 2>&1"
    )
    said = kittiwake.ask(look)
    imported = set(re.findall(r"import 'provision\.([a-z_.0-9]+)'", said))
    assert "onboard.feed.daemon" in imported
    assert len(re.findall(r"\.pyc matches /usr/lib/boat/provision/", said)) == len(imported) + 1
    kittiwake.ask(f"echo '# changed by a push' >> {app}")
    try:
        assert f"matches {app}" not in kittiwake.ask(look)
    finally:
        kittiwake.ask(f"sed -i '$d' {app}")


def test_the_name_service_listens_on_an_address_that_has_just_come(kittiwake: Virtual) -> None:
    """However close it follows the address: dnsmasq missed one in seven, and was deaf from then."""
    readd = "ip address {} 10.47.1.1/24 dev boat0"
    listening = "ss --no-header -ltun 'src 10.47.1.1 and sport 53' | wc -l"
    turn = f"{readd.format('del')}; sleep 0.05; {readd.format('add')}; sleep 0.5; {listening}"
    said = kittiwake.ask(f"for turn in $(seq 30); do {turn}; done")
    assert said.split() == ["2"] * 30


def test_no_program_gives_its_user_more(kittiwake: Virtual) -> None:
    """No file of the base is set-user-id or set-group-id, and on data such a bit does nothing."""
    assert kittiwake.ask("find / -xdev -type f -perm /6000") == ""
    options = set(kittiwake.ask("findmnt -n -o OPTIONS /data").strip().split(","))
    assert {"nosuid", "nodev", "noexec"} <= options


def test_the_kernel_has_the_parameters_of_its_file(kittiwake: Virtual) -> None:
    text = kittiwake.ask("cat /etc/sysctl.d/50-boat.conf")
    wanted = dict(re.findall(r"^([a-z0-9_.]+) = (\d+)$", text, re.MULTILINE))
    assert wanted["fs.protected_fifos"] == "2"
    files = [f"/proc/sys/{key.replace('.', '/')}" for key in wanted]
    found = kittiwake.ask(f"cat {' '.join(files)}").split()
    assert dict(zip(wanted, found, strict=True)) == wanted


def test_no_prompt(kittiwake: Virtual) -> None:
    """No console lets a user log in."""
    assert kittiwake.ask("pgrep -a getty", check=False) == ""


@pytest.fixture(scope="module")
def restarted(kittiwake: Virtual) -> Restarted:
    """Change the base, the data and the clock, and let the kernel fail: nothing is written then."""
    kittiwake.ask("echo changed > /etc/motd; rm /usr/bin/lsblk")
    motd = kittiwake.ask("cat /run/boat/base/etc/motd", check=False)
    kittiwake.ask("echo kept > /data/state/witness; sync /data/state/witness")
    kittiwake.ask("systemctl stop boat-clock.timer")  # or it remembers today, just now
    kittiwake.ask("touch -d '2031-05-06 07:08:09 UTC' /data/state/clock; sync")
    before, emulator = kittiwake.ask(START), kittiwake.bench.emulator
    emulator.qmp.command("query-status")  # what happened before is passed over
    kittiwake.ask("(sleep 1; echo c > /proc/sysrq-trigger) > /dev/null 2>&1 &")
    kittiwake.hang_up()
    emulator.qmp.wait_for("RESET", RESTART, guest=True)
    kittiwake.bench.wait_for_ssh()
    return Restarted(kittiwake, before, motd)


def test_a_kernel_that_fails_starts_again(restarted: Restarted) -> None:
    """A kernel that would limp on starts again, too: a dead thread's locks hang all others."""
    names = ("panic", "panic_on_oops", "softlockup_panic")
    found = restarted.boat.ask("cat " + " ".join(f"/proc/sys/kernel/{name}" for name in names))
    assert found.split() == ["10", "1", "1"]
    assert restarted.boat.ask(START) != restarted.start


def test_the_base_cannot_be_written(restarted: Restarted) -> None:
    """A change to / stays in RAM: it is gone with the power, and the card never saw it."""
    assert "changed" not in restarted.motd_of_the_base
    assert "changed" not in restarted.boat.ask("cat /etc/motd")
    restarted.boat.ask("test -x /usr/bin/lsblk")


def test_data_survives_and_has_grown(restarted: Restarted) -> None:
    """The last partition takes the room that the card has (the bench's has 4 GiB)."""
    boat = restarted.boat
    assert boat.ask("cat /data/state/witness") == "kept\n"
    boat.ask("systemctl is-active boat-grow.timer && systemctl start boat-grow.service")
    assert int(boat.ask("findmnt -b -n -o SIZE /data")) > 2 * 10**9


def test_the_clock_never_starts_before_the_last_time_known(restarted: Restarted) -> None:
    """A boat without a clock chip goes on from the time on its data partition."""
    try:
        booted = int(restarted.boat.ask("stat -c %Y /run/boat/settings.json"))
        assert booted >= 1935817689
    finally:
        restarted.boat.ask("touch -d @0 /data/state/clock; sync")


def test_a_spare_that_the_boat_made_starts(kittiwake: Virtual, tmp_path: Path) -> None:
    """The own card goes on meanwhile, and both could be in one computer."""
    stick = tmp_path / "stick.img"
    with stick.open("wb") as file:
        file.truncate(4 * 10**9)
    boat, emulator = kittiwake, kittiwake.bench.emulator
    boat.ask("echo spare > /data/state/witness; sync")
    emulator.put_stick(stick)
    until(lambda: "sda" in boat.ask("lsblk --noheadings --output NAME"), "the stick")
    told = json.loads(boat.ask("boat-settings spare /dev/sda"))
    emulator.pull_stick()
    kept = boat.status()["kept"]
    assert told["kept"] == kept
    with boat.club.launch(boat.name, stick) as spare:
        said = spare.chosen()
        assert (said["choice"], said["sha256"], said["degraded"]) == ("kept", kept, False)
        assert spare.ask("cat /data/state/witness") == "spare\n"
        assert len(spare.ask("lsblk --noheadings --list --output PARTUUID").split()) == 4
