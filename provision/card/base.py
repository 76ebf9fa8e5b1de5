# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the base, the operating system of a kind of board, once, and cache it.

mmdebstrap builds it without root in unshare mode, and it is packed into a squashfs. The cache's key
is a digest of everything that goes in, so two boards with the same needs share one base.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import yaml

from provision import paths
from provision.boards import Board
from provision.card import cross_build
from provision.card.apt_sources import find_mirrors
from provision.card.bootloader import INITRAMFS, KERNEL
from provision.card.digests import compute_digest
from provision.card.filesystems import fill_fat, make_fat, make_folders
from provision.card.layout import BOOT_BYTES
from provision.card.mmdebstrap_errors import explain_failure
from provision.commands import environment, failure, find
from provision.errors import Location, UserError
from provision.progress import note, step
from provision.render.archive import BASE_FORMAT
from provision.render.code import list_feed_code

FOLDER = Path(__file__).parent
#: Time of all files in a base, so that the same packages give the same bytes: 2026-01-01.
EPOCH = 1767225600
#: Where our hooks are in the new root while it is built. The hooks run as a user of the namespace,
#: who may not look into the builder's home folder.
HOOKS_FOLDER = "boat-hooks"
#: File in a base's folder with the digests of the files that cards are made from.
DIGESTS_FILE = "digests.json"
#: Left out of the base: no program and no person reads them aboard.
EXCLUDED = (
    "/usr/share/doc/*",
    "/usr/share/info/*",
    "/usr/share/locale/*",
    "/usr/share/man/*",
    "/usr/share/lintian/*",
    "/usr/share/bug/*",
)


@dataclass(frozen=True)
class Recipe:
    """Hold everything that decides what a base is."""

    architecture: str
    suite: str
    components: tuple[str, ...]
    packages: tuple[str, ...]
    modules: tuple[str, ...]
    loader: str

    @classmethod
    def for_board(cls, board: Board) -> Recipe:
        """Return what `board` needs: the packages of every boat, and its own."""
        common = yaml.safe_load((FOLDER / "packages.yml").read_text())
        return cls(
            architecture=board.architecture,
            suite=common["suite"],
            components=tuple(common["components"]),
            packages=tuple(sorted({*common["packages"], *board.packages, board.kernel})),
            modules=board.initramfs_modules,
            loader=board.loader,
        )

    def files(self) -> dict[str, Path]:
        """Map the path of each of our own files in the base to its source here."""
        rootfs = FOLDER / "rootfs"
        found = {
            str(path.relative_to(rootfs)): path
            for path in sorted(rootfs.rglob("*"))
            if path.is_file() or path.is_symlink()
        }
        package = paths.PACKAGE
        code = [package / "__init__.py", package / "onboard" / "__init__.py"]
        code += sorted((package / "onboard" / "settings").rglob("*.py"))
        for path in code:
            found[f"usr/lib/boat-base/provision/{path.relative_to(package)}"] = path
        found |= {path.removeprefix("/"): source for path, source in list_feed_code().items()}
        return found

    @cached_property
    def key(self) -> str:
        """Return a digest of everything that goes into the base, 16 hexadecimal digits."""
        digest = hashlib.sha256(json.dumps([BASE_FORMAT, EPOCH, EXCLUDED]).encode())
        facts = {**self.__dict__}
        digest.update(json.dumps(facts, sort_keys=True).encode())
        parts = self.files()
        parts["(customize)"] = FOLDER / "customize"
        parts["(loader)"] = FOLDER / "loaders" / self.loader
        for name, path in sorted(parts.items()):
            content = str(path.readlink()).encode() if path.is_symlink() else path.read_bytes()
            digest.update(f"{name}\0{len(content)}\0".encode() + content)
        return digest.hexdigest()[:16]


