# SPDX-License-Identifier: GPL-3.0-or-later
"""Which disks the running system lies on, from trees of /proc and /sys made for the purpose."""

from __future__ import annotations

import os

import pytest

from provision.card.device.system_disks import find_system_disks

#: Where the test's own files lie, which loop devices and swap files lead to.
HEADER = "Filename\tType\tSize\tUsed\tPriority\n"


class Machine:
    """Makes up a /proc and a /sys."""

    def __init__(self, root):
        self.proc, self.sys = root / "proc", root / "sys"
        (self.proc / "self").mkdir(parents=True)
        for folder in ("dev/block", "class/block", "devices"):
            (self.sys / folder).mkdir(parents=True)
        self.tables("")

    def tables(self, mounts, swaps=""):
        (self.proc / "self/mountinfo").write_text(mounts)
        (self.proc / "swaps").write_text(HEADER + swaps)

    def disk(self, name, number, *, parent=None, slaves=(), backing_file=None):
        folder = (parent or self.sys / "devices") / name
        folder.mkdir()
        (folder / "dev").write_text(f"{number}\n")
        if parent:
            (folder / "partition").write_text("1\n")
        for slave in slaves:
            (folder / "slaves").mkdir(exist_ok=True)
            (folder / "slaves" / slave.name).symlink_to(slave)
        if backing_file:
            (folder / "loop").mkdir()
            (folder / "loop/backing_file").write_text(f"{backing_file}\n")
        (self.sys / "dev/block" / number).symlink_to(folder)
        (self.sys / "class/block" / name).symlink_to(folder)
        return folder

    def found(self):
        return find_system_disks(self.proc, self.sys)


@pytest.fixture
def machine(tmp_path):
    return Machine(tmp_path)


def mount(number, point, kind="ext4", source="/dev/x", options="rw"):
    return f"27 1 {number} / {point} rw,relatime shared:1 - {kind} {source} {options}\n"


def number_of(path):
    device = os.stat(path).st_dev
    return f"{os.major(device)}:{os.minor(device)}"


def test_a_partition_leads_to_its_disk_and_other_disks_stay_out(machine):
    sda = machine.disk("sda", "8:0")
    machine.disk("sda1", "8:1", parent=sda)
    sdb = machine.disk("sdb", "8:16")
    machine.disk("sdb1", "8:17", parent=sdb)
    machine.tables(mount("8:1", "/") + mount("8:17", "/media/card") + mount("0:21", "/proc"))
    assert machine.found() == {"8:1", "8:0"}


@pytest.mark.parametrize("point", ["/boot", "/boot/efi", "/boot/firmware", "/usr", "/var"])
def test_parts_of_the_system_elsewhere(machine, point):
    sdb = machine.disk("sdb", "8:16")
    machine.disk("sdb1", "8:17", parent=sdb)
    machine.tables(mount("8:17", point))
    assert "8:16" in machine.found()


def test_through_encryption_and_logical_volumes(machine):
    sda = machine.disk("sda", "8:0")
    sda3 = machine.disk("sda3", "8:3", parent=sda)
    crypt = machine.disk("dm-0", "252:0", slaves=[sda3])
    machine.disk("dm-1", "252:1", slaves=[crypt])
    machine.tables(mount("252:1", "/", source="/dev/mapper/club-root"))
    assert machine.found() == {"252:1", "252:0", "8:3", "8:0"}


def test_an_array_leads_to_all_its_disks(machine):
    sda, sdb = machine.disk("sda", "8:0"), machine.disk("sdb", "8:16")
    machine.disk("md0", "9:0", slaves=[sda, sdb])
    machine.tables(mount("9:0", "/"))
    assert machine.found() == {"9:0", "8:0", "8:16"}


def test_a_file_system_with_a_number_of_its_own(machine):
    sda = machine.disk("sda", "8:0")
    machine.disk("sda2", "8:2", parent=sda)
    machine.tables(mount("0:31", "/", kind="btrfs", source="/dev/sda2"))
    assert machine.found() == {"8:2", "8:0"}


def test_swap_partitions_and_files(machine, tmp_path):
    sda = machine.disk("sda", "8:0")
    machine.disk("sda5", "8:5", parent=sda)
    machine.disk("own", number_of(tmp_path))
    file = tmp_path / "swap file"
    file.touch()
    escaped = str(file).replace(" ", "\\040")
    machine.tables("", f"/dev/sda5 partition 1 0 -2\n{escaped} file 1 0 -3\n")
    assert machine.found() == {"8:5", "8:0", number_of(tmp_path)}


def test_a_live_system_on_a_stick(machine, tmp_path):
    """An overlay over a squashfs in a loop device whose file lies on the stick."""
    layer, file = tmp_path / "layer", tmp_path / "filesystem.squashfs"
    layer.mkdir()
    file.touch()
    machine.disk("stick", number_of(tmp_path))
    overlay = f"rw,lowerdir=/absent:{layer},upperdir=/gone,workdir=/work"
    machine.tables(mount("0:30", "/", kind="overlay", source="overlay", options=overlay))
    assert machine.found() == {number_of(tmp_path)}
    machine.disk("loop0", "7:0", backing_file=file)
    machine.tables(mount("7:0", "/", kind="squashfs", source="/dev/loop0"))
    assert machine.found() == {"7:0", number_of(tmp_path)}
