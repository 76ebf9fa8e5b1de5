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
from provision.progress import step


def find_base(board: Board) -> Base | None:
    """Return the base for `board` if it is in the cache."""
    recipe = Recipe.for_board(board)
    target = paths.cache() / "bases" / f"{recipe.architecture}-{recipe.key}"
    return Base(target) if target.is_dir() else None


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
                step(f"Building the {recipe.architecture} base") as report,
                tempfile.TemporaryDirectory(prefix=f"{target.name}.", dir=home) as work,
            ):
                built = Path(work) / "base"
                build(recipe, built, report)
                built.rename(target)
    return Base(target)


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    """Let two builds of one base wait for each other."""
    with path.open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        yield
