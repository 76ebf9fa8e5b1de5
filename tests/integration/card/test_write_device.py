# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing to real block devices: loop devices, which only root can set up."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

import pytest

from provision.card.device.block_devices import find_device, find_objection
from provision.card.device.direct_io import DirectTarget
from provision.card.device.plan import CHUNK_BYTES
from provision.card.device.progress_bars import Phase
from provision.card.device.write import write_card
from provision.commands import run
from provision.errors import UserError

MIB = 1 << 20

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="not root: loop devices need root")


@pytest.fixture
def image(tmp_path):
    path = tmp_path / "kittiwake.img"
    path.write_bytes(random.Random(1).randbytes(CHUNK_BYTES + MIB))
    return path


@pytest.fixture
def attach():
    attached = []

    def loop(file, *options):
        path = run("losetup", "--find", "--show", *options, file).stdout.strip()
        attached.append(path)
        return Path(path)

    yield loop
    for path in attached:
        run("losetup", "--detach", path)


@pytest.fixture
def partitioned():
    """Has the kernel see the first partition of a loop device, as it does by itself of a card."""
    seen = []

    def first(loop):
        run("partx", "--add", loop)
        seen.append(loop)
        return Path(f"{loop}p1")

    yield first
    for loop in seen:
        run("partx", "--delete", loop)


@pytest.fixture
def card(tmp_path):
    path = tmp_path / "card"
    path.write_bytes(b"\xaa" * (2 * CHUNK_BYTES))
    return path


@pytest.fixture
def mount(tmp_path):
    mounted = []

    def at(*arguments):
        point = tmp_path / f"mount-{len(mounted)}"
        point.mkdir()
        run("mount", *arguments, point)
        mounted.append(point)
        return point

    yield at
    for point in reversed(mounted):
        run("umount", point)


def test_a_block_device_is_written_past_the_page_cache(image, card, attach):
    device = find_device(attach(card))
    assert (device.kind, device.size) == ("loop", 2 * CHUNK_BYTES)
    done = write_card(image, device)
    assert done.cache_mode == "O_DIRECT"
    assert card.read_bytes()[: done.size] == image.read_bytes()


@pytest.mark.parametrize("direct", [True, False])
def test_reading_back_is_from_the_device_not_from_the_cache(
    image, card, attach, monkeypatch, direct
):
    """The medium under the device loses a byte after writing: only the cache still has it."""
    if not direct:
        monkeypatch.setattr(os, "O_DIRECT", 0)
        monkeypatch.setattr(DirectTarget, "_is_direct", lambda self: False)
        monkeypatch.setattr(DirectTarget, "_set_direct", lambda self, length: None)
    bad = CHUNK_BYTES + 4321

    def lose(phase, done, total):
        if phase is Phase.READ_BACK and done == CHUNK_BYTES:
            with card.open("r+b") as medium:
                medium.seek(bad)
                medium.write(bytes([image.read_bytes()[bad] ^ 1]))

    with pytest.raises(UserError, match=f"at byte {bad};"):
        write_card(image, find_device(attach(card)), progress=lose)


def test_mounted_is_refused(image, card, attach, mount):
    run("mke2fs", "-q", card)
    loop = attach(card)
    mount(loop)
    assert "in use" in find_objection(find_device(loop), image).message


def test_a_mounted_partition_is_refused_and_so_is_a_partition(
    image, card, attach, partitioned, mount
):
    card.write_bytes(bytes(4 * CHUNK_BYTES))
    run("sfdisk", card, input="label: gpt\nstart=2048\n")
    loop = attach(card)
    partition = partitioned(loop)
    assert "is a partition" in find_objection(find_device(partition), image).message
    assert find_objection(find_device(loop), image) is None
    run("mke2fs", "-q", partition)
    point = mount(partition)
    assert str(point) in find_objection(find_device(loop), image).message


def test_what_is_mounted_out_of_sight_cannot_be_opened(image, card, attach, tmp_path):
    run("mke2fs", "-q", card)
    loop = attach(card)
    hidden = subprocess.Popen(
        ["unshare", "--mount", "sh", "-c", 'mount "$0" "$1" && echo up && read _', loop, tmp_path],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert hidden.stdout.readline() == b"up\n"
        device = find_device(loop)
        assert device.mounts == ()
        with pytest.raises(UserError, match="Device or resource busy"):
            write_card(image, device)
    finally:
        hidden.communicate(b"\n")


def test_the_image_behind_a_loop_device_is_refused(image, attach):
    assert "image itself" in find_objection(find_device(attach(image)), image).message


def test_a_file_behind_a_loop_device_is_refused(image, card, attach):
    """A file system on it may be mounted, and would be overwritten under its users."""
    assert find_objection(find_device(card), image) is None
    loop = attach(card)
    assert f"in use by {loop.name}" in find_objection(find_device(card), image).message


def test_a_read_only_device_is_refused(image, card, attach):
    loop = attach(card, "--read-only")
    assert "read-only" in find_objection(find_device(loop), image).message


def test_this_machines_root_is_refused(image):
    source = run("findmnt", "--noheadings", "--output", "SOURCE", "/").stdout.strip()
    if not Path(source).is_block_device():
        pytest.skip("root lies on no block device here")
    assert "holds the system" in find_objection(find_device(Path(source)), image).message


def test_a_full_disk_under_a_plain_file(image, mount):
    target = mount("-t", "tmpfs", "-o", "size=2M", "tmpfs") / "card"
    with target.open("wb") as file:
        file.truncate(2 * CHUNK_BYTES)
    with pytest.raises(UserError, match=r"No space left on device.*unusable"):
        write_card(image, find_device(target))


def test_a_device_that_fails_in_the_middle(image, mount, attach):
    medium = mount("-t", "tmpfs", "-o", "size=2M", "tmpfs") / "medium"
    with medium.open("wb") as file:
        file.truncate(2 * CHUNK_BYTES)
    with pytest.raises(UserError, match="unusable"):
        write_card(image, find_device(attach(medium)))
