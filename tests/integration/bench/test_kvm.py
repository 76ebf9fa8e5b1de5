# SPDX-License-Identifier: GPL-3.0-or-later
"""Virtualisation is used where a try has shown that it works, and tried once a start."""

from __future__ import annotations

import platform
from pathlib import Path

import pytest

from provision.bench.qemu import kvm, machine
from provision.bench.qemu.kvm import is_usable
from provision.boards import board
from provision.errors import UserError

#: What the firmware says on the serial port when it hands over.
HANDS_OVER = 'printf "BdsDxe: starting Boot0001"; exec sleep 60'
DIES = "echo 'error: kvm run failed' >&2; exit 1"


class KvmRig:
    """Stands for a machine with a device for virtualisation. `program` is its emulator, in sh."""

    def __init__(self, folder: Path) -> None:
        self.emulator = folder / "qemu-system-x86_64"
        self.starts = folder / "starts"

    def program(self, text: str) -> None:
        self.emulator.write_text(f"#!/bin/sh\necho start >> {self.starts}\n{text}\n")
        self.emulator.chmod(0o755)

    @property
    def tries(self) -> int:
        return len(self.starts.read_text().split()) if self.starts.exists() else 0


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KvmRig:
    for name in ("kvm", "firmware"):
        (tmp_path / name).touch()
    monkeypatch.setattr(kvm, "_DEVICE", tmp_path / "kvm")
    monkeypatch.setattr(kvm, "_TIMEOUT_S", 0.5)
    monkeypatch.setattr(machine, "_CODE", tmp_path / "firmware")
    monkeypatch.setattr(platform, "machine", lambda: "x86_64")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    return KvmRig(tmp_path)


@pytest.mark.parametrize(("program", "well"), [(HANDS_OVER, True), (DIES, False)])
def test_a_try_decides_and_is_remembered(rig: KvmRig, program: str, well: bool) -> None:
    rig.program(program)
    assert is_usable(board("x86-64")) is well
    assert is_usable(board("x86-64")) is well
    assert rig.tries == 1


def test_one_that_hangs_does_not_work(rig: KvmRig) -> None:
    rig.program("exec sleep 60")
    assert not is_usable(board("x86-64"))


def test_without_firmware_nothing_was_tried(rig: KvmRig, tmp_path: Path) -> None:
    """Once it is installed, it is."""
    rig.program(HANDS_OVER)
    (tmp_path / "firmware").unlink()
    with pytest.raises(UserError) as error:
        is_usable(board("x86-64"))
    assert "ovmf" in error.value.hint
    (tmp_path / "firmware").touch()
    assert is_usable(board("x86-64"))


def test_nothing_is_tried_for_another_architecture_or_without_the_device(
    rig: KvmRig, tmp_path: Path
) -> None:
    rig.program(HANDS_OVER)
    assert not is_usable(board("bcm2711-rpi-4-b"))
    (tmp_path / "kvm").unlink()
    assert not is_usable(board("x86-64"))
    assert rig.tries == 0