@dataclass(frozen=True)
class Base:
    """Hold a built base in the cache."""

    folder: Path

    @property
    def squashfs(self) -> Path:
        """Return the path of the root file system."""
        return self.folder / "base.squashfs"

    @property
    def fat(self) -> Path:
        """Return the path of the boot partition with the files that every boat has."""
        return self.folder / "boot.fat"

    @cached_property
    def facts(self) -> dict[str, object]:
        """Return base.json of the base."""
        facts: dict[str, object] = json.loads((self.folder / "base.json").read_text())
        return facts

    @cached_property
    def digests(self) -> dict[str, str]:
        """Return the digest of each file that cards are made from, as it was built.

        Empty for a base that an earlier version built. Raise UserError if they cannot be read.
        """
        file = self.folder / DIGESTS_FILE
        try:
            return {str(name): str(one) for name, one in json.loads(file.read_text()).items()}
        except FileNotFoundError:
            note(f"this base was made by an earlier version, has no digests: {self.folder}")
            return {}
        except (OSError, ValueError, AttributeError) as error:
            raise UserError(
                "the cached base is damaged",
                location=Location(file),
                hint=f"remove {self.folder}, and it is built again",
            ) from error


def get_base(board: Board) -> Base:
    """Return the base for `board`, from the cache or built now."""
    recipe = Recipe.for_board(board)
    home = paths.cache() / "bases"
    home.mkdir(parents=True, exist_ok=True)
    target = home / f"{recipe.architecture}-{recipe.key}"
    if target.is_dir():
        return Base(target)
    cross_build.require_emulation(recipe.architecture)
    with _lock(home / f"{target.name}.lock"):
        for left in home.glob(f"{target.name}.*/"):
            # Remove what a killed build left.
            shutil.rmtree(left)
        if not target.is_dir():
            with (
                step(f"Building the {recipe.architecture} base"),
                tempfile.TemporaryDirectory(prefix=f"{target.name}.", dir=home) as work,
            ):
                built = Path(work) / "base"
                build(recipe, built)
                built.rename(target)
    return Base(target)


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """Let two builds of one base wait for each other."""
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield


def build(recipe: Recipe, target: Path) -> None:
    """Build a base into the new folder `target`."""
    target.mkdir()
    with tempfile.TemporaryDirectory(prefix="provision-base-") as work:
        files = Path(work) / "files.tar"
        _stage(recipe, Path(work) / "files", files)
        lines = find_mirrors().lines(recipe.suite, list(recipe.components))
        standins = cross_build.mmdebstrap_options(
            recipe.architecture, recipe.suite, lines, Path(work)
        )
        _bootstrap(mmdebstrap_command(recipe, files, target, lines, standins), target)
        _boot_partition(recipe, target)
    made = Base(target)
    found = {file.name: compute_digest(file) for file in (made.squashfs, made.fat)}
    (target / DIGESTS_FILE).write_text(json.dumps(found) + "\n")


def _boot_partition(recipe: Recipe, target: Path) -> None:
    """Fill the boot partition with kernel, initramfs and the loader's own files."""
    tree = target / "boot"
    for name in (KERNEL, INITRAMFS):
        shutil.copyfile(target / name, tree / name)
    make_fat(target / "boot.fat", BOOT_BYTES, int(recipe.key[:8], 16), "BOOT", EPOCH)
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


def _bootstrap(argv: list[str], target: Path) -> None:
    find("mmdebstrap")
    packer = [
        find("tar2sqfs"),
        "--quiet",
        "--compressor=zstd",
        "--comp-extra=level=10",
        f"--defaults=uid=0,gid=0,mode=0755,mtime={EPOCH}",
        str(target / "base.squashfs"),
    ]
    clean = environment(SOURCE_DATE_EPOCH=str(EPOCH), TZ="UTC")
    log = target / "build.log"
    with log.open("w") as said:
        maker = subprocess.Popen(
            [find(argv[0]), *argv[1:]],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=said,
            env=clean,
            cwd="/",  # the hooks' user may not be able to stand where we are
        )
        packed = subprocess.run(
            packer, stdin=maker.stdout, stdout=said, stderr=said, env=clean, check=False
        )
        assert maker.stdout is not None
        maker.stdout.close()
        status = maker.wait()
    if status != 0:
        raise explain_failure(argv, status, log.read_text(errors="replace"))
    if packed.returncode != 0:
        raise UserError(failure(packer, packed.returncode, log.read_text(errors="replace")))
