# SPDX-License-Identifier: GPL-3.0-or-later
"""The base is never written: all but the data partition is read-only or in memory."""

from __future__ import annotations

import json

import pytest

from provision.verify.job import Answers, Command, Job, same

#: Percent of the overlay's memory that may be used; what is above will not last a season.
FULLEST = 80

#: The kernel's counts for the base's partition (its Documentation/block/stat.rst).
WRITES = """
partition=$(findmnt --noheadings --first-only --types squashfs --output SOURCE)
exec cat "/sys/class/block/${partition#/dev/}/stat"
"""


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "mounts": ["findmnt", "--json", "--list", "--output", "TARGET,SOURCE,FSTYPE,OPTIONS"],
        "use": ["df", "--output=pcent", "/"],
        "base": ["sh", "-c", WRITES],
    }


@pytest.fixture(scope="module")
def mounts(facts: Answers) -> dict[str, dict[str, str]]:
    listed = json.loads(facts["mounts"].ok().output)["filesystems"]
    return {mount["target"]: mount for mount in listed}


def test_root_is_the_overlay(mounts: dict[str, dict[str, str]]) -> None:
    root = mounts["/"]
    same(root["fstype"], "overlay", "the file system of /")
    options = root["options"].split(",")
    assert "lowerdir=/run/boat/base" in options, "the overlay does not lie on the base"


def test_base_is_read_only(mounts: dict[str, dict[str, str]]) -> None:
    assert "/run/boat/base" in mounts, "the base is not mounted where the boat's own start does"
    base = mounts["/run/boat/base"]
    same(base["fstype"], "squashfs", "the base's file system")
    assert "ro" in base["options"].split(","), "the base is mounted writable"


def test_only_data_is_writable(mounts: dict[str, dict[str, str]]) -> None:
    """Only /data is mounted writable from a disk."""
    writable = {
        target
        for target, mount in mounts.items()
        if mount["source"].startswith("/dev/") and "rw" in mount["options"].split(",")
    }
    others = sorted(writable - {"/data"})
    assert others == [], f"mounted writable: {', '.join(others)}"


def test_overlay_has_room(facts: Answers) -> None:
    percent = int(facts["use"].ok().lines[-1].strip(" %"))
    assert percent < FULLEST, f"{percent} % of the overlay's memory is used"


def test_base_is_unwritten(facts: Answers) -> None:
    """The kernel has written no sector of the base's partition since it started."""
    same(facts["base"].ok().output.split()[6], "0", "the number of sectors written")
