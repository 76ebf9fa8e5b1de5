# SPDX-License-Identifier: GPL-3.0-or-later
"""Judging what a power cut left of a data partition, as the boat would at its next start."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from provision.commands import run
from tests.system.cut_off import writelog
from tests.system.cut_off.writelog import Epoch, State

#: As the initramfs has it.
_CONFIG = "[options]\nbroken_system_clock = true\n"

#: What e2fsck says when it found nothing, or has repaired what it found (e2fsck(8)).
_MENDED = (0, 1)

#: What a look at one state returns.
Seen = TypeVar("Seen")


@dataclass(frozen=True)
class Chosen:
    """Holds what the boat would choose, and all that is wrong with the card after the repair."""

    choice: str
    digest: str
    wrong: tuple[str, ...]


@dataclass(frozen=True)
class Judge:
    """Knows what must be on the card: the settings that were ever kept, and other files.

    `built` is the digest of the settings on the boot partition, `others` are files outside
    /data/settings (path in the partition -> content) that nobody wrote to.
    """

    built: str
    others: dict[str, bytes]

    def __call__(self, image: Path) -> Chosen:
        """Repair the file system in `image`, and look what is there."""
        with tempfile.TemporaryDirectory(prefix="card-", dir=image.parent) as work:
            config = Path(work, "e2fsck.conf")
            config.write_text(_CONFIG)
            env = {"E2FSCK_CONFIG": str(config)}
            wrong = []
            repair = run("e2fsck", "-p", image, env=env, check=False)
            if repair.returncode not in _MENDED:
                wrong.append(f"e2fsck -p: {repair.returncode}: {repair.stdout[-300:]}")
            again = run("e2fsck", "-fn", image, env=env, check=False)
            if again.returncode != 0:
                wrong.append(f"e2fsck -fn: {again.returncode}: {again.stdout[-300:]}")
            tree = Path(work, "tree")
            tree.mkdir()
            run("debugfs", "-R", f"rdump / {tree}", image)
            wrong += self._elsewhere(tree)
            wrong += _settings(tree / "settings")
            choice, digest = choose(tree / "settings", self.built)
            return Chosen(choice, digest, tuple(wrong))

    def _elsewhere(self, tree: Path) -> Iterator[str]:
        found = {
            str(path.relative_to(tree)): path.read_bytes()
            for path in tree.rglob("*")
            if path.is_file() and path.parent != tree / "settings"
        }
        for path in sorted({*found, *self.others}):
            if found.get(path) != self.others.get(path):
                there = "damaged" if path in found and path in self.others else "lost"
                yield f"{path} is {there if path in self.others else 'new'}"


def _settings(folder: Path) -> Iterator[str]:
    """Yield what is wrong with the settings beyond files that were not finished."""
    if not folder.is_dir():
        yield "the settings' folder is lost"
        return
    for path in (*folder.glob("*.tar"), *folder.glob("*.copy")):
        if hashlib.sha256(path.read_bytes()).hexdigest() != path.stem:
            yield f"{path.name} is damaged"
    for name in ("kept", "previous"):
        if (folder / name).exists() and not _whole(folder, name):
            yield f"what {name} names is damaged"
    known = {"kept", "previous"}
    for path in folder.iterdir():
        if path.name not in known and path.suffix not in (".tar", ".copy", ".new"):
            yield f"{path.name} does not belong there"


def _whole(folder: Path, pointer: str) -> bool:
    """Ask as the initramfs asks."""
    done = subprocess.run(
        ["sha256sum", "-c", pointer], cwd=folder, capture_output=True, check=False
    )
    return done.returncode == 0


def choose(folder: Path, built: str) -> tuple[str, str]:
    """Return the initramfs's rule: kept, else previous, else as built; and the digest."""
    for pointer in ("kept", "previous"):
        if (folder / pointer).is_file() and _whole(folder, pointer):
            return pointer, (folder / pointer).read_text().split()[0]
    return "built", built


def rebuild(
    data: Path, epochs: Sequence[Epoch], states: Sequence[State], folder: Path
) -> Iterator[tuple[State, Path]]:
    """Yield each state's image in turn, in the states' order by epoch; the caller's to remove.

    `data` is the partition as it was before the first write of the log.
    """
    durable = folder / "durable.img"
    _copy(data, durable)
    done = 0
    for number, group in groupby(sorted(states, key=lambda s: s.epochs), lambda s: s.epochs):
        writelog.apply(epochs[done:number], durable)
        done = number
        for index, state in enumerate(group):
            image = folder / f"state-{number}-{index}.img"
            _copy(durable, image)
            state.apply(image)
            yield state, image
    durable.unlink()


def judge(
    rebuilt: Iterator[tuple[State, Path]], look: Callable[[Path], Seen], at_once: int = 2
) -> list[tuple[State, Seen]]:
    """Return what the boat would make of each state."""

    def one(pair: tuple[State, Path]) -> tuple[State, Seen]:
        state, image = pair
        try:
            return state, look(image)
        finally:
            image.unlink()

    judged: list[tuple[State, Seen]] = []
    with ThreadPoolExecutor(at_once) as pool:
        batch: list[tuple[State, Path]] = []
        for pair in rebuilt:
            batch.append(pair)
            if len(batch) == 8 * at_once:
                judged += pool.map(one, batch)
                batch = []
        judged += pool.map(one, batch)
    return judged


def _copy(source: Path, target: Path) -> None:
    """Copy what a sparse file holds; its holes stay holes."""
    run("cp", "--sparse=always", source, target)


def cut_out(card: Path, offset: int, size: int, target: Path) -> None:
    """Return a partition of a card as an image of its own."""
    with card.open("rb") as reading, target.open("wb") as writing:
        writing.truncate(size)
        reading.seek(offset)
        for start in range(0, size, 2**20):
            piece = reading.read(min(2**20, size - start))
            if piece.strip(b"\0"):
                writing.seek(start)
                writing.write(piece)


def put_in(image: Path, card: Path, offset: int) -> None:
    """Write a partition's image into a card."""
    with image.open("rb") as reading, card.open("r+b") as writing:
        writing.seek(offset)
        shutil.copyfileobj(reading, writing, 2**20)
