# SPDX-License-Identifier: GPL-3.0-or-later
"""The mirrors that a base is built from, and what of them goes aboard."""

from __future__ import annotations

import subprocess
from pathlib import Path
from types import SimpleNamespace

import pytest

from provision.card.base import apt_sources as module
from provision.card.base.apt_sources import find_mirrors
from provision.card.base.recipe import FOLDER
from provision.errors import UserError


def test_a_mirror_alone_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PROVISION_MIRROR", "http://mirror.invalid/debian")
    monkeypatch.delenv("PROVISION_SECURITY_MIRROR", raising=False)
    with pytest.raises(UserError, match="no security updates") as caught:
        find_mirrors()
    assert "PROVISION_SECURITY_MIRROR" in caught.value.hint
    monkeypatch.setenv("PROVISION_SECURITY_MIRROR", "http://mirror.invalid/security")
    lines = find_mirrors().lines("stable", ["main"])
    assert [line.split("] ")[1] for line in lines] == [
        "http://mirror.invalid/debian stable main",
        "http://mirror.invalid/debian stable-updates main",
        "http://mirror.invalid/security stable-security main",
    ]


def test_an_apt_without_security_updates_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PROVISION_MIRROR", raising=False)
    listed = SimpleNamespace(stdout="Debian|http://mirror.invalid/debian\n")
    monkeypatch.setattr(module, "run", lambda *_: listed)
    with pytest.raises(UserError, match="no security updates"):
        find_mirrors()


def test_no_mirrors_address_goes_aboard(tmp_path: Path) -> None:
    """The script of the last touches, on a root with programs that do nothing."""
    root, programs = tmp_path / "root", tmp_path / "bin"
    address = "http://mirror.invalid/debian"
    for name, text in {
        "etc/apt/sources.list": f"deb {address} stable main\n",
        "etc/apt/sources.list.d/0000own.list": f"deb {address} stable main\n",
        "var/lib/apt/lists/mirror.invalid_InRelease": f"Date: 2026-01-01 UTC\n{address}\n",
        "usr/lib/boat-base/base.json": '{"built": 0}',
        "vmlinuz": "",
        "initrd.img": "",
        **{
            f"{folder}/keep": ""
            for folder in (
                *("etc/systemd/system", "etc/udev/rules.d", "usr/lib/boat", "var/log"),
                *("usr/lib/systemd/system/multi-user.target.wants", "var/cache", "var/backups"),
            )
        },
    }.items():
        file = root / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text)
    programs.mkdir()
    (programs / "chroot").symlink_to("/bin/true")
    subprocess.run(
        ["/bin/sh", FOLDER / "customize", root],
        env={"PATH": f"{programs}:/usr/bin:/bin"},
        check=True,
    )
    assert "1767225600" in (root / "usr/lib/boat-base/base.json").read_text()
    assert not [
        file
        for file in root.rglob("*")
        if file.is_file() and ("mirror" in file.name or address in file.read_text())
    ]
