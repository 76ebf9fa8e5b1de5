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
    if board.loader == "uefi":
        return {
            "loader/entries/boat.conf": "title boat\n"
            f"linux /{KERNEL}\n"
            f"initrd /{INITRAMFS}\n"
            f"options {line}\n"
        }
    assert board.device_tree is not None
    return {
        "cmdline.txt": line + "\n",
        "config.txt": "arm_64bit=1\n"
        f"kernel={KERNEL}\n"
        f"initramfs {INITRAMFS} followkernel\n"
        f"device_tree={board.device_tree.rsplit('/', 1)[-1]}\n"
        "enable_uart=1\n"
        "disable_splash=1\n",
    }
