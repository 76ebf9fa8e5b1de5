# SPDX-License-Identifier: GPL-3.0-or-later
"""A plain computer to measure a boat against: the same packages on an ordinary ext4 disk.

Nothing of ours is on it: Debian's own initramfs, every service that its package enables.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
from pathlib import Path

from provision import paths
from provision.boards import Board
from provision.card.base.apt_sources import find_mirrors
from provision.card.base.recipe import EXCLUDED, Recipe
from provision.card.layout.filesystems import fill_fat, make_fat, make_folders
from provision.card.layout.partitions import MIB, SECTOR
from provision.commands import environment, find, run

_BOOT = 256 * MIB
_ROOT = 2048 * MIB
_PARTUUID = "3b2a7a5e-0c40-4c0e-9a55-5a1d7d1f0001"


def bootstrap(recipe: Recipe, out: Path) -> None:
    """Bare mmdebstrap with the same packages, as a tar."""
    with out.open("wb") as file:
        subprocess.run(
            [
                find("mmdebstrap"), "--quiet", "--mode=unshare", "--variant=minbase",
                "--format=tar",
                f"--architectures={recipe.architecture}",
                f"--include={','.join(recipe.packages)}",
                *(f"--dpkgopt=path-exclude={pattern}" for pattern in EXCLUDED),
                recipe.suite, "-", *find_mirrors().lines(recipe.suite, list(recipe.components)),
            ],
            stdout=file, env=environment(), check=True,
        )  # fmt: skip


def disk(board: Board) -> Path:
    """Return a bootable disk image, kept in the cache."""
    recipe = Recipe.for_board(board)
    image = paths.cache() / f"plain-{recipe.key}.img"
    if image.exists():
        return image
    with tempfile.TemporaryDirectory(prefix="measure-plain-") as work:
        folder = Path(work)
        tar, root, part = folder / "root.tar", folder / "root", folder / "root.ext4"
        bootstrap(recipe, tar)
        root.mkdir()
        own = [] if os.getuid() == 0 else ["unshare", "--map-root-user", "--map-auto"]
        script = (
            'tar -x -f "$1" -C "$2" && cp -L "$2/vmlinuz" "$2/initrd.img" "$4" && '
            'cp "$2/usr/lib/systemd/boot/efi/systemd-bootx64.efi" "$4" && chmod a+r "$4"/* && '
            'mke2fs -q -t ext4 -d "$2" "$3" 2G && rm -rf "$2"'
        )
        taken = folder / "taken"
        taken.mkdir(mode=0o777)
        run(*own, "sh", "-c", script, "sh", tar, root, part, taken)
        fat, tree = folder / "boot.fat", folder / "tree"
        (tree / "EFI" / "BOOT").mkdir(parents=True)
        (tree / "loader" / "entries").mkdir(parents=True)
        (taken / "systemd-bootx64.efi").rename(tree / "EFI" / "BOOT" / "BOOTX64.EFI")
        for name in ("vmlinuz", "initrd.img"):
            (taken / name).rename(tree / name)
        (tree / "loader" / "loader.conf").write_text("timeout 0\n")
        (tree / "loader" / "entries" / "plain.conf").write_text(
            "title plain\nlinux /vmlinuz\ninitrd /initrd.img\n"
            f"options root=PARTUUID={_PARTUUID} rw quiet console=ttyS0,115200\n"
        )
        make_fat(fat, _BOOT, 0x1234, "PLAIN", 0)
        make_folders(str(fat), tree, 0)
        fill_fat(str(fat), tree, 0)
        whole = folder / "disk.img"
        with whole.open("wb") as file:
            file.truncate(MIB + _BOOT + _ROOT + MIB)
        run("sfdisk", "--quiet", whole, input=_table())
        for source, offset in ((fat, MIB), (part, MIB + _BOOT)):
            run("dd", f"if={source}", f"of={whole}", "bs=1M", f"seek={offset // MIB}",
                "conv=sparse,notrunc")  # fmt: skip
        run("cp", "--sparse=always", whole, image)
    return image


def _table() -> str:
    boot = f"start={MIB // SECTOR}, size={_BOOT // SECTOR}"
    root = f"start={(MIB + _BOOT) // SECTOR}, size={_ROOT // SECTOR}"
    return f"label: gpt\n{boot}, type=uefi\n{root}, type=linux, uuid={_PARTUUID}\n"
