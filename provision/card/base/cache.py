# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the base of a kind of board once, and cache it.

The cache's key is a digest of everything that goes in, so two boards with the same needs share one
base.
"""

from __future__ import annotations

import fcntl
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from provision import paths
from provision.boards import Board
from provision.card.base import cross_build
from provision.card.base.base import Base
from provision.card.base.build import build
from provision.card.base.recipe import Recipe
from provision.errors import Location, UserError
from provision.progress import step


def find_base(board: Board) -> Base | None:
    """Return the base for `board` if it is in the cache."""
    recipe = Recipe.for_board(board)
    target = paths.cache() / "bases" / f"{recipe.architecture}-{recipe.key}"
    return Base(target) if target.is_dir() else None


def get_base(board: Board, *, built_since: float = 0.0) -> Base:
    """Return the base for `board`, from the cache or built now.

    A cached base that was built before `built_since`, in seconds since 1970, is replaced by a new
    one. It stays as it is if the new one cannot be built.
    """
    recipe = Recipe.for_board(board)
    home = paths.cache() / "bases"
    home.mkdir(parents=True, exist_ok=True)
    target = home / f"{recipe.architecture}-{recipe.key}"
    if _is_recent(target, built_since):
        return Base(target)
    _refuse_in_a_kit(target)
    cross_build.require_emulation(recipe.architecture)
    with _lock(home / f"{target.name}.lock"):
        for left in home.glob(f"{target.name}.*/"):
            # Remove what a killed build left.
            shutil.rmtree(left)
        if not _is_recent(target, built_since):
            with (
                step(f"Building the {recipe.architecture} base") as report,
                tempfile.TemporaryDirectory(prefix=f"{target.name}.", dir=home) as work,
            ):
                built = Path(work) / "base"
                build(recipe, built, report)
                if target.is_dir():
                    target.rename(Path(work) / "former")
                built.rename(target)
    return Base(target)


def _is_recent(folder: Path, built_since: float) -> bool:
    """Tell whether a base is there, and was built at that time or later."""
    return folder.is_dir() and (not built_since or folder.stat().st_mtime >= built_since)


def _refuse_in_a_kit(target: Path) -> None:
    """Raise UserError in a kit, which holds the bases that it was made with, and no others."""
    if kit := paths.kit():
        raise UserError(
            f"a kit builds no base, and {target.name} is not in it"
            if not target.is_dir()
            else "a kit builds no new base",
            location=Location(Path(kit) / "bases"),
            hint="build it where the boats' folder is, and make the kit again there",
        )


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """Let two builds of one base wait for each other."""
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
