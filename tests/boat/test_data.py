# SPDX-License-Identifier: GPL-3.0-or-later
"""The data partition: mounted, writable, whole, and holding the settings it must."""

from __future__ import annotations

import pytest

from provision.verify.job import Answers, Command, Job, same

#: Writes, flushes and removes one small file, as keeping settings does.
WRITE = """
file=$(mktemp /data/.writable.XXXXXX) || exit
echo well >"$file" && sync "$file"
written=$?
rm "$file"
exit "$written"
"""


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "mount": ["findmnt", "--noheadings", "--output", "FSTYPE,OPTIONS", "/data"],
        "write": ["sh", "-c", WRITE],
        "pointers": ["sh", "-c", "cd /data/settings && ls | grep -Ex 'kept|previous'"],
        "kept": ["sh", "-c", "cd /data/settings && sha256sum --check --quiet --strict kept"],
        "previous": [
            *("sh", "-c"),
            "cd /data/settings && [ ! -e previous ] || sha256sum --check --quiet --strict previous",
        ],
        "errors": ["sh", "-c", "cat /sys/fs/ext4/*/errors_count"],
    }


def test_mounted(facts: Answers) -> None:
    assert facts["mount"].output, "/data is not mounted"
    kind, options = facts["mount"].output.split()
    same(kind, "ext4", "the file system of /data")
    assert "rw" in options.split(","), "/data is mounted read-only"


def test_writable(facts: Answers) -> None:
    *_, options = facts["mount"].output.rpartition(" ")
    if "rw" not in options.strip().split(","):
        pytest.skip("test_mounted says why not")
    facts["write"].ok()


def test_kept_settings_are_whole(facts: Answers, on_trial: bool) -> None:
    """The archives that `kept` and `previous` name are there, with the right SHA-256."""
    if on_trial and "kept" not in facts["pointers"].lines:
        pytest.skip("the first settings of this card are on trial")
    facts["kept"].ok()
    facts["previous"].ok()


def test_no_errors(facts: Answers) -> None:
    """The kernel has counted no error in the file system."""
    counted = facts["errors"].ok().lines
    assert set(counted) == {"0"}, f"the kernel has counted {', '.join(counted)} errors"
