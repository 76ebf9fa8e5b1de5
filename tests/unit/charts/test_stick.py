# SPDX-License-Identifier: GPL-3.0-or-later
"""What a stick's files are called, how many they are, and what is taken of them."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.charts.stick import listing, mount
from provision.onboard.charts.stick.listing import MAX_DEPTH
from provision.onboard.charts.stick.names import MAX_NAME_BYTES, fault_of
from tests.support.charts.rig import LONG_AGO, Rig, rig

__all__ = ["rig"]


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("GB5X01NW.000", ""),
        ("Küste 5.mbtiles", ""),
        ("ä" * (MAX_NAME_BYTES // 2), ""),
        ("ä" * (MAX_NAME_BYTES // 2) + "x", "long name"),
        ("n" * 200, "long name"),
        ("line\nfeed", "strange name"),
        ("\u202egpj.exe", "strange name"),
        ("\udcff\udcfe", "strange name"),
        (" blank", "strange name"),
        ("back\\slash", "strange name"),
        ("..", "strange name"),
        ("a/b", "strange name"),
    ],
)
def test_names(name: str, fault: str) -> None:
    assert fault_of(name) == fault


@given(st.binary(min_size=1, max_size=300))
def test_any_name_is_a_good_one_or_has_a_fault(octets: bytes) -> None:
    name = os.fsdecode(octets)
    if not fault_of(name):
        assert name.encode() == octets and b"/" not in octets and b"\n" not in octets


def test_new_and_changed_files_are_copied_and_others_are_not(rig: Rig) -> None:
    rig.add("coast/one.kap", b"first")
    rig.add("two.mbtiles", b"x" * 10**6)
    state = rig.copy()
    assert (state.phase, state.files, state.same, state.left_out) == ("done", 2, 0, 0)
    assert rig.aboard() == {"coast/one.kap": b"first", "two.mbtiles": b"x" * 10**6}
    made = rig.kept / "two.mbtiles"
    before = made.stat().st_ino
    rig.add("coast/one.kap", b"second")
    state = rig.copy()
    assert (state.files, state.same) == (1, 1)
    assert rig.aboard()["coast/one.kap"] == b"second" and made.stat().st_ino == before
    assert made.stat().st_mode & 0o777 == 0o664 and made.stat().st_mtime == LONG_AGO
    assert (made.parent / "coast").stat().st_mode & 0o777 == 0o775


def test_the_state_says_how_it_ended(rig: Rig) -> None:
    rig.add("one.kap", b"x" * 5000)
    state = rig.copy()
    told = rig.told()
    assert told["format"] == 1 and told["phase"] == "done"
    assert (told["bytes"], told["of_bytes"]) == (5000, 5000)
    assert told["used"] == state.used >= 8192
    assert rig.state_file.stat().st_mode & 0o444 == 0o444


def test_a_stick_without_the_folder_changes_nothing(rig: Rig) -> None:
    (rig.stick / "charts").rmdir()
    (rig.stick / "holiday.jpg").write_bytes(b"x")
    assert rig.copy().phase == "empty" and rig.aboard() == {}


def test_the_folder_may_be_in_capitals_and_is_no_link(rig: Rig) -> None:
    rig.add("one.kap")
    (rig.stick / "charts").rename(rig.stick / "CHARTS")
    assert rig.copy().files == 1
    (rig.stick / "CHARTS").rename(rig.stick / "other")
    (rig.stick / "charts").symlink_to("other")
    assert rig.copy().phase == "empty"


def test_links_pipes_and_sockets_are_left_out(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    charts = rig.stick / "charts"
    (charts / "shadow").symlink_to("/etc/passwd")
    (charts / "root").symlink_to("/")
    os.mkfifo(charts / "pipe")
    monkeypatch.chdir(charts)
    with socket.socket(socket.AF_UNIX) as channel:
        channel.bind("socket")
        rig.add("one.kap")
        state = rig.copy()
    assert (state.phase, state.files, state.left_out) == ("done", 1, 4)
    assert set(rig.aboard()) == {"one.kap"}


def test_what_peoples_computers_hide_is_not_looked_at(rig: Rig) -> None:
    for path in ("._one.kap", ".Trashes/x", "System Volume Information/y"):
        rig.add(path)
    state = rig.copy()
    assert (state.files, state.left_out) == (0, 0)


def test_strange_names_are_counted_and_named_harmlessly(rig: Rig) -> None:
    charts = os.fsencode(rig.stick / "charts")
    for name in (b"\xff\xfe", b"line\nfeed", b"n" * 200, b"tail "):
        with open(charts + b"/" + name, "wb") as file:
            file.write(b"x")
    rig.add("one.kap")
    state = rig.copy()
    assert (state.files, state.left_out, set(rig.aboard())) == (1, 4, {"one.kap"})
    assert {reason for _, reason in state.examples} == {"strange name", "long name"}
    assert len(rig.told()["examples"]) == 4


def test_too_many_files_change_nothing(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listing, "MAX_FILES", 50)
    for number in range(51):
        rig.add(f"{number}.kap")
    state = rig.copy()
    assert (state.phase, state.reason, rig.aboard()) == ("refused", "too-many-files", {})


def test_too_many_entries_of_any_kind_change_nothing(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listing, "MAX_ENTRIES", 50)
    for number in range(51):
        (rig.stick / "charts" / f".{number}").mkdir()
    assert rig.copy().reason == "too-many-files"


def test_a_stick_that_takes_too_long_to_list_changes_nothing(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(listing, "MAX_LOOK_S", -1.0)
    rig.add("one.kap")
    assert rig.copy().reason == "too-slow"


def test_deep_folders_are_left_out(rig: Rig) -> None:
    rig.add("/".join("d" * (MAX_DEPTH)) + "/just.kap")
    rig.add("/".join("e" * 200) + "/deep.kap")
    state = rig.copy()
    assert (state.files, state.left_out) == (1, 1)
    assert [Path(path).name for path in rig.aboard()] == ["just.kap"]


def computer(root: Path, mounted: str = "") -> None:
    """Make files of /sys and /proc: a card's disk sda behind USB, too, and a stick sdb."""
    for disk, number in (("sda", 0), ("sdb", 16)):
        device = root / f"sys/devices/pci0/usb1/1-{number + 1}/host0/block/{disk}"
        part = device / f"{disk}1"
        part.mkdir(parents=True)
        (part / "partition").write_text("1\n")
        (device / "dev").write_text(f"8:{number}\n")
        (part / "dev").write_text(f"8:{number + 1}\n")
        links = root / "sys/class/block"
        links.mkdir(parents=True, exist_ok=True)
        for path in (device, part):
            (links / path.name).symlink_to(path)
    inner = root / "sys/devices/pci0/ata1/block/sdc"
    inner.mkdir(parents=True)
    (links / "sdc").symlink_to(inner)
    (root / "proc/self").mkdir(parents=True)
    (root / "proc/self/mountinfo").write_text(f"1 0 0:1 / / rw - tmpfs x rw\n{mounted}")


def test_only_a_usb_disk_is_mounted_that_the_boat_does_not_use(tmp_path: Path) -> None:
    computer(tmp_path, "2 1 8:1 / /data rw - ext4 /dev/sda1 rw\n")
    mount.check("sdb", tmp_path)
    mount.check("sdb1", tmp_path)
    for name in ("sda", "sda1", "sdc", "../sdb1", "sdb1;x", "mmcblk0p1", "sdz9", ""):
        with pytest.raises(mount.NotMounted):
            mount.check(name, tmp_path)


def test_two_partitions_of_one_stick_may_be_mounted(tmp_path: Path) -> None:
    computer(tmp_path, "2 1 8:17 / /run/boat-stick/sdb1 ro - vfat /dev/sdb1 ro\n")
    mount.check("sdb", tmp_path)


def test_every_file_system_is_mounted_harmlessly() -> None:
    for options in mount.OPTIONS.values():
        assert {"ro", "nosuid", "nodev", "noexec", "errors=continue"} <= set(options.split(","))
    assert "noload" in mount.OPTIONS["ext4"]
