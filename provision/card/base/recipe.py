# SPDX-License-Identifier: GPL-3.0-or-later
"""Define what goes into the base of a kind of board, and the digest of all of it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import yaml

from provision import paths
from provision.boards import Board
from provision.render.archive import BASE_FORMAT
from provision.render.code import list_charts_code, list_feed_code, list_page_code

FOLDER = Path(__file__).parent
#: Time of all files in a base, so that the same packages give the same bytes: 2026-01-01.
EPOCH = 1767225600
#: Number of the way in which a base's folder in the cache is filled. It rises with each change.
FOLDER_FORMAT = 2
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
        # The page's code, too, so that boats with a page and without share a base.
        aboard = list_feed_code() | list_page_code() | list_charts_code()
        found |= {
            path.removeprefix("/"): source
            for path, source in aboard.items()
            if source.suffix == ".py"
        }
        return found

    @cached_property
    def key(self) -> str:
        """Return a digest of everything that goes into the base, 16 hexadecimal digits."""
        digest = hashlib.sha256(json.dumps([BASE_FORMAT, FOLDER_FORMAT, EPOCH, EXCLUDED]).encode())
        facts = {**self.__dict__}
        digest.update(json.dumps(facts, sort_keys=True).encode())
        parts = self.files()
        parts["(customize)"] = FOLDER / "customize"
        parts["(loader)"] = FOLDER / "loaders" / self.loader
        for name, path in sorted(parts.items()):
            content = str(path.readlink()).encode() if path.is_symlink() else path.read_bytes()
            digest.update(f"{name}\0{len(content)}\0".encode() + content)
        return digest.hexdigest()[:16]
