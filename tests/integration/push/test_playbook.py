# SPDX-License-Identifier: GPL-3.0-or-later
"""The playbook is one for plain ansible-playbook, too; check mode tells and changes nothing."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from provision.cli import main
from provision.errors import UserError
from provision.paths import shipped
from provision.profile.secrets.keygen import make_keys
from provision.profile.secrets.store import derive_psk
from provision.push.options import PushOptions
from provision.push.push import lay_out
from tests.support.push.loopback import CANARY, RigBoat

HOSTAPD = "etc/hostapd/boat.conf"


@pytest.fixture(scope="module")
def boat(rig: Callable[..., RigBoat]) -> RigBoat:
    boat = rig("plain")
    boat.change("plain two", "network", "access_point", "ssid")
    return boat


@pytest.fixture(scope="module")
def folder(boat: RigBoat) -> Path:
    folder = boat.folder / "laid out"
    lay_out([boat.open_boat], folder, PushOptions(at={"plain": boat.endpoint}))
    return folder


def playbook(boat: RigBoat, folder: Path, *words: str) -> str:
    """Return what plain ansible-playbook says."""
    done = subprocess.run(
        [
            *(sys.executable, "-m", "ansible", "playbook", *words),
            *("-i", folder / "inventory.json", shipped("roles") / "push.yml"),
        ],
        env=os.environ | {"ANSIBLE_HOME": str(boat.folder / "ansible"), "LC_ALL": "C.UTF-8"},
        cwd=boat.folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    secrets = [
        CANARY,
        "PRIVATE KEY",
        *(derive_psk(CANARY, f"plain {word}") for word in ("one", "two")),
    ]
    assert [secret for secret in secrets if secret in done.stdout + done.stderr] == []
    return done.stdout


def test_check_mode_tells_and_changes_nothing(boat: RigBoat, folder: Path) -> None:
    """The diff shows the change, and no secret."""
    before = (boat.root / HOSTAPD).read_bytes()
    said = playbook(boat, folder, "--check", "--diff")
    assert f"files that differ: /{HOSTAPD}" in said
    assert "changed=1 " in said
    assert f"--- aboard/{HOSTAPD}\n+++ new/{HOSTAPD}\n" in said
    assert "\n-wpa_psk=<secret 1>\n+wpa_psk=<secret 2>\n" in said
    assert f"\n-ssid2={b'plain one'.hex()}\n+ssid2={b'plain two'.hex()}\n" in said
    assert (boat.root / HOSTAPD).read_bytes() == before
    assert not (boat.root / "run/boat/trial.json").exists()
    assert "+++" not in playbook(boat, folder, "--check")


def test_plain_ansible_pushes_and_finds_nothing_to_do_then(boat: RigBoat) -> None:
    boat.change(["RMC", "VTG"], "links", "gnss", "talks")
    folder = boat.folder / "changes"
    lay_out(
        [boat.open_boat], folder, PushOptions(at={"plain": boat.endpoint}, timer=60, prove=False)
    )
    said = playbook(boat, folder, "--diff")
    assert "+++ new/etc/boat/feed.json" in said
    wanted = boat.open_boat.render().sha256
    assert (boat.root / "data/settings/kept").read_text().split()[0] == wanted
    assert not (boat.root / "run/boat/trial.json").exists()
    again = playbook(boat, folder, "--diff")
    assert "changed=0 " in again
    assert "+++" not in again
    assert "changed=0 " in playbook(boat, folder, "--check", "--diff")


def test_the_inventory_is_printed(
    boat: RigBoat, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command asks no boat, and its files are where it says."""
    make_keys(boat.file, b"password")
    password = tmp_path / "password"
    password.touch(0o600)
    password.write_text("password")
    words = ["inventory", str(boat.file), "-o", str(tmp_path / "out")]
    monkeypatch.setattr("sys.argv", ["provision", *words, "--vault-password-file", str(password)])
    text = io.StringIO()
    with pytest.raises(SystemExit) as ended, contextlib.redirect_stdout(text):
        main()
    assert not ended.value.code
    (host,) = json.loads(text.getvalue())["boats"]["hosts"].values()
    assert Path(host["boat_archive"]).read_bytes()[:100].strip(b"\0")
    assert (tmp_path / "out/inventory.json").read_text() == text.getvalue().rstrip("\n") + "\n"


def test_what_is_laid_out_is_private(folder: Path) -> None:
    """Only the owner reads the folder, and the inventory holds no secret."""
    assert folder.stat().st_mode & 0o077 == 0
    files = [file for file in folder.rglob("*") if file.is_file()]
    assert [file for file in files if file.stat().st_mode & 0o077] == []
    assert CANARY not in (folder / "inventory.json").read_text()


def test_a_folder_that_is_there_is_left_alone(boat: RigBoat, folder: Path) -> None:
    with pytest.raises(UserError, match="cannot be made"):
        lay_out([boat.open_boat], folder, PushOptions())
