# SPDX-License-Identifier: GPL-3.0-or-later
"""Test if the processor's own virtualisation works. A device that opens proves nothing."""

from __future__ import annotations

import os
import platform
import subprocess
from pathlib import Path

from provision import paths
from provision.bench.qemu.machine import find_firmware
from provision.boards import Board
from provision.commands import environment, find

_DEVICE = Path("/dev/kvm")
_MACHINES = {"x86_64": "amd64", "aarch64": "arm64"}
#: Seconds that the firmware may take until it first writes to the serial port.
_TIMEOUT_S = 20


def is_usable(board: Board) -> bool:
    """Test, once per start of this machine, if `board` can run on the real processor.

    The proof is that a long piece of machine code runs: the UEFI firmware, up to the shell or boot
    manager that writes on the serial port.
    """
    if _MACHINES.get(platform.machine()) != board.architecture or board.bench.start != "firmware":
        return False
    if not os.access(_DEVICE, os.R_OK | os.W_OK):
        return False
    start = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    remembered = paths.cache() / f"kvm-{start}"
    if not remembered.exists():
        remembered.write_text("works" if _probe(board) else "fails")
    return remembered.read_text() == "works"


def _probe(board: Board) -> bool:
    """Tell if the firmware reaches the serial port on the real processor."""
    argv = [
        find(board.bench.program), "-machine", board.bench.machine, "-nodefaults",
        "-display", "none", "-accel", "kvm", "-cpu", "host", "-smp", "2", "-m", "256",
        "-drive", f"if=pflash,format=raw,unit=0,readonly=on,file={find_firmware()}",
        "-serial", "stdio", "-no-reboot",
    ]  # fmt: skip
    try:
        done = subprocess.run(
            argv, stdin=subprocess.DEVNULL, capture_output=True, timeout=_TIMEOUT_S,
            env=environment(), check=False,
        )  # fmt: skip
        output = done.stdout
    except subprocess.TimeoutExpired as late:
        output = late.stdout or b""
    return b"BdsDxe" in output
