# SPDX-License-Identifier: GPL-3.0-or-later
"""Only suitable devices are written to. The trees are lsblk's JSON (util-linux 2.38)."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.card.device import block_devices
from provision.card.device.block_devices import (
    Device,
    find_device,
    find_objection,
    list_candidates,
    read_devices,
)
from provision.errors import UserError

MIB = 1 << 20


def node(name, **keys):
    return {
        "name": name,
        "path": f"/dev/{name}",
        "maj:min": "8:16",
        "type": "disk",
        "size": 32 * 10**9,
        "rm": False,
        "hotplug": False,
        "ro": False,
        "model": None,
        "mountpoints": [None],
        **keys,
    }


@pytest.fixture
def image(tmp_path):
    path = tmp_path / "kittiwake.img"
    path.write_bytes(bytes(4 * MIB))
    return path


def read(*nodes, system=frozenset(), sys=Path("/nowhere")):
    return read_devices({"blockdevices": list(nodes)}, frozenset(system), sys)


def reason(image, *nodes, **keys):
    [device] = read(*nodes, **keys)
    error = find_objection(device, image)
    return error.message if error else None


def test_a_removable_empty_disk_is_allowed(image):
    assert reason(image, node("sdb", rm=True, model="Card  Reader ")) is None
    assert reason(image, node("sdb", hotplug=True)) is None  # a USB disk says it this way


def test_what_is_not_removable_is_refused(image):
    assert "not removable" in reason(image, node("sda"))


def test_soldered_memory_is_not_removable(image, tmp_path):
    """Behind one driver, what is in a slot is of type SD, what is soldered of type MMC."""
    for name, kind in (("mmcblk0", "MMC"), ("mmcblk1", "SD")):
        (tmp_path / "class/block" / name / "device").mkdir(parents=True)
        (tmp_path / "class/block" / name / "device/type").write_text(f"{kind}\n")
    soldered, slot = node("mmcblk0", hotplug=True), node("mmcblk1", hotplug=True)
    assert "not removable" in reason(image, soldered, sys=tmp_path)
    assert reason(image, slot, sys=tmp_path) is None


def test_a_card_in_a_slot_says_its_own_register_and_a_disk_its_serial(tmp_path):
    (tmp_path / "class/block/mmcblk1/device").mkdir(parents=True)
    (tmp_path / "class/block/mmcblk1/device/cid").write_text("27504853443847bd\n")
    slot = node("mmcblk1", hotplug=True, serial="0x12345678")
    stick, mute = node("sdb", rm=True, serial=" 0001  A "), node("sdc", rm=True)
    found = read(slot, stick, mute, sys=tmp_path)
    assert [device.serial for device in found] == ["27504853443847bd", "0001 A", ""]


def test_mounted_anywhere_on_it_is_refused(image):
    child = node("sdb1", type="part", mountpoints=["/media/user/boot", "/mnt"])
    said = reason(image, node("sdb", rm=True, children=[node("sdb2", type="part"), child]))
    assert "in use: /media/user/boot, /mnt" in said


def test_mounted_or_swapping_through_volumes_is_refused(image):
    volume = node("club-swap", type="lvm", mountpoints=["[SWAP]"])
    crypt = node("luks-1", type="crypt", children=[volume])
    partition = node("sdb1", type="part", children=[crypt])
    said = reason(image, node("sdb", rm=True, children=[partition]))
    assert "[SWAP]" in said


def test_volumes_that_are_not_mounted_still_hold_it(image):
    crypt = node("luks-1", type="crypt")
    partition = node("sdb1", type="part", children=[crypt])
    said = reason(image, node("sdb", rm=True, children=[partition]))
    assert "in use by luks-1" in said


def test_the_running_system_is_refused_first(image):
    root = node("sdb", rm=True, mountpoints=["/"], **{"maj:min": "8:32"})
    assert "holds the system" in reason(image, root, system={"8:32"})
    assert "in use" in reason(image, root, system={"8:0"})


def test_too_small_is_refused(image):
    assert "too small" in reason(image, node("sdb", rm=True, size=4 * MIB - 512))
    assert reason(image, node("sdb", rm=True, size=4 * MIB)) is None
    assert "too small" in reason(image, node("sdb", rm=True, size=None))  # no card in the reader


def test_locked_is_refused(image):
    assert "read-only" in reason(image, node("sdb", rm=True, ro=True))


@pytest.mark.parametrize(
    ("kind", "message"),
    [("part", "is a partition"), ("rom", "no card"), ("lvm", "no card"), ("raid1", "no card")],
)
def test_what_is_no_whole_disk_is_refused(image, kind, message):
    assert message in reason(image, node("x1", rm=True, type=kind))


def test_a_plain_file_is_allowed_and_the_image_itself_is_not(image, tmp_path):
    target = tmp_path / "card"
    target.write_bytes(bytes(5 * MIB))
    assert find_objection(find_device(target), image) is None
    assert "image itself" in find_objection(find_device(image), image).message
    link = tmp_path / "link"
    link.hardlink_to(image)
    assert "image itself" in find_objection(find_device(link), image).message


def test_a_plain_file_that_is_too_small(image, tmp_path):
    target = tmp_path / "card"
    target.write_bytes(bytes(MIB))
    assert "too small" in find_objection(find_device(target), image).message


def test_no_image(tmp_path):
    device = Device(tmp_path / "card", "file", MIB)
    assert "no image file" in find_objection(device, tmp_path / "absent.img").message
    assert "no image file" in find_objection(device, tmp_path).message


def test_what_is_no_device_at_all(tmp_path):
    with pytest.raises(UserError, match="No such file"):
        find_device(tmp_path / "sdz")
    with pytest.raises(UserError, match="neither a block device nor a plain file"):
        find_device(Path("/dev/null"))
    with pytest.raises(UserError, match="neither a block device nor a plain file"):
        find_device(tmp_path)


def test_candidates_are_removable_and_hold_no_system(monkeypatch):
    tree = [
        node("sda"),
        node("sdb", rm=True, **{"maj:min": "8:16"}),
        node("sdc", rm=True, size=0),
        node("sdd", hotplug=True, **{"maj:min": "8:48"}),
        node("sde", hotplug=True, **{"maj:min": "8:64"}, model="Flash Disk"),
        node("loop0", type="loop", rm=True),
        node("sr0", type="rom", rm=True),
    ]
    monkeypatch.setattr(block_devices, "_lsblk", lambda: {"blockdevices": tree})
    monkeypatch.setattr(block_devices, "find_system_disks", lambda: frozenset({"8:48"}))
    assert [device.path.name for device in list_candidates()] == ["sdb", "sde"]
    assert str(list_candidates()[1]) == "/dev/sde (Flash Disk, 32.0 GB)"


def test_this_machines_own_disks_are_no_candidates():
    """lsblk is really run; whatever this machine has, nothing that is mounted as / is offered."""
    assert all("/" not in device.mounts for device in list_candidates())


def lsblk(folder, monkeypatch, *, status, out="", err=""):
    """Another lsblk, which ends so."""
    program = folder / "lsblk"
    program.write_text(f"#!/bin/sh\nprintf '%s' '{out}'\nprintf '%s' '{err}' >&2\nexit {status}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(folder))
    monkeypatch.setattr(block_devices, "find_system_disks", frozenset)


@pytest.mark.parametrize("out", ['{"blockdevices": []}', ""])
def test_a_computer_without_disks_has_no_candidates(tmp_path, monkeypatch, out):
    """Status 32: none found (lsblk(8)); so it is in a container."""
    lsblk(tmp_path, monkeypatch, status=32, out=out)
    assert list_candidates() == []


def test_a_device_that_the_kernel_does_not_list(tmp_path, monkeypatch):
    lsblk(tmp_path, monkeypatch, status=32, out='{"blockdevices": []}')
    monkeypatch.setattr(block_devices.stat, "S_ISREG", lambda _: False)
    monkeypatch.setattr(block_devices.stat, "S_ISBLK", lambda _: True)
    with pytest.raises(UserError, match="is no disk that the kernel lists") as caught:
        find_device(tmp_path)
    assert caught.value.hint


def test_lsblk_errors_are_shown_without_its_json(tmp_path, monkeypatch):
    lsblk(tmp_path, monkeypatch, status=1, out='{"blockdevices": [1]}', err="lsblk: no sysfs")
    with pytest.raises(UserError, match="ended with status 1:\nlsblk: no sysfs") as caught:
        list_candidates()
    assert "{" not in str(caught.value)
