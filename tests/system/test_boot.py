# SPDX-License-Identifier: GPL-3.0-or-later
"""Starting: what is mounted, which settings are chosen, and what a broken card still does."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.card.layout import Layout
from provision.run import run
from tests.system.boats import Club, Virtual

Launch = Callable[..., Virtual]


def chosen(boat: Virtual) -> dict[str, object]:
    """What the initramfs said."""
    found: dict[str, object] = json.loads(boat.ask("cat /run/boat/settings.json"))
    return found


def test_the_kept_settings_are_chosen(kittiwake: Virtual) -> None:
    """A fresh card boots what it was built with, and is not degraded."""
    said = chosen(kittiwake)
    assert said["choice"] == "kept"
    assert said["degraded"] is False
    assert said["sha256"] == kittiwake.club.target("kittiwake").render().sha256


def test_only_data_is_writable(kittiwake: Virtual) -> None:
    """Of what lies on the card, nothing but data is mounted writable."""
    mounts = [line.split() for line in kittiwake.ask("cat /proc/mounts").splitlines()]
    card = {
        where: options.split(",") for what, where, _, options, *_ in mounts if "/dev/vd" in what
    }
    assert {where for where, options in card.items() if "rw" in options} == {"/data"}
    (root,) = [kind for _, where, kind, *_ in mounts if where == "/"]
    assert root == "overlay"


def test_the_base_cannot_be_written(kittiwake: Virtual) -> None:
    """A change to / stays in RAM: it is gone with the power, and the card never saw it."""
    kittiwake.ask("echo changed > /etc/motd; rm /usr/bin/lsblk")
    assert "changed" not in kittiwake.ask("cat /run/boat/base/etc/motd", check=False)
    kittiwake.power_cycle()
    assert "changed" not in kittiwake.ask("cat /etc/motd")
    kittiwake.ask("test -x /usr/bin/lsblk")


def test_data_survives_and_has_grown(kittiwake: Virtual) -> None:
    """The last partition takes the room that the card has (the bench's has 4 GiB)."""
    kittiwake.ask("echo kept > /data/state/witness; sync /data/state/witness")
    kittiwake.power_cycle()
    assert kittiwake.ask("cat /data/state/witness") == "kept\n"
    size = int(kittiwake.ask("findmnt -b -n -o SIZE /data"))
    assert size > 2 * 10**9


def test_no_prompt_and_no_password(kittiwake: Virtual) -> None:
    """Nobody can log in at a console, and no account has a password."""
    assert kittiwake.ask("pgrep -a getty", check=False) == ""
    shadow = [line.split(":")[1] for line in kittiwake.ask("cat /etc/shadow").splitlines()]
    assert all(word[:1] in ("*", "!") for word in shadow)


def test_the_clock_never_starts_before_the_last_time_known(kittiwake: Virtual) -> None:
    """Without a clock chip a boat goes on from the time that data remembers."""
    kittiwake.ask("touch -d '2031-05-06 07:08:09 UTC' /data/state/clock; sync")
    kittiwake.power_cycle()
    try:
        booted = int(kittiwake.ask("stat -c %Y /run/boat/settings.json"))
        assert booted >= 1935817689
    finally:
        kittiwake.ask("touch -d @0 /data/state/clock; sync")


@pytest.fixture
def broken(club: Club, tmp_path: Path) -> Callable[[str, bytes], Path]:
    """A copy of kittiwake's card with bytes written over the start of a partition."""

    def make(partition: str, over: bytes) -> Path:
        image = tmp_path / "broken.img"
        run("cp", "--sparse=always", club.card("kittiwake"), image)
        layout = Layout("gpt", club.target("kittiwake").render().sha256)
        with image.open("r+b") as card:
            card.seek(layout.partition(partition).offset)
            card.write(over)
        return image

    return make


def test_without_data_the_boat_still_feeds(
    club: Club, launch: Launch, broken: Callable[[str, bytes], Path]
) -> None:
    """A wiped data partition: the settings as built, degraded, and the tablet hears all."""
    boat = launch("kittiwake", broken("data", bytes(128 * 2**20)))
    said = chosen(boat)
    assert (said["choice"], said["degraded"], said["data"]) == ("built", True, "unreadable")
    boat.bench.join()
    heard = boat.bench.read(seconds=20, lines=20)["lines"]
    assert len(heard) >= 20
    assert boat.status()["degraded"] is True


def test_damaged_settings_are_not_used(club: Club, launch: Launch, tmp_path: Path) -> None:
    """First the kept archive is damaged, then the previous one as well."""
    boat = launch("kittiwake")
    changed = club.copy(tmp_path / "club")
    profile = changed.folder / "kittiwake.yml"
    profile.write_text(profile.read_text().replace("DPT: 2", "DPT: 1"))
    before = boat.status()["kept"]
    assert boat.push(changed, prove=False).well
    after = boat.status()["kept"]
    assert before != after
    boat.ask(f"echo damage >> /data/settings/{after}.tar; sync")
    boat.power_cycle()
    said = chosen(boat)
    assert (said["choice"], said["sha256"], said["degraded"]) == ("previous", before, True)
    assert "damaged" in str(said["reason"])
    boat.ask(f"echo damage >> /data/settings/{before}.tar; sync")
    boat.power_cycle()
    said = chosen(boat)
    assert (said["choice"], said["degraded"]) == ("built", True)
