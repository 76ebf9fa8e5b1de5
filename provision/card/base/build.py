# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the base, the operating system of a kind of board.

mmdebstrap builds it without root in unshare mode, and it is packed into a squashfs.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import IO

from provision.card.base import cross_build
from provision.card.base.apt_sources import find_mirrors
from provision.card.base.base import write_digests
from provision.card.base.mmdebstrap_errors import explain_failure
from provision.card.base.mmdebstrap_progress import Progress
from provision.card.base.recipe import EPOCH, EXCLUDED, FOLDER, Recipe
from provision.card.layout.bootloader import INITRAMFS, KERNEL
from provision.card.layout.filesystems import fill_fat, make_fat, make_folders
from provision.card.layout.partitions import BOOT, PARTITIONS
from provision.commands import environment, failure, find
from provision.errors import UserError
from provision.render.archive import BASE_FORMAT

#: Where our hooks are in the new root while it is built. The hooks run as a user of the namespace,
#: who may not look into the builder's home folder.
HOOKS_FOLDER = "boat-hooks"

#: Seconds for the last lines of mmdebstrap after it has ended.
_LAST_LINES_S = 5.0


def build(recipe: Recipe, target: Path, report: Callable[[str], None]) -> None:
    """Build a base into the new folder `target`. `report` takes how far it is."""
    target.mkdir()
    with tempfile.TemporaryDirectory(prefix="provision-base-") as work:
        files = Path(work) / "files.tar"
        _stage(recipe, Path(work) / "files", files)
        lines = find_mirrors().lines(recipe.suite, list(recipe.components))
        standins = cross_build.mmdebstrap_options(
            recipe.architecture, recipe.suite, lines, Path(work)
        )
        _bootstrap(mmdebstrap_command(recipe, files, target, lines, standins), target, report)
        report("filling the boot partition")
        _boot_partition(recipe, target)
    write_digests(target)


def _boot_partition(recipe: Recipe, target: Path) -> None:
    """Fill the boot partition with kernel, initramfs and the loader's own files."""
    tree = target / "boot"
    for name in (KERNEL, INITRAMFS):
        shutil.copyfile(target / name, tree / name)
    make_fat(target / "boot.fat", PARTITIONS[BOOT], int(recipe.key[:8], 16), "BOOT", EPOCH)
    make_folders(str(target / "boot.fat"), tree, EPOCH)
    fill_fat(str(target / "boot.fat"), tree, EPOCH)
    shutil.rmtree(tree)


def _stage(recipe: Recipe, files: Path, tray: Path) -> None:
    """Lay out our own files as they land in the base, and pack them into the tar `tray`."""
    files.mkdir()
    for name, source in recipe.files().items():
        path = files / name
        path.parent.mkdir(parents=True, exist_ok=True)
        if source.is_symlink():
            path.symlink_to(source.readlink())
        else:
            shutil.copy(source, path)
    own = files / "usr" / "lib" / "boat-base"
    (own / "initramfs-modules").write_text("".join(f"{name}\n" for name in recipe.modules))
    (own / "base.json").write_text(
        json.dumps(
            {
                "format": BASE_FORMAT,
                "architecture": recipe.architecture,
                "suite": recipe.suite,
                "built": 0,
                "key": recipe.key,
            }
        )
        + "\n"
    )
    hooks = files / HOOKS_FOLDER
    hooks.mkdir()
    shutil.copy(FOLDER / "customize", hooks / "customize")
    shutil.copy(FOLDER / "loaders" / recipe.loader, hooks / "loader")
    with tarfile.open(tray, "w") as tar:
        for path in sorted(files.rglob("*")):
            tar.add(path, str(path.relative_to(files)), recursive=False, filter=_owned_by_root)


def _owned_by_root(member: tarfile.TarInfo) -> tarfile.TarInfo:
    """Return a file as it is in a base: of root, with a fixed time and mode."""
    member.uid = member.gid = 0
    member.uname = member.gname = "root"
    member.mode = 0o755 if member.isdir() or member.mode & 0o100 else 0o644
    member.mtime = EPOCH
    return member


def mmdebstrap_command(
    recipe: Recipe, files: Path, target: Path, lines: list[str], standins: list[str]
) -> list[str]:
    """Return mmdebstrap's arguments. It writes the root as a tar to standard output.

    `lines` are the package sources, `standins` the options for a foreign architecture.
    """
    options = [
        "--verbose",
        "--mode=unshare",
        "--variant=minbase",
        "--format=tar",
        f"--architectures={recipe.architecture}",
        f"--include={','.join(recipe.packages)}",
        *(f"--dpkgopt=path-exclude={pattern}" for pattern in EXCLUDED),
        "--dpkgopt=force-unsafe-io",
        "--aptopt=Acquire::Languages none",
        *standins,
        f"--essential-hook=tar-in {files} /",
        f'--customize-hook="$1/{HOOKS_FOLDER}/customize" "$1"',
        f'--customize-hook="$1/{HOOKS_FOLDER}/loader" "$1"',
        f"--customize-hook=sync-out /boat-boot {target}",
        f'--customize-hook=rm -rf "$1/boat-boot" "$1/{HOOKS_FOLDER}"',
    ]
    return ["mmdebstrap", *options, recipe.suite, "-", *lines]


def _bootstrap(argv: list[str], target: Path, report: Callable[[str], None]) -> None:
    find("mmdebstrap")
    packer = [
        find("tar2sqfs"),
        "--quiet",
        "--compressor=zstd",
        "--comp-extra=level=10",
        f"--defaults=uid=0,gid=0,mode=0755,mtime={EPOCH}",
        str(target / "base.squashfs"),
    ]
    clean = environment(SOURCE_DATE_EPOCH=str(EPOCH), TZ="UTC", LC_ALL="C.UTF-8")
    log = target / "build.log"
    with log.open("wb", buffering=0) as output:
        maker = subprocess.Popen(
            [find(argv[0]), *argv[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=clean,
            cwd="/",  # the hooks' user may not be able to stand where we are
        )
        assert maker.stdout is not None and maker.stderr is not None
        follower = threading.Thread(
            target=_follow, args=(maker.stderr, output, report), daemon=True
        )
        follower.start()
        packed = subprocess.run(
            packer, stdin=maker.stdout, stdout=output, stderr=output, env=clean, check=False
        )
        maker.stdout.close()
        status = maker.wait()
        # A program that mmdebstrap left behind may hold the pipe open.
        follower.join(_LAST_LINES_S)
    if status != 0:
        raise explain_failure(argv, status, log.read_text(errors="replace"))
    if packed.returncode != 0:
        raise UserError(
            failure(packer, packed.returncode, log.read_text(errors="replace")),
            hint="see that there is room in the folder of the cache, and begin again",
        )


def _follow(printed: IO[bytes], log: IO[bytes], report: Callable[[str], None]) -> None:
    """Write what mmdebstrap prints to the log, and report how far it is."""
    progress = Progress()
    for line in printed:
        log.write(line)
        if far := progress.read(line.decode(errors="replace")):
            report(far)
