# SPDX-License-Identifier: GPL-3.0-or-later
"""Write what each kind of boot loader reads on the boot partition of one boat's card."""

from __future__ import annotations

from provision.boards import Board
from provision.card.layout.partitions import Layout

KERNEL = "vmlinuz"
INITRAMFS = "initrd.img"


def kernel_command_line(board: Board, layout: Layout) -> str:
    """Return the kernel's command line."""
    words = [
        f"root=PARTUUID={layout.base.partuuid}",
        "ro",
        "rootfstype=squashfs",
        "rootwait",
        # While the table of partitions grows, its first copy may be damaged by a power cut.
        *(["gpt"] if layout.table == "gpt" else []),
        "fsck.mode=skip",
        f"boat.boot={layout.boot.partuuid}",
        f"boat.data={layout.data.partuuid}",
        # No person is there to press a key, and no account has a password to log in with: a kernel
        # that has failed or hangs starts again.
        "panic=10",
        "oops=panic",
        "softlockup_panic=1",
        "systemd.getty_auto=no",
        # By default the kernel reserves a tenth of a small computer's memory for huge pages.
        "transparent_hugepage=never",
        "quiet",
        *(f"console={console}" for console in board.console),
    ]
    return " ".join(words)


def boot_files(board: Board, layout: Layout) -> dict[str, str]:
    """Map the path of each text file that names this card's partitions to its content."""
    line = kernel_command_line(board, layout)
    # A loader that is missing here is an error of mypy's.
    match board.loader:
        case "uefi":
            return _loader_entry(line)
        case "devicetree-firmware":
            assert board.device_tree is not None
            return _firmware_config(line, board.device_tree)


def _loader_entry(line: str) -> dict[str, str]:
    entry = ("title boat", f"linux /{KERNEL}", f"initrd /{INITRAMFS}", f"options {line}")
    return {"loader/entries/boat.conf": "\n".join(entry) + "\n"}


def _firmware_config(line: str, device_tree: str) -> dict[str, str]:
    config = (
        "arm_64bit=1",
        f"kernel={KERNEL}",
        f"initramfs {INITRAMFS} followkernel",
        f"device_tree={device_tree.rsplit('/', 1)[-1]}",
        "enable_uart=1",
        "disable_splash=1",
    )
    return {"cmdline.txt": line + "\n", "config.txt": "\n".join(config) + "\n"}
