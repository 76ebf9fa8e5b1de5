# SPDX-License-Identifier: GPL-3.0-or-later
"""The playbook is one for plain ansible-playbook, too; check mode tells and changes nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.errors import UserError
from provision.paths import shipped
from provision.push.play import PushOptions, lay_out
from tests.unit.push.loopback import CANARY, RigBoat


@pytest.fixture(scope="module")
def boat(rig: Callable[..., RigBoat]) -> RigBoat:
    boat = rig("plain")
    boat.change("plain two", "network", "access_point", "ssid")
    return boat


@pytest.fixture(scope="module")
def folder(boat: RigBoat) -> Path:
    folder = boat.folder / "laid out"
    lay_out([boat.target], folder, PushOptions(at={"plain": boat.endpoint}))
    return folder


def test_check_mode_tells_and_changes_nothing(boat: RigBoat, folder: Path) -> None:
    before = (boat.root / "etc/hostapd/boat.conf").read_bytes()
    done = subprocess.run(
        [
            *(sys.executable, "-m", "ansible", "playbook", "--check", "--diff"),
            *("-i", folder / "inventory.json", shipped("roles") / "push.yml"),
        ],
        env=os.environ | {"ANSIBLE_HOME": str(boat.folder / "ansible"), "LC_ALL": "C.UTF-8"},
        cwd=boat.folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "files that differ: /etc/hostapd/boat.conf" in done.stdout
    assert "changed=1 " in done.stdout
    assert CANARY not in done.stdout + done.stderr
    assert (boat.root / "etc/hostapd/boat.conf").read_bytes() == before
    assert not (boat.root / "run/boat/trial.json").exists()


def test_what_is_laid_out_is_private(folder: Path) -> None:
    """Nobody else reads the folder, and there is no secret in the inventory."""
    assert folder.stat().st_mode & 0o077 == 0
    files = [file for file in folder.rglob("*") if file.is_file()]
    assert [file for file in files if file.stat().st_mode & 0o077] == []
    assert CANARY not in (folder / "inventory.json").read_text()


def test_a_folder_that_is_there_is_left_alone(boat: RigBoat, folder: Path) -> None:
    with pytest.raises(UserError, match="cannot be made"):
        lay_out([boat.target], folder, PushOptions())
